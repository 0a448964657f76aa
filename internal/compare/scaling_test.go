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
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// still is a workload whose frame time splits as given.
func still(clock, memory float64) sim.Workload {
	return sim.Workload{
		Name: "orrery-still", Version: "1", Content: "time", Reference: sim.Rated, Noise: 0.004, Jitter: 0.03,
		Scenes: []sim.Scene{{Seconds: 4, Milliseconds: 8, Clock: clock, Memory: memory}},
	}
}

// gridOf plays a grid of memory speed and clock, in the order given and back.
func gridOf(seed uint64, w sim.Workload, repeats int, change func(a, b int, s *sim.State, n *int)) (runs []compare.Run) {
	b := sim.NewBench("heron", rand.New(rand.NewPCG(seed, 3)))
	memory, clock := []float64{2400, 3200}, []float64{3400, 4100}
	for _, back := range []bool{false, true} {
		for i := range 4 {
			if back {
				i = 3 - i
			}
			s := sim.State{MemoryMTps: memory[i/2], ClockMHz: clock[i%2], Setup: "grid"}
			n := repeats
			if change != nil {
				change(i/2, i%2, &s, &n)
			}
			runs = append(runs, b.Runs(w, n, s)...)
			b.Wait(20 * time.Minute)
		}
		b.Wait(20 * time.Hour)
	}
	return sim.WithClock(runs, 0.98)
}

var bothFactors = compare.ScalingOptions{Factors: []rig.Key{"memory.speed", "cpu.clock"}}

func has(rs []stats.Reading, id stats.ReadingID, factor string) bool {
	return slices.ContainsFunc(rs, func(r stats.Reading) bool { return r.ID == id && (factor == "" || r.Factor == factor) })
}

func said(rs []compare.Remark, code stats.Code) string {
	for _, r := range rs {
		if r.Code == code {
			return r.Words
		}
	}
	return ""
}

// What limits a workload is named as it is, over many seeds: true shares of the
// frame time against the headline.
func TestScaleNamesTheLimit(t *testing.T) {
	for _, c := range []struct {
		clock, memory float64
		id            stats.ReadingID
		factor        string
	}{
		{0.08, 0.82, stats.ReadMainly, "memory speed"},
		{0.85, 0.05, stats.ReadMainly, "core clock"},
		{0.42, 0.42, stats.ReadShared, ""},
		{0.02, 0.02, stats.ReadLimitedElsewhere, ""},
	} {
		right := 0
		const seeds = 25
		for seed := range uint64(seeds) {
			s := compare.Scale(gridOf(seed, still(c.clock, c.memory), 3, nil), bothFactors)
			if !s.Controlled.Controlled {
				t.Fatal(s.Headline())
			}
			// Both shares near a half move the limit in truth, and now and then
			// enough for that to be the headline.
			if has(s.Readings[:1], c.id, c.factor) || s.Readings[0].ID == stats.ReadLimitMoves && has(s.Readings, c.id, c.factor) {
				right++
			} else {
				t.Logf("clock %v memory %v, seed %d: %+v", c.clock, c.memory, seed, s.Readings)
			}
		}
		if right < seeds-1 {
			t.Errorf("clock %v, memory %v: named right in %d of %d", c.clock, c.memory, right, seeds)
		}
	}
}

func TestScaleGrid(t *testing.T) {
	s := compare.Scale(gridOf(1, still(0.4, 0.4), 3, nil), bothFactors)
	if len(s.Cells) != 4 || len(s.Missing()) != 0 || s.Two == nil || s.Two.Status != stats.OK {
		t.Fatalf("%+v", s.Grade())
	}
	for _, c := range s.Cells {
		if set := s.Factors[0].Levels[c.At[0]].Setting; c.Values[0] != set {
			t.Errorf("memory set to %v is given as %v", set, c.Values[0])
		}
		if len(c.Runs) != 6 || math.Abs(c.Values[1]/(0.98*s.Factors[1].Levels[c.At[1]].Setting)-1) > 0.01 {
			t.Errorf("%s: %+v", s.Label(c), c)
		}
	}
	if !s.Factors[1].Measured || s.Days != 2 || s.Statistic != "rate_mean" {
		t.Errorf("measured %v, %d days, %s", s.Factors[1].Measured, s.Days, s.Statistic)
	}
	if len(s.Follows) != 2 || s.Follows[0].From != "memory.speed" || s.Follows[0].Everywhere() != "2400 MT/s in 12 runs, 3200 MT/s in 12" {
		t.Errorf("follows: %+v", s.Follows)
	}
	// At the base point the elasticity is the share of the time: here near the
	// middle of the grid, where both shares are a little off 0.4.
	for _, f := range s.Scaled() {
		if math.Abs(f.Elasticity.Value-0.42) > 0.05 {
			t.Errorf("%s: %v", f.Name, f.Elasticity.Value)
		}
	}
}

