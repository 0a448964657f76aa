package archive

import (
	"cmp"
	"fmt"
	"io"
	"os"

	bolt "go.etcd.io/bbolt"
)

// bbolt goes from a branch page to its children wherever they are. Where one leads
// back to a page above it, it goes on until stack or memory is used up, and from that
// no program recovers. So the branches of a tree are followed here before bbolt is let
// into it: those of the buckets when the file is opened, and those of a run, of which
// there may be many, when it is read.

// follow goes through the branch pages of a file as bbolt would, whatever else is
// wrong with them, and reads no leaves.
type follow struct {
	r        io.ReaderAt
	pageSize int64
	most     uint64 // pages
}

// buckets follows the tree of buckets and that of each of them.
func (f follow) buckets(root uint64) error {
	var roots []uint64
	var bad error
	err := f.tree(root, func(leaf int64, count int) {
		for i := range count {
			id, err := f.bucketAt(leaf + pageHeader + int64(i)*elementSize)
			bad = cmp.Or(bad, err)
			roots = append(roots, id)
		}
	})
	for _, id := range roots {
		if err == nil && id != 0 {
			err = f.tree(id, nil)
		}
	}
	return cmp.Or(err, bad)
}

// bucketAt gives the first page of the bucket that an element of a leaf is about; 0
// when it is about none, or about one whose only page is part of the element.
func (f follow) bucketAt(at int64) (root uint64, err error) {
	e := f.bytes(at, elementSize)
	if e == nil || u32(e)&1 == 0 {
		return 0, nil
	}
	v := f.bytes(at+int64(u32(e[4:]))+int64(u32(e[8:])), bucketHeader+pageHeader)
	if v == nil {
		return 0, nil
	}
	if root = u64(v); root != 0 {
		return root, nil
	}
	if kind := u16(v[bucketHeader+8:]); kind != leafPage {
		return 0, fmt.Errorf("the only page of a bucket is of kind %d", kind)
	}
	return 0, nil
}

// tree follows one tree. Where it can be told that bbolt itself stops, at what lies
// beyond the end of the file or does not say that it is the page, nothing is wrong with
// that here. It tells leaf where each leaf begins, and of how many elements it is.
func (f follow) tree(root uint64, leaf func(at int64, count int)) error {
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
		count := int(u16(h[10:]))
		switch kind := u16(h[8:]); kind {
		case leafPage:
			if leaf != nil {
				leaf(at, count)
			}
		case branchPage:
			e := f.bytes(at+pageHeader, count*elementSize)
			if count == 0 || int64(pageHeader+len(e)) > f.pageSize*(1+int64(u32(h[12:]))) {
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
