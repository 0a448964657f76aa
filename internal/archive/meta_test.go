package archive_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"witnessmark/internal/archive"
)

// halfway gives of what is read first at each place only half as it is, as of a file
// that is written to at that moment; and of all that is read with always.
type halfway struct {
	io.ReaderAt
	met    map[int64]bool
	always bool
}

func (h halfway) ReadAt(b []byte, at int64) (int, error) {
	n, err := h.ReaderAt.ReadAt(b, at)
	if h.always || !h.met[at] {
		clear(b[n/2 : n])
	}
	h.met[at] = true
	return n, err
}

// TestFirstPageWhileWritten: a first page that is met while it is written is nothing
// wrong, and one that stays like that is.
func TestFirstPageWhileWritten(t *testing.T) {
	path := filepath.Join(t.TempDir(), "archive.db")
	a := open(t, path)
	whole, err := os.ReadFile(path)
	if err = errors.Join(err, a.Close()); err != nil {
		t.Fatal(err)
	}
	for _, always := range []bool{false, true} {
		wrong := archive.FirstPages(halfway{bytes.NewReader(whole), map[int64]bool{}, always})
		if always != (len(wrong) > 0) {
			t.Errorf("always %v: found %q", always, wrong)
		}
	}
}
