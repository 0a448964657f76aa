package collect_test

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// unlikes delivers simulated runs in order and gives the weights of their unlike
// flags, "-" for none.
func unlikes(t *testing.T, c *labtest.Collector, runs []compare.Run) string {
	t.Helper()
	var out []string
	for _, r := range runs {
		rec, data := sim.Record(r)
		j := send(t, c, labtest.NewRig(r.Rig, labtest.Seeded(3)).Sign(rec, data)).Judgement
		word := "-"
		for _, f := range j.Flags {
			if f.Kind == drift.Unlike {
				word = f.Weight.String()
				if f.Fact != "run.rate_mean" || f.Weight == rig.Caution && j.Standing != drift.Careful {
					t.Errorf("%+v, standing %s", f, j.Standing)
				}
			}
		}
		out = append(out, word)
	}
	return strings.Join(out, " ")
}

// The outcome of a run is held against its own rig's series: silent at first, a
// caution where no fact moved, until somebody accepts the rig as it is; a note
// where a fact moved, too.
func TestUnlikeComesFromTheSeries(t *testing.T) {
	c := labtest.NewCollector(t)
	w := sim.Workload{Name: "orrery", Version: "1", Content: "time", Reference: sim.Rated, Noise: 0.003, Jitter: 0.01,
		Scenes: []sim.Scene{{Seconds: 1, Milliseconds: 8, Clock: 0.4, Memory: 0.4}}}
	b := sim.NewBench("heron", rand.New(rand.NewPCG(1, 9)))
	slow, updated := sim.Rated, sim.Rated
	slow.Factor = 0.9
	updated.Factor, updated.Facts = 0.8, map[string]any{"firmware.version": "1.10"}

	var first []compare.Run
	for range 5 {
		first = append(first, b.Runs(w, 2, sim.Rated)...)
	}
	if got := unlikes(t, c, first); strings.Trim(got, "- ") != "" {
		t.Errorf("while nothing changed: %s", got)
	}
	// Runs that were called unlike do not become what is expected.
	dropped := b.Runs(w, 12, slow)
	if got := unlikes(t, c, dropped); strings.Trim(got, "caution ") != "" {
		t.Errorf("after a drop that no fact shows: %s", got)
	}
	// A rig of another name has a series of its own.
	if got := unlikes(t, c, sim.NewBench("plover", rand.New(rand.NewPCG(2, 9))).Runs(w, 3, slow)); got != "- - -" {
		t.Errorf("another rig: %s", got)
	}
	ask := answer.NewClient(c)
	if _, _, err := ask.AcceptMark(context.Background(), dropped[0].ID, "operator", "new cooler"); err != nil {
		t.Fatal(err)
	}
	if got := unlikes(t, c, b.Runs(w, 4, slow)); got != "- - - -" {
		t.Errorf("after the mark: %s", got)
	}
	if got := unlikes(t, c, b.Runs(w, 2, sim.Rated)); got != "caution caution" {
		t.Errorf("back to what was before the mark: %s", got)
	}
	if got := unlikes(t, c, b.Runs(w, 2, updated)); !strings.HasPrefix(got, "note") {
		t.Errorf("after an update that a fact shows: %s", got)
	}
}

// TestTheSeriesGoesByTheBootClock: a wall clock that was set back a week makes no
// run the past of those before it, nor takes any from those after.
func TestTheSeriesGoesByTheBootClock(t *testing.T) {
	c := labtest.NewCollector(t)
	w := sim.Workload{Name: "orrery", Version: "1", Content: "time", Reference: sim.Rated, Noise: 0.003, Jitter: 0.01,
		Scenes: []sim.Scene{{Seconds: 1, Milliseconds: 8, Clock: 0.4, Memory: 0.4}}}
	b := sim.NewBench("heron", rand.New(rand.NewPCG(1, 9)))
	var before []compare.Run
	for range 5 {
		before = append(before, b.Runs(w, 2, sim.Rated)...)
	}
	slow := sim.Rated
	slow.Factor = 0.9
	after := b.Runs(w, 9, slow)
	booted := before[0].Started.Add(-time.Hour)
	for _, list := range [][]compare.Run{before, after} {
		for i := range list {
			list[i].Boot = rig.BootClock{Boot: "boot-1", SinceBoot: list[i].Started.Sub(booted)}
		}
	}
	for i := range after {
		after[i].Started = after[i].Started.Add(-7 * 24 * time.Hour)
		after[i].ID = record.NewID(after[i].Started, [5]byte{byte(i)})
	}
	late := before[9]
	if got := unlikes(t, c, before[:9]); strings.Trim(got, "- ") != "" {
		t.Errorf("while nothing changed: %s", got)
	}
	if got := unlikes(t, c, after); strings.Trim(got, "caution ") != "" {
		t.Errorf("a drop after the clock was set back: %s", got)
	}
	if got := unlikes(t, c, []compare.Run{late}); got != "-" {
		t.Errorf("one of those before it, delivered late: %s", got)
	}
}
