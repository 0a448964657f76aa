package archive

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"

	bolt "go.etcd.io/bbolt"
)

// bbolt goes from a branch page to its children wherever they are. Where one leads
// back to a page above it, it goes on until stack or memory is used up, and from that
// no program recovers. Nor does it from a value that is said to be larger than memory,
// once that is copied, or from one of memory that belongs to others: bbolt copies a small
// bucket out of the file and reads behind the copy's end. So the branches of a tree are
// followed here before bbolt is let into it, and what its leaves say of their elements
// is looked at: those of the buckets when the file is opened, and those of a run, of
// which there may be many, when it is read.

// follow goes through the pages of a file as bbolt would, whatever else is wrong with
// them, and reads nothing of the elements of leaves but where they lie.
type follow struct {
	r        io.ReaderAt
	pageSize int64
	most     uint64 // pages
}

// buckets follows the tree of buckets and that of each of them.
func (f follow) buckets(root uint64) error {
	var roots []uint64
	var bad error
	err := f.tree(root, func(at int64, e []byte) {
		if u32(e)&isBucket == 0 {
			return
		}
		id, err := f.bucketAt(at+int64(u32(e[4:]))+int64(u32(e[8:])), int(u32(e[12:])))
		bad = cmp.Or(bad, err)
		roots = append(roots, id)
	})
	for _, id := range roots {
		if err == nil && id != 0 {
			err = f.tree(id, nil)
		}
	}
	return cmp.Or(err, bad)
}

// bucketAt gives the first page of the bucket that a value of n bytes is about; 0 when
// its only page is part of the value.
func (f follow) bucketAt(at int64, n int) (root uint64, err error) {
	v := f.bytes(at, n)
	if v == nil {
		return 0, nil
	}
	if root = u64(v); root == 0 {
		err = onlyPage(v[bucketHeader:])
	}
	return root, err
}

// tree follows one tree. Where it can be told that bbolt itself stops, at what lies
// beyond the end of the file or does not say that it is the page, nothing is wrong with
// that here. It tells leaf of each element of a leaf where it begins and what it is.
func (f follow) tree(root uint64, leaf func(at int64, e []byte)) error {
	met := map[uint64]bool{}
	next := []uint64{root}
	for len(next) > 0 {
		id := next[len(next)-1]
		next = next[:len(next)-1]
		if id >= f.most {
			return fmt.Errorf("page %d is led to, and there are %d", id, f.most)
		}
		if met[id] {
			return fmt.Errorf("page %d is led to twice", id)
		}
		met[id] = true
		at := int64(id) * f.pageSize
		h := f.bytes(at, pageHeader)
		if h == nil || u64(h) != id {
			continue
		}
		kind, count := u16(h[8:]), int(u16(h[10:]))
		size := f.pageSize * min(1+int64(u32(h[12:])), int64(f.most-id))
		e := f.bytes(at+pageHeader, count*elementSize)
		switch kind {
		case leafPage:
			for i := 0; i < len(e); i += elementSize {
				begins, e := int64(pageHeader+i), e[i:i+elementSize]
				if err := lies(e, size-begins); err != nil {
					return fmt.Errorf("page %d: %w", id, err)
				}
				if leaf != nil {
					leaf(at+begins, e)
				}
			}
		case branchPage:
			if count == 0 || int64(pageHeader+len(e)) > size {
				return fmt.Errorf("page %d is a branch of %d elements, which it cannot have", id, count)
			}
			for i := 0; i < len(e); i += elementSize {
				next = append(next, u64(e[i+8:]))
			}
		case metaPage, freePage:
			return fmt.Errorf("page %d is led to, and is of kind %d", id, kind)
		}
	}
	return nil
}

// lies says why an element of a leaf may not be read: it ends behind what is left of its
// page, or is a bucket without the whole of a header.
func lies(e []byte, left int64) error {
	key, value := int64(u32(e[8:])), int64(u32(e[12:]))
	switch {
	case int64(u32(e[4:]))+key+value > left:
		return errors.New("an element ends outside of it")
	case u32(e)&isBucket != 0 && value < bucketHeader:
		return fmt.Errorf("a bucket has a header of %d bytes", value)
	}
	return nil
}

// bytes reads n bytes, nil where the file has no such.
func (f follow) bytes(at int64, n int) []byte {
	b := make([]byte, n)
	if _, err := f.r.ReadAt(b, at); err != nil {
		return nil
	}
	return b
}

// endless says why bbolt may not be let near a file even to read it; nil when it may.
// The trees of the runs are not looked at.
func endless(f *os.File) error {
	w := &walk{r: f, wrong: func(string, error) {}}
	if err := w.pickMeta(0); err != nil {
		return damaged(f.Name(), err)
	}
	if err := (follow{f, int64(w.meta.pageSize), w.meta.most}).buckets(w.meta.root); err != nil {
		return damaged(f.Name(), err)
	}
	return nil
}

// runIn gives the bucket of a run that is kept, to be read, after following its pages.
func (a *Archive) runIn(tx *bolt.Tx, id string) (*bolt.Bucket, error) {
	b := tx.Bucket(bRuns).Bucket([]byte(id))
	if b == nil {
		return nil, ErrNotFound
	}
	if b.Root() == 0 {
		return b, nil
	}
	size := int64(tx.DB().Info().PageSize)
	if err := (follow{a.db.file, size, uint64(tx.Size() / size)}).tree(uint64(b.Root()), nil); err != nil {
		return nil, damaged(a.path, fmt.Errorf("run %s: %w", id, err))
	}
	return b, nil
}
