package compare_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/stats"
)

// series plays sessions of runs, a day apart, of a rig that state describes.
func series(seed uint64, sessions, repeats int, state func(day int) sim.State) (events []compare.Event) {
	w := still(0.4, 0.4)
	w.Jitter, w.Scenes[0].Seconds = 0.005, 2
	b := sim.NewBench("heron", rand.New(rand.NewPCG(seed, 5)))
	for day := range sessions {
		s := state(day)
		runs := sim.WithHeat(sim.WithClock(b.Runs(w, repeats, s), 0.98), 21, 40)
		for _, r := range runs {
			rate := stats.Describe(r.Durations, stats.DefaultOptions()).RateMean
			events = append(events, compare.Event{Run: r, Clock: r.MeanClock(), Thermal: r.Thermal(),
				Outcome: compare.Outcome{Name: "rate_mean", Unit: rate.Unit, Value: rate.Value, Better: stats.HigherBetter}})
		}
		b.Wait(23 * time.Hour)
	}
	return events
}

func rated(int) sim.State { return sim.Rated }

// changesOf gives the changes that are sure.
func changesOf(h compare.History, track string) (out []compare.Change) {
	for _, c := range h.Changes {
		if c.Track == track && !c.Weak {
			out = append(out, c)
		}
	}
	return out
}

// A step of 3 % with a firmware update is found where it is, and the update is
// named as its cause with what follows from it behind it.
func TestTraceNamesTheCause(t *testing.T) {
	events := series(1, 60, 3, func(day int) sim.State {
		s := sim.Rated
		s.Facts = map[string]any{"firmware.version": "1.08", "firmware.date": "2030-01-01", "kernel.watchdog": 1.0}
		if day >= 40 {
			s.Facts = map[string]any{"firmware.version": "1.10", "firmware.date": "2031-04-01", "kernel.watchdog": 0.0}
			s.Factor = 0.97
		}
		return s
	})
	h := compare.Trace(events, compare.HistoryOptions{})
	c := changesOf(h, "outcome")
	if !h.BySession || len(h.Points) != 60 || len(c) != 1 || c[0].Point != 40 {
		t.Fatalf("by session %v, %d points, %+v", h.BySession, len(h.Points), c)
	}
	if r := c[0].Mean.After / c[0].Mean.Before; math.Abs(r-0.97) > 0.005 || !(c[0].Sure.Value > 0.99) {
		t.Errorf("ratio %v, sure %v", r, c[0].Sure.Value)
	}
	var causes []string
	for _, m := range c[0].Causes {
		causes = append(causes, string(m.Fact)+"<"+string(m.Follows))
	}
	if got := strings.Join(causes, " "); got != "firmware.version< kernel.watchdog< firmware.date<firmware.version" {
		t.Error(got)
	}
	chart := h.Tracks[0].Chart
	if !chart.Usable() || chart.Baseline.N != 30 || len(chart.Shewhart) == 0 || chart.Shewhart[0] < 40 {
		t.Errorf("%+v", chart.Grade)
	}
	if f := chart.FalseAlarm.Value; math.Abs(f-206) > 3 { // 1/465 + 1/370: about one per 206 points
		t.Errorf("%v points between false alarms", f)
	}
}

// A change that no fact explains is found and has no cause; what was measured
// beside it is told.
func TestTraceWithoutACause(t *testing.T) {
	events := series(2, 48, 2, func(day int) sim.State {
		s := sim.Rated
		if day >= 24 {
			s.Factor = 1.04
		}
		return s
	})
	noise := rand.New(rand.NewPCG(2, 6))
	for i := range events {
		events[i].Thermal.Rise.Value += 0.3 * noise.NormFloat64()
		if events[i].Started.After(events[48].Started.Add(-time.Minute)) { // half of 96
			events[i].Thermal.Rise.Value -= 6
		}
	}
	h := compare.Trace(events, compare.HistoryOptions{})
	c := changesOf(h, "outcome")
	if len(c) != 1 || len(c[0].Causes) != 0 || math.Abs(c[0].Rise.After-c[0].Rise.Before+6) > 0.5 || math.Abs(c[0].Clock.After/c[0].Clock.Before-1) > 1e-3 {
		t.Fatalf("%+v", c)
	}
	if r := changesOf(h, "rise"); len(r) != 1 || r[0].Point != 24 {
		t.Errorf("%+v", r)
	}
}

