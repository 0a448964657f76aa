package spool_test

import (
	"crypto/sha256"
	"os"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/spool"
)

// TestWhoseALogIs follows a run's log from its draft to long after its delivery.
func TestWhoseALogIs(t *testing.T) {
	dir, logs := t.TempDir(), t.TempDir()
	s, err := spool.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	path, link := filepath.Join(logs, "orrery.csv"), filepath.Join(logs, "link.csv")
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true, LogBytes: 2000})
	sum := sha256.Sum256(run.Data[0])
	d, err := s.Begin(run.ID, "x", []byte("draft"), []spool.DraftFile{{Name: "output.txt", Kind: record.Output}, {Path: path, Name: "orrery.csv", Kind: record.TimingLog}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, run.Data[0], 0o600); err != nil {
		t.Fatal(err)
	}
	awaited := []string{path, logs + "/./orrery.csv"}
	if os.Symlink(path, link) == nil {
		awaited = append(awaited, link)
	}
	for _, p := range awaited {
		if !s.Awaits(p) {
			t.Errorf("nobody awaits %s", p)
		}
	}
	if _, ok := s.RunOf(sum); ok || s.Awaits(filepath.Join(logs, "other.csv")) || s.Awaits("") {
		t.Error("a log is a run's that is not")
	}
	if err := s.Put(run.Item("x"), run.Openers()); err != nil {
		t.Fatal(err)
	}
	if id, ok := s.RunOf(sum); !ok || id != run.ID {
		t.Errorf("spooled, the log is that of %q", id)
	}
	if err := d.End(); err != nil {
		t.Fatal(err)
	}
	if err := s.Done(run.ID, []byte("receipt")); err != nil {
		t.Fatal(err)
	}
	if s, err = spool.Open(dir); err != nil {
		t.Fatal(err)
	}
	if id, ok := s.RunOf(sum); !ok || id != run.ID || s.Awaits(path) {
		t.Errorf("delivered, the log is that of %q", id)
	}
	old := time.Now().Add(-40 * 24 * time.Hour)
	names, err := filepath.Glob(filepath.Join(dir, "logs", "*"))
	if err != nil || len(names) != 1 {
		t.Fatal(names, err)
	}
	if err := os.Chtimes(names[0], old, old); err != nil {
		t.Fatal(err)
	}
	if s, err = spool.Open(dir); err != nil {
		t.Fatal(err)
	}
	if _, ok := s.RunOf(sum); ok {
		t.Error("it is remembered for ever")
	}
}