// A grid that cannot carry the answer says what it cannot say.
func TestScaleCannotSay(t *testing.T) {
	missing := gridOf(2, still(0.1, 0.8), 3, func(a, b int, _ *sim.State, n *int) {
		if a == 1 && b == 1 {
			*n = 0
		}
	})
	s := compare.Scale(missing, bothFactors)
	if m := s.Missing(); len(m) != 1 || s.Label(m[0]) != "memory speed 3200 MT/s, core clock 4100 MHz" {
		t.Errorf("missing: %+v", m)
	}
	if said(s.CannotSay, stats.CellMissing) == "" || !s.Grade().Has(stats.CellMissing) {
		t.Errorf("%+v, %+v", s.CannotSay, s.Grade())
	}

	uneven := gridOf(3, still(0.1, 0.8), 3, func(a, b int, _ *sim.State, n *int) {
		if a == 0 && b == 0 {
			*n = 1
		}
	})
	s = compare.Scale(uneven, bothFactors)
	if w := said(s.CannotSay, stats.Unbalanced); !strings.Contains(w, "2 to 6 runs") {
		t.Errorf("%+v", s.CannotSay)
	}

	noisy := still(0.1, 0.8)
	noisy.Noise = 0.08
	s = compare.Scale(gridOf(4, noisy, 2, nil), bothFactors)
	if s.Readings[0].ID != stats.ReadNotResolved || !strings.Contains(said(s.CannotSay, "not_resolved"), "runs in every cell would do") {
		t.Errorf("%+v %+v", s.Readings, s.CannotSay)
	}

	diagonal := gridOf(5, still(0.1, 0.8), 3, func(a, b int, _ *sim.State, n *int) {
		if a != b {
			*n = 0
		}
	})
	s = compare.Scale(diagonal, bothFactors)
	if s.Grade().Usable() || !s.Grade().Has(stats.FactorsConfounded) || len(s.Missing()) != 2 || s.Readings[0].ID != stats.ReadNotResolved {
		t.Errorf("%+v %+v", s.Grade(), s.Readings)
	}
}

// Where one of two factors was not varied the other alone is read, and the first
// is named as what cannot be said.
func TestScaleOneOfTwo(t *testing.T) {
	runs := gridOf(6, still(0.1, 0.8), 3, func(a, b int, s *sim.State, n *int) {
		if b == 1 {
			*n = 0
		}
	})
	for _, opt := range []compare.ScalingOptions{bothFactors, {Factors: []rig.Key{"memory.speed"}}} {
		s := compare.Scale(runs, opt)
		if s.One == nil || !has(s.Readings, stats.ReadMainly, "memory speed") {
			t.Fatalf("%+v", s.Readings)
		}
		if (said(s.CannotSay, compare.NotVaried) != "") != (len(opt.Factors) == 2) {
			t.Errorf("%+v", s.CannotSay)
		}
	}
}

// What differs beside the factors takes the claim away; what is unknown is said first.
func TestScaleNotControlled(t *testing.T) {
	firmware := gridOf(7, still(0.1, 0.8), 3, func(a, b int, s *sim.State, _ *int) {
		if a == 1 {
			s.Facts = map[string]any{"firmware.version": "1.10"}
		}
	})
	s := compare.Scale(firmware, bothFactors)
	if s.Controlled.Controlled || s.Readings[0].ID != "not_controlled" || !strings.Contains(s.Readings[0].Words, "firmware.version") {
		t.Errorf("%s; %+v", s.Headline(), s.Readings)
	}
	unread := gridOf(8, still(0.1, 0.8), 3, func(a, b int, s *sim.State, _ *int) {
		s.Facts = map[string]any{"cpu.governor": nil}
	})
	s = compare.Scale(unread, bothFactors)
	if s.Controlled.Controlled || !strings.HasPrefix(s.Headline(), "not controlled: not known: cpu.governor") {
		t.Error(s.Headline())
	}
}

