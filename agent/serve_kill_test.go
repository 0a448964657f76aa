//go:build unix

package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/labtest"
)

// The agent that is always on is killed at random moments while logs land in its
// folder. Each log is at the collector exactly once at the end, byte for byte.
func TestKilledServeTakesEveryLogOnce(t *testing.T) {
	kills := 8
	if testing.Short() {
		kills = 3
	}
	b, r := newBench(t), labtest.Rand(t)
	logs := filepath.Join(b.dir, "logs")
	config := filepath.Join(b.dir, "agent.toml")
	text := "sampling.full = '500ms'\n[[folder]]\npath = 'logs'\nworkload = 'orrery'\npattern = '*.csv'\nquiet = '1s'\n"
	if err := os.Mkdir(logs, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	start := func() *labtest.Child {
		c := labtest.Start(t, b.agent("serve", "--config", config, "--root", rigTree(t)))
		if _, ok := c.Line(); !ok {
			t.Fatal(c.Wait())
		}
		return c
	}
	want := map[string][]byte{} // by content
	drop := func(n int) {
		for range n {
			text := fmt.Appendf(nil, "frame_ms\n%d.5\n%d.25\n80.5\n", 1001+len(want), r.IntN(50)+1)
			name := filepath.Join(logs, fmt.Sprintf("orrery-%d.csv", len(want)))
			if err := os.WriteFile(name, text, 0o644); err != nil {
				t.Fatal(err)
			}
			want[string(text)] = text
		}
	}
	for range kills {
		c := start()
		drop(1 + r.IntN(4))
		c.KillAfter(time.Duration(r.Int64N(int64(2 * time.Second))))
		drop(r.IntN(2))
	}
	last := start()
	got := map[string]int{}
	for end := time.Now().Add(3 * time.Minute); (len(got) < len(want) || len(b.left("ready")) > 0) && time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		got = map[string]int{}
		for _, s := range b.runs()["orrery"] {
			log, err := b.book.Attachment(context.Background(), s.ID, "")
			if err != nil {
				t.Fatal(err)
			}
			got[string(log)]++
		}
	}
	last.Signal(os.Interrupt)
	if err := last.Wait(); err != nil {
		t.Errorf("ended by a signal: %v", err)
	}
	for log := range want {
		if n := got[log]; n != 1 {
			t.Errorf("log %q is there %d times", bytes.ReplaceAll([]byte(log), []byte("\n"), []byte(" ")), n)
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d logs are kept, and %d landed", len(got), len(want))
	}
	if names := b.left("ready"); len(names) > 0 {
		t.Errorf("left in the spool: %q", names)
	}
	t.Logf("%d logs, %d agents killed", len(want), kills)
}
