package take

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/watch"
)

// silent is a machine without signals.
type silent struct{}

func (silent) Cut(from, to watch.Instant) (watch.Cut, error) { return watch.Cut{}, nil }

// live makes a Taker over logs with the time of this process's machine.
func live(logs, state string, taken func(*record.Run)) (*Taker, func() error, error) {
	if err := durable.MakeDir(state); err != nil {
		return nil, nil, err
	}
	timeline, err := watch.OpenTimeline(filepath.Join(state, "timeline"))
	if err != nil {
		return nil, nil, err
	}
	states, err := OpenStates(filepath.Join(state, "states.jsonl"))
	if err != nil {
		return nil, nil, err
	}
	s, err := spool.Open(filepath.Join(state, "spool"))
	if err != nil {
		return nil, nil, err
	}
	clock := watch.ClockFunc(func() watch.Reading {
		now := time.Now().UTC()
		d := now.Sub(time.Unix(1700000000, 0))
		return watch.Reading{Wall: now, Boot: "one", SinceBoot: d, Awake: d}
	})
	spans, err := OpenSpans(filepath.Join(state, "take", "spans.jsonl"), clock)
	if err != nil {
		return nil, nil, err
	}
	t, err := New(Options{
		Dir: filepath.Join(state, "take"), Clock: clock, Timeline: timeline, Signals: silent{}, States: states, Spans: spans, Rig: rigOf("heron", s), Taken: taken,
		Folders: []Folder{{logs, []Logs{{Match: "*.csv", Workload: &setup.Workload{Name: "orrery"}, Quiet: 20 * time.Millisecond}}}},
		Rescan:  100 * time.Millisecond,
	})
	if err != nil {
		return nil, nil, err
	}
	return t, func() error {
		t.Close()
		spans.Close()
		states.Close()
		return timeline.Close()
	}, nil
}

func takeUntilKilled(args []string) error {
	t, _, err := live(args[0], args[1], func(r *record.Run) { fmt.Println("taken") })
	if err != nil {
		return err
	}
	fmt.Println("open")
	return t.Run(context.Background())
}

// TestKilledTaker kills agents at random moments while logs turn up, are copied,
// touched and renamed. In the end each log is in the spool once, and nothing else is.
func TestKilledTaker(t *testing.T) {
	rounds := 20
	if testing.Short() || labtest.Race {
		rounds = 8
	}
	logs, state := t.TempDir(), t.TempDir()
	r := labtest.Rand(t)
	want := map[[sha256.Size]byte]bool{}
	n := 0
	path := func(i int) string { return filepath.Join(logs, fmt.Sprintf("log-%d.csv", i)) }
	drop := func() {
		for range 1 + r.IntN(6) {
			text := labtest.TimingLog(r, 500+r.IntN(20000))
			want[sha256.Sum256(text)] = true
			part := filepath.Join(logs, "part")
			if err := os.WriteFile(part, text, 0o666); err != nil {
				t.Fatal(err)
			}
			if err := os.Rename(part, path(n)); err != nil {
				t.Fatal(err)
			}
			old := path(r.IntN(n + 1))
			b, err := os.ReadFile(old)
			switch r.IntN(4) {
			case 0:
				if err == nil {
					os.WriteFile(part, b, 0o666)
					os.Rename(part, filepath.Join(logs, fmt.Sprintf("copy-%d.csv", n)))
				}
			case 1:
				os.Chtimes(old, time.Now(), time.Now())
			case 2:
				os.Rename(old, filepath.Join(logs, fmt.Sprintf("moved-%d.csv", n)))
			}
			n++
		}
	}
	for range rounds {
		child := labtest.Start(t, labtest.Role("taker", logs, state))
		child.AwaitLine("open", 30*time.Second)
		drop()
		child.Await(r.IntN(4), 30*time.Second)
		child.KillAfter(time.Duration(r.IntN(8)) * time.Millisecond)
	}
	last := filepath.Join(logs, "zzz.csv")
	text := labtest.TimingLog(r, 1000)
	want[sha256.Sum256(text)] = true
	ended := make(chan struct{}, 1)
	taker, closing, err := live(logs, state, func(r *record.Run) {
		if r.Attachments[0].Name == "zzz.csv" {
			ended <- struct{}{}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		taker.Run(ctx)
	}()
	if err := os.WriteFile(last, text, 0o666); err != nil {
		t.Fatal(err)
	}
	select {
	case <-ended: // files are given in the order of their names
	case <-time.After(5 * time.Minute):
		t.Errorf("the last log was not taken: %v", taker.Status())
	}
	// All that lay there before was complete before the last one was.
	for deadline := time.Now().Add(5 * time.Minute); len(runsIn(t, taker.o.Rig.Spool)) < len(want) && time.Now().Before(deadline); {
		time.Sleep(10 * time.Millisecond)
	}
	stop()
	<-done
	if open := taker.ledger.undone; len(open) > 0 {
		t.Errorf("%d logs are not finished", len(open))
	}
	spooled := map[[sha256.Size]byte]int{}
	for _, run := range runsIn(t, taker.o.Rig.Spool) {
		spooled[run.Attachments[0].SHA256]++
	}
	for sum := range want {
		if spooled[sum] != 1 {
			t.Errorf("log %x is in the spool %d times", sum[:4], spooled[sum])
		}
	}
	if len(spooled) != len(want) {
		t.Errorf("%d logs are in the spool, and there were %d", len(spooled), len(want))
	}
	t.Logf("%d logs, %d rounds", len(want), rounds)
	if err := closing(); err != nil {
		t.Error(err)
	}
}