// The measured clock rules over the set one: set apart and measured alike, the
// clock has no effect to show, and the answer says so.
func TestScaleMeasuredBeatsSet(t *testing.T) {
	w := still(0.85, 0.05)
	runs := gridOf(9, w, 3, nil)
	for i := range runs {
		mhz, _ := runs[i].Before.Number("cpu.clock_max")
		runs[i].Signals = nil
		sim.WithClock(runs[i:i+1], 3400/mhz)
	}
	s := compare.Scale(runs, bothFactors)
	if said(s.CannotSay, compare.NotAsSet) == "" || has(s.Readings[:1], stats.ReadMainly, "core clock") {
		t.Errorf("%+v %+v", s.Readings, s.CannotSay)
	}
	for i := range runs {
		runs[i].Signals = nil
	}
	s = compare.Scale(runs, bothFactors)
	if said(s.CannotSay, compare.SettingsOnly) == "" || s.Factors[1].Measured || !has(s.Readings[:1], stats.ReadMainly, "core clock") {
		t.Errorf("%+v %+v", s.Readings, s.CannotSay)
	}
	sim.WithClock(runs[:len(runs)/2], 0.98)
	s = compare.Scale(runs, bothFactors)
	if len(s.LeftOut) != 1 || len(s.LeftOut[0].Runs) != len(runs)-len(runs)/2 {
		t.Errorf("%+v", s.LeftOut)
	}
}

// A flag on the factor itself bars no run; any other does until it is let in.
func TestScaleStanding(t *testing.T) {
	runs := gridOf(10, still(0.1, 0.8), 3, nil)
	for i := range runs {
		if mt, _ := runs[i].Before.Number("memory.speed"); mt < 3200 {
			runs[i].Standing = drift.Careful
			runs[i].Flags = []drift.Flag{{Kind: drift.Underrated, Fact: "memory.speed", Weight: rig.Caution}, {Kind: drift.Underrated, Fact: "memory.module[DIMM_A1].speed", Weight: rig.Caution}}
		}
	}
	if s := compare.Scale(runs, bothFactors); len(s.LeftOut) != 0 || len(s.Missing()) != 0 {
		t.Errorf("%+v", s.LeftOut)
	}
	runs[0].Flags = append(runs[0].Flags, drift.Flag{Kind: drift.Unsteady, Fact: "load.other", Weight: rig.Caution})
	runs[1].Standing = drift.Voided
	runs[1].Flags = []drift.Flag{{Kind: drift.Unsteady, Fact: "run.exit", Weight: rig.Void}}
	runs[2].WorkloadVersion = "0"
	s := compare.Scale(runs, bothFactors)
	left := map[string]string{}
	for _, l := range s.LeftOut {
		left[l.Why] = strings.Join(l.Runs, " ")
	}
	if left["caution"] != runs[0].ID || left["void"] != runs[1].ID || left["another version of the workload"] != runs[2].ID {
		t.Errorf("%v", left)
	}
	opt := bothFactors
	opt.Caution = true
	if s := compare.Scale(runs, opt); len(s.LeftOut) != 2 {
		t.Errorf("%+v", s.LeftOut)
	}
}

// A frame cap is found where neither factor matters.
func TestScaleFrameCap(t *testing.T) {
	w := still(0, 0)
	w.Scenes[0].Milliseconds, w.Jitter, w.Noise = 1000.0/60, 0.002, 0.0005
	s := compare.Scale(gridOf(11, w, 3, nil), bothFactors)
	if s.Readings[0].ID != stats.ReadLimitedElsewhere || !strings.Contains(s.Readings[0].Words, "60 Hz") {
		t.Errorf("%+v, %+v", s.Readings, s.Elsewhere)
	}
	s = compare.Scale(gridOf(12, still(0.02, 0.02), 3, nil), bothFactors)
	if !strings.Contains(s.Readings[0].Words, "elsewhere, not identified, a frame cap is not it") {
		t.Errorf("%+v", s.Readings)
	}
}

// Nothing to scale is an answer, not a panic.
func TestScaleNothing(t *testing.T) {
	for _, runs := range [][]compare.Run{nil, gridOf(13, still(0.1, 0.8), 1, nil)[:1]} {
		s := compare.Scale(runs, bothFactors)
		if s.Grade().Usable() || len(s.Readings) == 0 || s.Readings[0].ID != stats.ReadNotResolved {
			t.Errorf("%+v", s)
		}
	}
}
