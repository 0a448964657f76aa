package archive_test

import (
	"encoding/binary"
	"errors"
	"os"
	"slices"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
)

// TestElementsOfOtherSizes: a value that is said to be larger than its page, or a bucket
// that is said to be smaller than what is in it, leads bbolt to memory that is not there
// or not the file's, which ends the process as the case may be. Where that is told of no
// reader comes to it, in a file that is open as little as in one that is opened.
func TestElementsOfOtherSizes(t *testing.T) {
	path, _ := sample(t, labtest.Rand(t))
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	opt := options()
	opt.Next = labtest.Key(labtest.Seeded(8))
	a, err := archive.Open(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	live, size, err := a.LivePages()
	if err != nil {
		t.Fatal(err)
	}
	a.Close()
	const leaf, isBucket = 2, 1
	try := func(at int, bytes uint32) {
		b := slices.Clone(whole)
		binary.NativeEndian.PutUint32(b[at+12:], bytes)
		write := func(b []byte) {
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		write(whole)
		a, err := archive.Open(path, opt)
		if err != nil {
			t.Fatal(err)
		}
		write(b) // which bbolt sees at once
		if archive.Endless(t, path) {
			if err := a.LookOver(t.Context()); !errors.Is(err, archive.ErrDamaged) {
				t.Errorf("element at %d of %d bytes: looked over with %v", at, bytes, err)
			}
		}
		read(a)
		a.Close()
		if _, err = archive.Open(path, opt); !errors.Is(err, archive.ErrDamaged) {
			t.Errorf("element at %d of %d bytes: opened with %v", at, bytes, err)
		}
		if a, err := archive.OpenDamaged(path, err, time.Second); err == nil {
			read(a)
			a.Close()
		}
	}
	values, buckets := 0, 0
	for id := range live {
		page := id * size
		if binary.NativeEndian.Uint16(whole[page+8:]) != leaf {
			continue
		}
		for i := range int(binary.NativeEndian.Uint16(whole[page+10:])) {
			switch at := page + 16 + 16*i; {
			case binary.NativeEndian.Uint32(whole[at:]) == isBucket:
				buckets++
				was := binary.NativeEndian.Uint32(whole[at+12:])
				for _, bytes := range []uint32{0, 8, was / 2, was - 1} {
					try(at, bytes)
				}
			case i == 0:
				values++
				try(at, 1<<31)
			}
		}
	}
	if values == 0 || buckets == 0 {
		t.Errorf("%d values and %d buckets", values, buckets)
	}
}
