package spool_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/spool"
)

// The queue is what is pending, one run at a time.
func TestQueue(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	r := labtest.NewRig("heron", labtest.Rand(t))
	for range 3 {
		put(t, s, r.Finish(labtest.Shape{LogBytes: 500}))
	}
	all := pending(t, s)
	queue, err := s.Queue()
	if err != nil || len(queue) != len(all) {
		t.Fatalf("%v, %v", queue, err)
	}
	for _, q := range queue {
		it, err := s.Load(q.ID)
		if err != nil || q.Destination != spool.Embedded || it.Signed.SHA256() != all[q.ID].Signed.SHA256() {
			t.Errorf("%+v: %v", q, err)
		}
	}
	if err := s.Done(queue[0].ID, []byte("{}")); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Load(queue[0].ID); !errors.Is(err, spool.ErrGone) {
		t.Errorf("delivered: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "ready", queue[1].ID, "item.json"), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	left, err := s.Queue()
	if len(left) != 1 || left[0].ID != queue[2].ID || fault.HintOf(err) == "" {
		t.Errorf("%v, %v", left, err)
	}
	if _, err := s.Load(queue[1].ID); err == nil || errors.Is(err, spool.ErrGone) {
		t.Errorf("damaged: %v", err)
	}
}
