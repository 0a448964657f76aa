package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestWorkLogsFrames(t *testing.T) {
	file := filepath.Join(t.TempDir(), "work.csv")
	if err := run([]string{"work", "0.05", file}); err != nil {
		t.Fatal(err)
	}
	log, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(strings.TrimSpace(string(log)), "\n")
	if rows[0] != "frame,frame_ms" || len(rows) < 2 || !strings.HasPrefix(rows[1], "0,") {
		t.Errorf("log = %q, want a header and at least one frame", log)
	}
}

func TestRunRefuses(t *testing.T) {
	for _, args := range [][]string{nil, {"dump"}, {"nothing", "x"}, {"work", "1"}, {"work", "soon", "x"}, {"exit", "x"}, {"stream", "127.0.0.1:1", "x", "1"}} {
		if err := run(args); err == nil {
			t.Errorf("run(%q) is taken", args)
		}
	}
}
