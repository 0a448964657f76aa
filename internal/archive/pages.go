package archive

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// The parts of bbolt's file format, version 2, which is little more than B+ trees
// of pages: page kinds, and the sizes of headers in bytes.
const (
	branchPage, leafPage, metaPage, freePage = 1, 2, 4, 16

	pageHeader   = 16
	elementSize  = 16
	bucketHeader = 16
	isBucket     = 1  // flag of an element
	metaSize     = 56 // before its checksum

	metaMagic, metaVersion = 0xED0CDAED, 2

	noFreelist = math.MaxUint64
)

// walk reads every page that one transaction can reach, without bbolt, which
// takes the bytes of its file on trust and crashes over damaged ones. It holds
// each byte of each page against the one form that bbolt would have given it.
type walk struct {
	r     io.ReaderAt
	size  int64
	meta  meta
	met   []bool // pages
	wrong func(what string, err error)
	// page is told of each page that holds keys and values; nil when nobody asks.
	page func(id uint64, b []byte)
	// progress is told how many pages were read so far; nil when nobody asks.
	progress func(pages int64)
	read     int64
	stopped  func() error // says that nobody waits any more
	topOnly  bool         // the trees of buckets within buckets are left out
	unsafe   bool         // bbolt must not be let near the file
}

func u16(b []byte) uint16 { return binary.NativeEndian.Uint16(b) }
func u32(b []byte) uint32 { return binary.NativeEndian.Uint32(b) }
func u64(b []byte) uint64 { return binary.NativeEndian.Uint64(b) }

// run walks the pages of the transaction, or of the last one when tx is 0. Only
// a file of which nothing can be read, and a context that ended, give an error.
func (w *walk) run(ctx context.Context, tx uint64) error {
	w.stopped = ctx.Err
	if err := w.begin(tx); err != nil {
		w.unsafe = true
		return err
	}
	w.tree("root", w.meta.root, nil, nil)
	if err := w.stopped(); err != nil {
		return context.Cause(ctx)
	}
	if w.meta.freelist == noFreelist {
		return nil
	}
	if w.free(); w.unsafe || w.topOnly {
		return nil
	}
	for id := uint64(2); id < w.meta.most; id++ {
		if !w.met[id] {
			w.wrong(fmt.Sprintf("page %d", id), errors.New("it is neither in use nor free"))
		}
	}
	return nil
}

// begin reads the first page of the transaction, and whether the file has all of
// its pages.
func (w *walk) begin(tx uint64) error {
	if err := w.pickMeta(tx); err != nil {
		return err
	}
	if w.meta.most > uint64(w.size)/uint64(w.meta.pageSize) {
		return fmt.Errorf("it has %d bytes and was %d pages of %d", w.size, w.meta.most, w.meta.pageSize)
	}
	w.met = make([]bool, w.meta.most)
	return nil
}

func (w *walk) hard(what string, err error) {
	w.unsafe = true
	w.wrong(what, err)
}

func header(b []byte, id uint64, kinds ...uint16) error {
	if got := u64(b); got != id {
		return fmt.Errorf("it says that it is page %d", got)
	}
	for _, k := range kinds {
		if u16(b[8:]) == k {
			return nil
		}
	}
	return fmt.Errorf("it is of kind %d", u16(b[8:]))
}

// load gives the bytes of a page with those that overflow from it.
func (w *walk) load(where string, id uint64, kinds ...uint16) []byte {
	what := fmt.Sprintf("page %d (%s)", id, where)
	if id < 2 || id >= w.meta.most {
		w.hard(what, fmt.Errorf("there are pages 2 to %d", w.meta.most-1))
		return nil
	}
	n := int64(w.meta.pageSize)
	b := make([]byte, n)
	if _, err := w.r.ReadAt(b, int64(id)*n); err != nil {
		w.hard(what, err)
		return nil
	}
	if err := header(b, id, kinds...); err != nil {
		w.hard(what, err)
		return nil
	}
	over := uint64(u32(b[12:]))
	if over >= w.meta.most-id {
		w.hard(what, fmt.Errorf("it is said to have %d more pages", over))
		return nil
	}
	for i := id; i <= id+over; i++ {
		if w.met[i] {
			w.hard(what, fmt.Errorf("page %d is in use twice", i))
			return nil
		}
		w.met[i] = true
	}
	if w.read += int64(over) + 1; w.progress != nil {
		w.progress(w.read)
	}
	if over > 0 {
		b = make([]byte, n*int64(over+1))
		if _, err := w.r.ReadAt(b, int64(id)*n); err != nil {
			w.hard(what, err)
			return nil
		}
	}
	return b
}

// tree walks a bucket's pages from one down. Its first key is least, unless that
// is nil, and all keys are below most, unless that is.
func (w *walk) tree(where string, id uint64, least, most []byte) {
	if w.stopped() != nil {
		return
	}
	b := w.load(where, id, branchPage, leafPage)
	if b == nil {
		return
	}
	if w.page != nil {
		w.page(id, b)
	}
	what := fmt.Sprintf("page %d (%s)", id, where)
	elements, used, err := elementsOf(b)
	if err != nil {
		w.hard(what, err)
		return
	}
	over := int(u32(b[12:]))
	if want := max(1, (used+int(w.meta.pageSize)-1)/int(w.meta.pageSize)); want != over+1 {
		w.hard(what, fmt.Errorf("it takes %d pages and needs %d", over+1, want))
	}
	if i := nonZero(b[used:]); i >= 0 {
		w.wrong(what, fmt.Errorf("byte %d, behind its last element, is not zero", used+i))
	}
	if err := ordered(elements, least, most); err != nil {
		w.hard(what, err)
	}
	if u16(b[8:]) == branchPage {
		if len(elements) == 0 {
			w.hard(what, errors.New("it is a branch without a leaf"))
		}
		for i, e := range elements {
			end := most
			if i+1 < len(elements) {
				end = elements[i+1].key
			}
			w.tree(where, e.child, e.key, end)
		}
		return
	}
	for _, e := range elements {
		if e.bucket && (where == "root" || !w.topOnly) {
			w.bucket(within(where, e.key), e.value)
		}
	}
}