// A rig that does not change shows few changes that are none, and a slow drift is
// seen by the CUSUM.
func TestTraceQuietAndDrifting(t *testing.T) {
	false_ := 0
	for seed := range uint64(20) {
		h := compare.Trace(series(100+seed, 40, 2, rated), compare.HistoryOptions{})
		false_ += len(changesOf(h, "outcome"))
	}
	if false_ > 3 {
		t.Errorf("%d changes in 20 quiet series", false_)
	}
	h := compare.Trace(series(3, 60, 2, func(day int) sim.State {
		s := sim.Rated
		s.Factor = 1 - 0.0004*float64(max(0, day-30))
		return s
	}), compare.HistoryOptions{})
	if c := h.Tracks[0].Chart.CUSUM; len(c) == 0 || c[0] < 30 {
		t.Errorf("%v", c)
	}
}

func TestTraceFewPoints(t *testing.T) {
	h := compare.Trace(series(4, 3, 5, rated), compare.HistoryOptions{})
	if h.BySession || len(h.Points) != 15 || said(h.Remarks, "by_run") == "" {
		t.Errorf("%v, %d points, %+v", h.BySession, len(h.Points), h.Remarks)
	}
	if c := h.Tracks[0].Chart; !c.Has(stats.Provisional) || c.Baseline.N != 8 {
		t.Errorf("%+v", c.Grade)
	}
	h = compare.Trace(series(5, 2, 2, rated), compare.HistoryOptions{})
	if c := h.Tracks[0].Chart; c.Usable() || !c.Has(stats.TooFewValues) || h.Tracks[0].Changes.Usable() {
		t.Errorf("%+v", c.Grade)
	}
	h = compare.Trace(nil, compare.HistoryOptions{})
	if len(h.Points) != 0 || len(h.Changes) != 0 || h.Tracks[0].Chart.Usable() {
		t.Errorf("%+v", h)
	}
}

func TestTraceLeavesOut(t *testing.T) {
	events := series(6, 4, 3, rated)
	events[0].Standing = drift.Voided
	events[1].WorkloadVersion = "0"
	events[2].Outcome.Value = math.NaN()
	events[3].Outcome.Name = "result.score"
	events[4].Standing = drift.Careful
	slices.Reverse(events)
	h := compare.Trace(events, compare.HistoryOptions{})
	left := map[string]int{}
	for _, l := range h.LeftOut {
		left[l.Why] = len(l.Runs)
	}
	if left["void"] != 1 || left["another version of the workload"] != 1 || left["no outcome"] != 1 || left["another figure"] != 1 {
		t.Errorf("%v", left)
	}
}

// Room and heat: what a person notes is the room; without that the lowest sensor
// bounds it.
func TestThermal(t *testing.T) {
	b := sim.NewBench("heron", rand.New(rand.NewPCG(1, 1)))
	w := sim.Orrery()
	r := sim.WithHeat(b.Runs(w, 1, sim.Rated), 21, 40)[0]
	if th := r.Thermal(); math.Abs(th.Rise.Value-40) > 0.2 || !th.RoomRead || th.Watts.Known() || th.PerWatt.Usable() {
		t.Errorf("%+v", th)
	}
	r.Noted = nil
	if th := r.Thermal(); th.Rise.Known() || th.Rise.Why == "" {
		t.Errorf("%+v", th)
	}
	if m := r.MeanClock(); m.Known() || m.Why == "" {
		t.Errorf("%+v", m)
	}
	if m := sim.WithClock([]compare.Run{r}, 0.98)[0].MeanClock(); math.Abs(m.Value-0.98*4100) > 0.5 {
		t.Errorf("%+v", m)
	}
}
