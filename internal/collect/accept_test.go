package collect_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// TestAcceptSource: a source that was put back on purpose is followed again once
// that was explained, into a new copy; the one of before stays as it was.
func TestAcceptSource(t *testing.T) {
	root := t.TempDir()
	dir, copyDir, older := filepath.Join(root, "archive"), filepath.Join(root, "copy"), filepath.Join(root, "older")
	proxy := labtest.NewProxy(t, func() int64 { return -1 })
	serve := func() (stop func()) {
		t.Helper()
		address, stop := labtest.Serve(t, dir)
		proxy.Lead(address)
		return stop
	}
	heron := labtest.NewRig("heron", labtest.Rand(t))
	send := func(n int) {
		t.Helper()
		conn := dialled(t, proxy.Address(), dir)
		for range n {
			run := heron.Finish(labtest.Shape{Plain: true, LogBytes: 500})
			insist(t, "deliver", func(ctx context.Context) error {
				_, err := deliver.Send(ctx, conn, run.Signed, run.Parts())
				return err
			})
		}
	}
	once := func() error {
		return collect.Follow(t.Context(), collect.Following{Dir: copyDir, Source: proxy.Address(), Once: true, Log: labtest.Quiet(), Dial: owning(dir)})
	}
	stop := serve()
	send(2)
	stop()
	if err := os.CopyFS(older, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	stop = serve()
	send(3)
	if err := once(); err != nil {
		t.Fatal(err)
	}
	stop()
	if err := errors.Join(os.RemoveAll(dir), os.CopyFS(dir, os.DirFS(older))); err != nil {
		t.Fatal(err)
	}
	serve()
	want, ok := headAt(t, dialled(t, proxy.Address(), dir))
	if !ok {
		t.Fatal("the source does not answer")
	}
	var alarm audit.Alarm
	for range 2 {
		if err := once(); !errors.As(err, &alarm) {
			t.Fatal(err)
		}
	}
	if _, err := collect.AcceptSource(copyDir, "nobody", "wren", "no"); err == nil {
		t.Error("an alarm that is none is accepted")
	}
	a, err := collect.AcceptSource(copyDir, alarm.Name, "wren", "the disk was lost")
	if err != nil || a.Aside == "" || a.Accepted == nil || a.Accepted.By != "wren" || a.Accepted.Why != "the disk was lost" {
		t.Fatalf("%+v, %v", a, err)
	}
	for _, name := range []string{"seen.head", "now.head", "accepted.json"} {
		if _, err := os.Stat(filepath.Join(a.Folder, name)); err != nil {
			t.Error(err)
		}
	}
	if err := once(); err != nil {
		t.Fatal(err)
	}
	for folder, size := range map[string]int64{copyDir: want.Size, a.Aside: alarm.Seen.Size} {
		kept, err := collect.OpenArchive(folder, 10*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if h, _, err := kept.Head(); err != nil || h.Size != size {
			t.Errorf("%s: %v, %v; want %d entries", folder, h, err, size)
		}
		if _, err := kept.Check(t.Context()); err != nil {
			t.Error(err)
		}
		kept.Close()
	}
	if _, err := collect.AcceptSource(copyDir, alarm.Name, "wren", "again"); err == nil {
		t.Error("it is accepted twice")
	}
}
