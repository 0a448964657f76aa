package spool_test

import (
	"os"
	"path/filepath"
	"testing"

	"witnessmark/internal/labtest"
)

// TestLeftovers: what a process that died while it thinned has left, before and
// after the new record held, is swept, and the record that holds is not.
func TestLeftovers(t *testing.T) {
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	dir := t.TempDir()
	before, after := long(heron, r, 900), long(heron, r, 900)
	put(t, open(t, dir), after)
	limit(t, dir, 1, heron).Room()
	put(t, open(t, dir), before)
	for _, path := range []string{before.ID + "/record-1", before.ID + "/.record-2-123", after.ID + "/record", after.ID + "/.item.json-5"} {
		if err := os.WriteFile(filepath.Join(dir, "ready", path), after.Signed.Bytes, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	items := pending(t, open(t, dir))
	checkItem(t, items[before.ID], before)
	if left := checkThinned(t, items[after.ID], after); left == 3600 {
		t.Error("nothing was thinned")
	}
	for _, id := range []string{before.ID, after.ID} {
		found, err := filepath.Glob(filepath.Join(dir, "ready", id, "*record*"))
		hidden, err2 := filepath.Glob(filepath.Join(dir, "ready", id, ".*"))
		if err != nil || err2 != nil || len(found) != 1 || len(hidden) != 0 {
			t.Errorf("%v %v", found, hidden)
		}
	}
}
