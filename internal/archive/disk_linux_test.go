package archive_test

import (
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/archive"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
)

// TestBegunOnFullDisk: wherever the disk is full while an archive is begun, what is said
// is of the disk, and what lies there then is begun once there is room.
func TestBegunOnFullDisk(t *testing.T) {
	dir := labtest.SmallDisk(t, "256k")
	filler := filepath.Join(dir, "filler")
	labtest.FillDisk(t, filler)
	path := filepath.Join(dir, "archive.db")
	failed := 0
	for a := (*archive.Archive)(nil); a == nil; {
		labtest.GiveRoom(t, filler)
		var err error
		if a, err = archive.Open(path, options()); err == nil {
			checkAll(t, a, 0, 0)
			a.Close()
			continue
		}
		if failed++; !durable.Full(err) || !strings.Contains(fault.HintOf(err), "the disk") {
			t.Fatalf("with %d pages: %v, hint: %s", failed, err, fault.HintOf(err))
		}
	}
	if failed < 5 {
		t.Errorf("it failed %d times", failed)
	}
}
