package dossier_test

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"slices"
	"testing"
	"time"

	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
)

// TestContainer: no byte of the container itself can be changed either, nor
// anything hidden before, in or behind it.
func TestContainer(t *testing.T) {
	k := keep(t)
	b := k.dossier(t)
	r := labtest.Rand(t)
	for range 1000 {
		c := bytes.Clone(b)
		i := r.IntN(len(c))
		c[i] ^= byte(1 + r.IntN(255))
		if _, err := dossier.Verify(c, k.keys()); !errors.Is(err, dossier.ErrNotProved) {
			t.Fatalf("byte %d changed: %v", i, err)
		}
	}
	for what, c := range map[string][]byte{"behind": append(bytes.Clone(b), 0), "before": append([]byte("x"), b...), "cut": b[:len(b)-1], "none": nil} {
		if _, err := dossier.Verify(c, k.keys()); !errors.Is(err, dossier.ErrNotProved) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// entry is a member as a container has it: where its local header is, and its record
// in the directory.
type entry struct {
	local, directory []byte
}

// parted takes a container apart by the layout of PKWARE's APPNOTE, sections 4.3.7
// (local header), 4.3.12 (directory) and 4.3.16 (its end).
func parted(t testing.TB, b []byte) (entries []entry, end []byte) {
	t.Helper()
	le := binary.LittleEndian
	end = b[len(b)-22:]
	at := int(le.Uint32(end[16:]))
	var starts []int
	for range le.Uint16(end[10:]) {
		size := 46 + int(le.Uint16(b[at+28:])) + int(le.Uint16(b[at+30:])) + int(le.Uint16(b[at+32:]))
		entries = append(entries, entry{directory: bytes.Clone(b[at : at+size])})
		starts = append(starts, int(le.Uint32(b[at+42:])))
		at += size
	}
	starts = append(starts, int(le.Uint32(end[16:])))
	for i := range entries {
		entries[i].local = bytes.Clone(b[starts[i]:starts[i+1]])
	}
	return entries, bytes.Clone(end)
}

// joined puts a container together; between is put before the local header of each.
func joined(entries []entry, end []byte, between map[int][]byte) (b []byte) {
	le := binary.LittleEndian
	var directory []byte
	for i, e := range entries {
		b = append(b, between[i]...)
		d := bytes.Clone(e.directory)
		le.PutUint32(d[42:], uint32(len(b)))
		directory = append(directory, d...)
		b = append(b, e.local...)
	}
	b = append(b, between[len(entries)]...)
	end = bytes.Clone(end)
	le.PutUint16(end[8:], uint16(len(entries)))
	le.PutUint16(end[10:], uint16(len(entries)))
	le.PutUint32(end[12:], uint32(len(directory)))
	le.PutUint32(end[16:], uint32(len(b)))
	return append(append(b, directory...), end...)
}

// TestContainerTricks: a zip archive has room for much that no reader of its members
// sees, and can be read in more than one way. Nothing of that is taken.
func TestContainerTricks(t *testing.T) {
	k := keep(t)
	honest := k.dossier(t)
	ms := membersOf(t, honest)
	le := binary.LittleEndian
	entries, end := parted(t, honest)
	if !bytes.Equal(joined(entries, end, nil), honest) {
		t.Fatal("the test's container is not the one that is made")
	}
	written := func(change func(z *zip.Writer, h *zip.FileHeader)) []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for _, m := range ms {
			h := &zip.FileHeader{Name: m.name, Method: zip.Store, ModifiedDate: firstDay} //lint:ignore SA1019 a date and no more
			change(z, h)
			w, err := z.CreateHeader(h)
			if err == nil {
				_, err = w.Write(m.data)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	patched := func(change func(e []entry, end []byte) []byte) []byte {
		e, end := parted(t, honest)
		if b := change(e, end); b != nil {
			return b
		}
		return joined(e, end, nil)
	}
	if !bytes.Equal(written(func(*zip.Writer, *zip.FileHeader) {}), honest) {
		t.Fatal("what is written unaltered is not the one that is made")
	}
	// A member of another zip archive, whose directory follows ours.
	second := zipOf(t, []member{{"cover.txt", []byte("another page")}})
	for what, b := range map[string][]byte{
		"a comment":          written(func(z *zip.Writer, _ *zip.FileHeader) { z.SetComment("not all of it") }),
		"a member's comment": written(func(_ *zip.Writer, h *zip.FileHeader) { h.Comment = "not this one" }),
		"extra fields":       written(func(_ *zip.Writer, h *zip.FileHeader) { h.Extra = []byte{0x99, 0x99, 2, 0, 'h', 'i'} }),
		"times":              written(func(_ *zip.Writer, h *zip.FileHeader) { h.Modified = time.Unix(1_930_000_000, 0) }),
		"no date":            datedZip(t, 0, ms),
		"the next day":       datedZip(t, firstDay+1, ms),
		"rights":             written(func(_ *zip.Writer, h *zip.FileHeader) { h.SetMode(0o755) }),
		"compression":        written(func(_ *zip.Writer, h *zip.FileHeader) { h.Method = zip.Deflate }),
		"bytes between": patched(func(e []entry, end []byte) []byte {
			return joined(e, end, map[int][]byte{3: []byte("a remark")})
		}),
		"bytes before the directory": patched(func(e []entry, end []byte) []byte {
			return joined(e, end, map[int][]byte{len(e): []byte("a remark")})
		}),
		"a member that the directory does not have": patched(func(e []entry, end []byte) []byte {
			return joined(slices.Delete(slices.Clone(e), 2, 3), end, map[int][]byte{2: e[2].local})
		}),
		"another name in the local header": patched(func(e []entry, _ []byte) []byte { copy(e[0].local[30:], "COVER"); return nil }),
		"another size in the local header": patched(func(e []entry, _ []byte) []byte { le.PutUint32(e[0].local[22:], 7); return nil }),
		"another checksum in both": patched(func(e []entry, _ []byte) []byte {
			sum := crc32.ChecksumIEEE([]byte("another"))
			le.PutUint32(e[0].directory[16:], sum)
			le.PutUint32(e[0].local[len(e[0].local)-12:], sum)
			return nil
		}),
		"a version that asks for more": patched(func(e []entry, _ []byte) []byte { le.PutUint16(e[0].directory[6:], 45); return nil }),
		"flags of UTF-8":               patched(func(e []entry, _ []byte) []byte { e[0].directory[9] |= 8; e[0].local[7] |= 8; return nil }),
		"flags of encryption":          patched(func(e []entry, _ []byte) []byte { e[0].directory[8] |= 1; e[0].local[6] |= 1; return nil }),
		"a size of 4 GiB": patched(func(e []entry, _ []byte) []byte {
			le.PutUint32(e[0].directory[20:], 0xfffffffe)
			le.PutUint32(e[0].directory[24:], 0xfffffffe)
			return nil
		}),
		"a size of 64 bits": patched(func(e []entry, _ []byte) []byte {
			d := e[0].directory
			le.PutUint32(d[20:], 0xffffffff)
			le.PutUint32(d[24:], 0xffffffff)
			extra := append([]byte{1, 0, 16, 0}, bytes.Repeat([]byte{0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f}, 2)...)
			le.PutUint16(d[30:], uint16(len(extra)))
			e[0].directory = append(d, extra...)
			return nil
		}),
		"a disk of many":        patched(func(_ []entry, end []byte) []byte { le.PutUint16(end[4:], 1); return nil }),
		"another archive in it": append(bytes.Clone(second), honest...),
		"another behind it":     append(bytes.Clone(honest), second...),
		"itself in its comment": patched(func(e []entry, end []byte) []byte {
			le.PutUint16(end[20:], uint16(len(second)))
			return append(joined(e, end, nil), second...)
		}),
		"members over each other": patched(func(e []entry, end []byte) []byte {
			b := joined(e, end, nil)
			tail := b[len(b)-22:]
			begin := int(le.Uint32(tail[16:]))
			b = append(b[:begin:begin], bytes.Repeat(e[1].directory, mostMembers)...)
			le.PutUint16(end[8:], mostMembers)
			le.PutUint16(end[10:], mostMembers)
			le.PutUint32(end[12:], uint32(len(e[1].directory)*mostMembers))
			le.PutUint32(end[16:], uint32(begin))
			return append(b, end...)
		}),
	} {
		r, err := dossier.Verify(b, k.keys())
		if !errors.Is(err, dossier.ErrNotProved) {
			t.Errorf("%s: %v; %d lines", what, err, len(r.Lines))
		}
	}
}

const mostMembers = 10000
