package spool_test

import (
	"errors"
	"path/filepath"
	"syscall"
	"testing"

	"witnessmark/internal/labtest"
	"witnessmark/internal/spool"
)

// TestSpoolOnAFullDisk: somebody else fills the disk. What is known of a run under
// way is stored in the room set aside for it, a finished one finds room as others
// are thinned, none begins, and receipts are kept.
func TestSpoolOnAFullDisk(t *testing.T) {
	small := labtest.SmallDisk(t, "4m")
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	dir := filepath.Join(small, "spool")
	s := open(t, dir)
	s.Limit(spool.Limits{}, heron.Key)
	var runs []labtest.Run
	for range 6 {
		run := long(heron, r, 6000)
		put(t, s, run)
		runs = append(runs, run)
	}
	under := long(heron, r, 100)
	d, err := s.Begin(under.ID, "x", []byte("so far"), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	empty := labtest.FillDisk(t, filepath.Join(small, "filler"))
	if err := d.Update(under.Signed.Bytes); err != nil {
		t.Errorf("what is known of a run at its end is lost: %v", err)
	}
	if err := s.Put(under.Item("x"), under.Openers()); err != nil {
		t.Errorf("a finished run found no room: %v", err)
	}
	if err := d.End(); err != nil {
		t.Error(err)
	}
	again := labtest.FillDisk(t, filepath.Join(small, "filler2"))
	next := long(heron, r, 100)
	if _, err := s.Begin(next.ID, "x", nil, nil, nil); !errors.Is(err, spool.ErrFull) && !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("a run began on a full disk: %v", err)
	}
	if l := litter(t, dir); l != nil {
		t.Errorf("left behind: %v", l)
	}
	items := pending(t, open(t, dir))
	thinned := 0
	for _, run := range append(runs, under) {
		if checkThinned(t, items[run.ID], run) < 4*6000 && run.ID != under.ID {
			thinned++
		}
	}
	if thinned == 0 || len(items) != 7 {
		t.Errorf("%d of %d runs are thinned", thinned, len(items))
	}
	if _, err := s.Offer(runs[5].ID); err != nil {
		t.Error(err)
	}
	if err := s.Done(runs[5].ID, []byte("receipt")); err != nil {
		t.Errorf("a receipt found no room: %v", err)
	}
	empty()
	again()
	if d, err = s.Begin(next.ID, "x", nil, nil, nil); err != nil {
		t.Errorf("there is room again: %v", err)
	} else if err := d.End(); err != nil {
		t.Error(err)
	}
}
