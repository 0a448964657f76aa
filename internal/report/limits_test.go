package report

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
)

// TestOfScaling draws a grid that lacks a cell.
func TestOfScaling(t *testing.T) {
	b := sim.NewBench("heron", rand.New(rand.NewPCG(6, 1)))
	var runs []compare.Run
	for _, clock := range []float64{3500, 4100} {
		for _, memory := range []float64{2400, 3200} {
			if clock == 4100 && memory == 3200 {
				continue
			}
			runs = append(runs, sim.WithClock(b.Runs(sim.Orrery(), 4, sim.State{ClockMHz: clock, MemoryMTps: memory, Setup: "grid"}), 0.99)...)
		}
	}
	s := compare.Scale(runs, compare.ScalingOptions{Factors: []rig.Key{"memory.speed", compare.CoreClock}})
	figures := OfScaling(s)
	if len(figures) == 0 || !strings.Contains(figures[0].Name, "scaling") {
		t.Fatalf("%d figures", len(figures))
	}
	g := figures[0]
	for _, want := range []string{"1 of 4 cells is missing", "played"} {
		if !strings.Contains(g.Caption, want) {
			t.Errorf("the caption lacks %q: %s", want, g.Caption)
		}
	}
	if !strings.Contains(g.Words, "memory speed 3200 MT/s and core clock 4100 MHz: missing") || !strings.Contains(g.Words, "memory speed 2400 MT/s and core clock 3500 MHz: ") {
		t.Errorf("in words: %s", g.Words)
	}
	if s.Two != nil && s.Two.Usable() {
		if len(figures) != 2 || !strings.Contains(figures[1].Words, "memory speed: ") {
			t.Errorf("the elasticities are known and not drawn")
		}
	}
}

// TestOfHistory draws a series with a firmware update in it.
func TestOfHistory(t *testing.T) {
	b := sim.NewBench("heron", rand.New(rand.NewPCG(7, 1)))
	var events []compare.Event
	var update string
	for day := range 30 {
		s := sim.Rated
		if day >= 18 {
			s.Factor, s.Facts = 0.95, map[string]any{"firmware.version": "1.10"}
		}
		run := b.Runs(sim.Orrery(), 1, s)[0]
		if day == 18 {
			update = run.Started.Format(time.DateOnly)
		}
		var sum int64
		for _, n := range run.Durations {
			sum += n
		}
		events = append(events, compare.Event{Run: run, Outcome: compare.Outcome{Name: "rate_mean", Unit: "frames/s", Value: float64(len(run.Durations)) / (float64(sum) / 1e9), Better: "higher"}})
		b.Wait(24 * time.Hour)
	}
	figures := OfHistory(compare.Trace(events, compare.HistoryOptions{}))
	if len(figures) != 1 {
		t.Fatalf("%d figures", len(figures))
	}
	f := figures[0]
	for _, want := range []string{"A, " + update + ": outcome, with firmware.version from 1.08 to 1.10", "Each mark is one session.", "Filled marks", "played"} {
		if !strings.Contains(f.Caption, want) {
			t.Errorf("the caption lacks %q: %s", want, f.Caption)
		}
	}
	if !strings.Contains(f.Words, "mean rate: 30 points") || !strings.Contains(f.Words, "at levels of ") {
		t.Errorf("in words: %s", f.Words)
	}
}
