package labtest_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/labtest"
)

// TestCutOffEntry: wherever in an entry a process was killed, those before it are read,
// and those that the next process writes.
func TestCutOffEntry(t *testing.T) {
	dir := t.TempDir()
	write := func(path string, words ...any) {
		t.Helper()
		l, err := labtest.OpenLedger(path)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		if err := l.Write(words...); err != nil {
			t.Fatal(err)
		}
	}
	read := func(path string) [][]string {
		t.Helper()
		entries, err := labtest.ReadLedger(path)
		if err != nil {
			t.Fatal(err)
		}
		return entries
	}
	path := filepath.Join(dir, "whole")
	write(path, "kept", "run-1")
	first, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	write(path, "kept", "run-2.csv", 3)
	both, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for n := len(first); n <= len(both); n++ {
		path := filepath.Join(dir, "cut")
		if err := os.WriteFile(path, both[:n], 0o600); err != nil {
			t.Fatal(err)
		}
		write(path, "kept", "run-4")
		want := [][]string{{"kept", "run-1"}, {"kept", "run-2.csv", "3"}, {"kept", "run-4"}}
		if n < len(both)-1 { // without its last byte the entry is whole
			want = [][]string{want[0], want[2]}
		}
		if diff := cmp.Diff(want, read(path)); diff != "" {
			t.Errorf("cut off after %d of %d bytes: %s", n, len(both), diff)
		}
	}
}