// within names what lies in a bucket.
func within(where string, key []byte) string {
	if where == "root" {
		return string(key)
	}
	return where + " " + string(key)
}

// bucket walks a bucket by the value it has in its parent.
func (w *walk) bucket(where string, v []byte) {
	if len(v) < bucketHeader {
		w.hard(where, fmt.Errorf("it has a header of %d bytes", len(v)))
		return
	}
	root := u64(v)
	if root != 0 {
		if len(v) != bucketHeader {
			w.hard(where, fmt.Errorf("%d bytes follow its header", len(v)-bucketHeader))
		}
		w.tree(where, root, nil, nil)
		return
	}
	if err := onlyPage(v[bucketHeader:]); err != nil {
		w.hard(where, err)
	}
}

// onlyPage holds the only page of a small bucket, which is part of its value, against
// the one form that bbolt gives it.
func onlyPage(p []byte) error {
	if len(p) < pageHeader {
		return errors.New("its only page is cut")
	}
	err := header(p, 0, leafPage)
	if n := u32(p[12:]); err == nil && n != 0 {
		err = fmt.Errorf("%d pages overflow from it", n)
	}
	if err != nil {
		return fmt.Errorf("the header of its only page: %w", err)
	}
	elements, used, err := elementsOf(p)
	if err == nil && used != len(p) {
		err = fmt.Errorf("its only page has %d bytes and needs %d", len(p), used)
	}
	if err == nil {
		err = ordered(elements, nil, nil)
	}
	for _, e := range elements {
		if e.bucket && err == nil {
			err = errors.New("a bucket is in its only page")
		}
	}
	return err
}

type element struct {
	key, value []byte
	bucket     bool
	child      uint64
}

// elementsOf reads the elements of a page, which lie behind each other without a
// gap, and gives the bytes that all of it takes.
func elementsOf(p []byte) (out []element, used int, err error) {
	n := int(u16(p[10:]))
	leaf := u16(p[8:]) == leafPage
	used = pageHeader + n*elementSize
	if used > len(p) {
		return nil, 0, fmt.Errorf("%d elements do not fit", n)
	}
	for i := range n {
		at := pageHeader + i*elementSize
		h := p[at : at+elementSize]
		e := element{}
		var pos, keySize, valueSize uint32
		if leaf {
			pos, keySize, valueSize = u32(h[4:]), u32(h[8:]), u32(h[12:])
			flags := u32(h)
			if e.bucket = flags == isBucket; flags > isBucket {
				return nil, 0, fmt.Errorf("element %d has flags %x", i, flags)
			}
		} else {
			pos, keySize, e.child = u32(h), u32(h[4:]), u64(h[8:])
		}
		end := int64(used) + int64(keySize) + int64(valueSize)
		switch {
		case keySize == 0:
			return nil, 0, fmt.Errorf("element %d has no key", i)
		case end > int64(len(p)):
			return nil, 0, fmt.Errorf("element %d ends outside of it", i)
		case int64(at)+int64(pos) != int64(used):
			return nil, 0, fmt.Errorf("element %d does not lie behind the one before", i)
		}
		e.key = p[used : used+int(keySize)]
		e.value = p[used+int(keySize) : end]
		used = int(end)
		out = append(out, e)
	}
	return out, used, nil
}

func ordered(elements []element, least, most []byte) error {
	last := []byte(nil)
	for i, e := range elements {
		switch {
		case i == 0 && least != nil && !bytes.Equal(e.key, least):
			return errors.New("its first key is not the one that leads to it")
		case i > 0 && bytes.Compare(last, e.key) >= 0:
			return fmt.Errorf("key %d is not above the one before", i)
		}
		last = e.key
	}
	switch {
	case least != nil && len(elements) == 0:
		return errors.New("it has no key")
	case most != nil && last != nil && bytes.Compare(last, most) >= 0:
		return errors.New("its last key is not below those of the next page")
	}
	return nil
}

func nonZero(b []byte) int {
	for i, c := range b {
		if c != 0 {
			return i
		}
	}
	return -1
}

// free holds the list of free pages against those that are in use.
func (w *walk) free() {
	b := w.load("list of free pages", w.meta.freelist, freePage)
	if b == nil {
		return
	}
	n, at := uint64(u16(b[10:])), pageHeader
	if n == 0xFFFF && len(b) >= at+8 {
		n, at = u64(b[at:]), at+8
	}
	if n > uint64(len(b)-at)/8 {
		w.hard("list of free pages", fmt.Errorf("%d do not fit", n))
		return
	}
	last := uint64(1)
	for range n {
		id := u64(b[at:])
		at += 8
		if id <= last || id >= w.meta.most {
			w.hard("list of free pages", fmt.Errorf("page %d follows page %d", id, last))
			return
		}
		if last = id; w.met[id] {
			w.hard("list of free pages", fmt.Errorf("page %d is in use", id))
			continue
		}
		w.met[id] = true
	}
	if i := nonZero(b[at:]); i >= 0 {
		w.wrong("list of free pages", fmt.Errorf("byte %d behind its end is not zero", i))
	}
}
