package drift_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
)

// days is sessions of outcomes near 100, with a spread of a hundredth in all.
func days(sessions, each int) (out [][]float64) {
	for i := range sessions {
		var s []float64
		for k := range each {
			s = append(s, 100+0.5*float64((i*7+k*3)%5-2))
		}
		out = append(out, s)
	}
	return out
}

// after is a run of the rig in order whose outcome follows earlier ones, all made
// under the same facts.
func after(outcome float64, alike [][]float64) drift.Input {
	return drift.Input{Before: with(), Run: ran(with()), Series: &drift.Series{Figure: "rate_mean", Unit: "frames/s", Outcome: outcome, Alike: alike, All: alike}}
}

func unlikeOf(in drift.Input) (drift.Flag, bool) {
	for _, f := range drift.Judge(in).Flags {
		if f.Kind == drift.Unlike {
			return f, true
		}
	}
	return drift.Flag{}, false
}

func TestUnlike(t *testing.T) {
	other := func(outcome float64, alike, all [][]float64) drift.Input {
		in := after(outcome, alike)
		in.Series.All = all
		return in
	}
	for _, c := range []struct {
		name   string
		in     drift.Input
		raised bool
		weight rig.Weight
	}{
		{"as ever", after(100.4, days(10, 2)), false, 0},
		{"lower", after(94, days(10, 2)), true, rig.Caution},
		{"higher", after(106, days(10, 2)), true, rig.Caution},
		{"too few before", after(94, days(7, 1)), false, 0},
		{"just enough", after(90, days(8, 1)), true, rig.Caution},
		{"the facts moved", other(94, nil, days(10, 2)), true, rig.Note},
		{"the facts moved a while ago", other(94, days(3, 1), days(10, 2)), true, rig.Note},
		{"as since the facts moved", other(94, [][]float64{{94.2, 93.8, 94.1}, {93.9, 94.3}, {94, 93.7, 94.4}}, days(10, 2)), false, 0},
		{"one session, little", after(98, days(1, 10)), false, 0},
		{"one session, much", after(90, days(1, 10)), true, rig.Caution},
		{"a quiet rig, within the margin", after(100.8, [][]float64{{100, 100.01}, {100.01, 100.02}, {100, 100.01}, {99.99, 100}}), false, 0},
		{"no spread at all", after(50, [][]float64{{7, 7, 7}, {7, 7, 7}, {7, 7, 7}}), false, 0},
		{"no outcome", after(math.NaN(), days(10, 2)), false, 0},
		{"an outcome of zero", after(0, days(10, 2)), false, 0},
		{"junk before", after(94, append(days(10, 2), []float64{0, -1, math.NaN(), math.Inf(1)})), true, rig.Caution},
		{"before a run", drift.Input{Before: with(), Series: after(50, days(10, 2)).Series}, false, 0},
	} {
		f, raised := unlikeOf(c.in)
		if raised != c.raised || f.Weight != c.weight {
			t.Errorf("%s: raised %v, %+v", c.name, raised, f)
		}
	}
	f, _ := unlikeOf(after(94, days(10, 2)))
	if f.Fact != "run.rate_mean" || f.Unit != "frames/s" || !strings.Contains(f.Expected.String(), " to ") || f.Seen != rig.NumberOf(94) ||
		!strings.Contains(f.Evidence, "20 earlier runs of 10 sessions") || !strings.Contains(f.Evidence, "99.73 %") {
		t.Errorf("%+v", f)
	}
}

// A rig that only scatters is called unlike as seldom as the level says: counted
// over many runs, each against the forty before it. 3,000 runs at 1 in 370 give 8;
// twenty would be four standard errors above.
func TestUnlikeFalseAlarms(t *testing.T) {
	r := rand.New(rand.NewPCG(370, 1))
	next := func() float64 { return 100 * math.Exp(0.006*r.NormFloat64()) }
	var past [][]float64
	for range 40 {
		past = append(past, []float64{next()})
	}
	alarms := 0
	for range 3000 {
		y := next()
		if _, raised := unlikeOf(after(y, past)); raised {
			alarms++
		}
		past = append(past[1:], []float64{y})
	}
	if alarms > 20 {
		t.Errorf("%d false alarms in 3000 runs", alarms)
	}
}

// Two states agree unless a fact that weighs differs and nothing else explains it.
func TestAlike(t *testing.T) {
	for i, c := range []struct {
		b    rig.Snapshot
		want bool
	}{
		{with(), true},
		{with("kernel.boot_id", "sha256:0b", "load.idle_before", 97.0), true},     // passing
		{with("memory.total", 15870), true},                                       // within tolerance
		{with("firmware.mode", "uefi"), true},                                     // a note
		{with("memory.speed", 2400), false},                                       // weighs
		{with("cpu.governor", "powersave"), false},                                //
		{with("memory.speed", 2400, "memory.module[DIMM_A1].speed", 2400), false}, //
		{with("cpu.governor", rig.Denied), false},                                 // no longer known
	} {
		if got := drift.Alike(with(), c.b); got != c.want {
			t.Error(fmt.Sprint(i), got)
		}
	}
}
