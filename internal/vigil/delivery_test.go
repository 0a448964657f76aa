package vigil

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/audit"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/labtest"
	"witnessmark/internal/spool"
	"witnessmark/internal/watch"
)

// counted counts what is offered to a collector.
type counted struct {
	*labtest.Collector
	offers int
}

func (c *counted) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	if strings.HasSuffix(method, "/Deliver") {
		c.offers++
	}
	return c.Collector.NewStream(ctx, desc, method, opts...)
}

// TestARefusedRunDelaysNoOther: it is offered again ever more seldom, while
// others are delivered as ever.
func TestARefusedRunDelaysNoOther(t *testing.T) {
	const where = "dome.example:7410"
	dir, rig, collector := t.TempDir(), labtest.NewRig("heron", labtest.Rand(t)), &counted{Collector: labtest.NewCollector(t)}
	var since time.Duration
	sp, err := spool.Open(filepath.Join(dir, "spool"))
	if err != nil {
		t.Fatal(err)
	}
	auditor, err := audit.Open(filepath.Join(dir, "trails"), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	var cut error
	v := &Vigil{spool: sp, o: Options{Log: labtest.Quiet(), Clock: watch.ClockFunc(func() watch.Reading { return watch.Reading{Boot: "one", SinceBoot: since} })}}
	d := newDelivery(v, &dispatch.Post{
		Spool: sp, Auditor: func() (*audit.Auditor, error) { return auditor, nil },
		Connect: func(context.Context, string) (*dispatch.Way, error) {
			return &dispatch.Way{ClientConnInterface: collector, Where: where, Close: func() error { return nil }}, cut
		},
	}, where)
	put := func() labtest.Run {
		run := rig.Finish(labtest.Shape{LogBytes: 2000})
		if err := sp.Put(run.Item(where), run.Openers()); err != nil {
			t.Fatal(err)
		}
		return run
	}
	pass := func(what string, offers int, refused bool) {
		t.Helper()
		before := collector.offers
		late, err := d.flush(t.Context())
		if late || (err != nil) != refused || collector.offers-before != offers {
			t.Errorf("%s: %d were offered, late %t: %v", what, collector.offers-before, late, err)
		}
	}
	bad := put()
	mend := damage(t, filepath.Join(dir, "spool", "ready", bad.ID), bad.Data[0])
	pass("a damaged run", 1, true)
	put()
	pass("another right after it", 1, true)
	for i, offers := range []int{1, 0, 1, 0, 0, 0, 1} {
		since += time.Second
		if pass("the damaged one again", offers, true); t.Failed() {
			t.Fatalf("after %d s", i+1)
		}
	}
	mend()
	since += lastPause
	pass("once it is mended", 1, false)
	put()
	cut = errors.New("no way")
	if late, err := d.flush(t.Context()); !late || !errors.Is(err, cut) {
		t.Errorf("cut off: late %t: %v", late, err)
	}
	cut = nil
	pass("joined again", 1, false)
	if n := len(labtest.Kept(t, collector.Archive)); n != 3 {
		t.Errorf("%d runs are kept", n)
	}
}

// damage changes the file with that content, until it is mended.
func damage(t *testing.T, dir string, content []byte) (mend func()) {
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if b, err := os.ReadFile(f); err != nil || !bytes.Equal(b, content) {
			continue
		}
		write := func(b []byte) {
			if err := errors.Join(os.Chmod(f, 0o600), os.WriteFile(f, b, 0o600)); err != nil {
				t.Fatal(err)
			}
		}
		write(bytes.ToUpper(append([]byte("x"), content[1:]...)))
		return func() { write(content) }
	}
	t.Fatalf("%s has no such file among %q", dir, files)
	return nil
}
