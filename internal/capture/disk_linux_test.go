package capture_test

import (
	"errors"
	"path/filepath"
	"testing"

	"witnessmark/internal/capture"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/spool"
)

// TestADiskThatFillsDuringARun: somebody takes all room while the workload runs.
// How the run ended is not lost: it is in the draft, and once there is room it is
// finished as what it was.
func TestADiskThatFillsDuringARun(t *testing.T) {
	heron := newBench(t, "heron", "boot-1")
	small := labtest.SmallDisk(t, "2m")
	var err error
	if heron.Spool, err = spool.Open(filepath.Join(small, "spool")); err != nil {
		t.Fatal(err)
	}
	heron.prints = "head -c 300000 /dev/zero | tr '\\0' x; echo; " // more than what is set aside
	var empty func()
	out, err := heron.carry(t, func() { empty = labtest.FillDisk(t, filepath.Join(small, "filler")) })
	if !errors.Is(err, capture.ErrSpool) || out == nil {
		t.Fatalf("%v", err)
	}
	empty()
	runs, err := heron.Recover()
	if err != nil || len(runs) != 1 {
		t.Fatal(runs, err)
	}
	r := runs[0]
	if r.ID != out.Run.ID || r.Exit.Outcome != record.Finished || r.Elapsed != out.Run.Elapsed || len(r.After.Facts) == 0 || r.Clock == nil {
		t.Errorf("%+v", r)
	}
	if len(r.Results) != 1 || r.Attachments[0].Size < 300000 || rig.Samples(r.Signals) > rig.Samples(out.Run.Signals) || len(r.Signals) != len(out.Run.Signals) {
		t.Errorf("%d signals of %d, results %v", len(r.Signals), len(out.Run.Signals), r.Results)
	}
	items, err := heron.Spool.Pending()
	if err != nil || len(items) != 1 || items[0].ID != r.ID {
		t.Errorf("%v, %v", items, err)
	}
}
