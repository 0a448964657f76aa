package archive_test

import (
	"io"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
)

// TestGrowsBesideAReader: an archive that is larger than the address space which it
// reserves grows while it is read. Else the commit, and all who read after it, would
// wait for whoever looks through the whole of a large one.
func TestGrowsBesideAReader(t *testing.T) {
	path := filepath.Join(t.TempDir(), "archive.db")
	g := labtest.NewRig("heron", labtest.Rand(t))
	opt := options()
	opt.MapSize = 1 << 20
	opened := func() *archive.Archive {
		a, err := archive.Open(path, opt)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	grow := func(a *archive.Archive, to int64) {
		for a.Size() < to {
			keep(t, a, keeping(g.Finish(labtest.Shape{LogBytes: 200 << 10})))
		}
	}
	a := opened()
	grow(a, 3<<19)
	a.Close()

	a = opened() // bbolt by itself maps 2 MiB now
	defer a.Close()
	reading, enough, read := make(chan bool), make(chan bool), make(chan error)
	go func() {
		read <- a.Copy(func(int64, string) (io.Writer, error) { close(reading); <-enough; return io.Discard, nil })
	}()
	<-reading
	grown := make(chan bool)
	go func() { defer close(grown); grow(a, 5<<19) }()
	select {
	case <-grown:
	case <-time.After(time.Minute):
		t.Error("it waits for the reader")
	}
	close(enough)
	if err := <-read; err != nil {
		t.Error(err)
	}
	<-grown
}
