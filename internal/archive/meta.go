package archive

import (
	"errors"
	"fmt"
	"hash/fnv"
)

// meta is what one of the two first pages says of the file.
type meta struct {
	pageSize uint32
	root     uint64
	sequence uint64
	freelist uint64 // page
	most     uint64 // pages that may be in use
	tx       uint64 // transaction that wrote it
}

// errOtherTx is returned when the meta page of the transaction is gone.
var errOtherTx = errors.New("the file went on meanwhile")

// pickMeta finds the first page of the transaction, or the later one of the two.
func (w *walk) pickMeta(tx uint64) error {
	both, err := w.metas()
	if err != nil {
		return err
	}
	last := both[0]
	for _, m := range both {
		if tx != 0 && m.tx == tx {
			w.meta = m
			return nil
		}
		if m.tx > last.tx {
			last = m
		}
	}
	if tx != 0 {
		return errOtherTx
	}
	w.meta = last
	return nil
}

// metas reads the two first pages, those of them that are whole.
func (w *walk) metas() (whole []meta, err error) {
	sizes := []uint32{4096, 1024, 2048, 8192, 16384, 32768, 65536}
	m, err := w.readMeta(0, 0)
	if err != nil {
		w.wrong("page 0", err)
	} else {
		whole, sizes = append(whole, m), []uint32{m.pageSize}
	}
	for _, n := range sizes { // where the second one is, the first one knows
		m, err = w.readMeta(1, int64(n))
		if err == nil && m.pageSize == n {
			return append(whole, m), nil
		}
	}
	if err == nil {
		err = errors.New("it is not where a page begins")
	}
	w.wrong("page 1", err)
	if len(whole) == 0 {
		return nil, errFirstPages
	}
	return whole, nil
}

// readMeta reads a first page. One that is written at the same time can come half as it
// was and half as it will be, so that what is not whole is read again.
func (w *walk) readMeta(id uint64, at int64) (m meta, err error) {
	b := make([]byte, pageHeader+metaSize+8)
	for range 4 {
		if _, err := w.r.ReadAt(b, at); err != nil {
			return meta{}, err
		}
		if m, err = metaOf(b, id); err == nil {
			break
		}
	}
	return m, err
}

func metaOf(b []byte, id uint64) (m meta, err error) {
	if err := header(b, id, metaPage); err != nil {
		return m, err
	}
	if u16(b[10:]) != 0 || u32(b[12:]) != 0 {
		return m, errors.New("its header counts elements")
	}
	b = b[pageHeader:]
	m = meta{pageSize: u32(b[8:]), root: u64(b[16:]), sequence: u64(b[24:]), freelist: u64(b[32:]), most: u64(b[40:]), tx: u64(b[48:])}
	switch {
	case u32(b) != metaMagic || u32(b[4:]) != metaVersion:
		return m, errors.New("it is not of a bbolt file of version 2")
	case u64(b[metaSize:]) != fnvOf(b[:metaSize]):
		return m, errors.New("its checksum does not hold")
	case m.pageSize < 1024 || m.pageSize > 65536 || m.pageSize&(m.pageSize-1) != 0:
		return m, fmt.Errorf("a page is said to have %d bytes", m.pageSize)
	}
	return m, nil
}

func fnvOf(b []byte) uint64 {
	h := fnv.New64a()
	h.Write(b)
	return h.Sum64()
}
