package compare_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
	"witnessmark/internal/timing"
)

func bench(seed uint64) *sim.Bench { return sim.NewBench("heron", rand.New(rand.NewPCG(seed, 3))) }

var quick = compare.Options{NoMoments: true}

func memorySpeed() compare.Options {
	return compare.Options{NoMoments: true, Terms: compare.Terms{Vary: []rig.Key{"memory.speed"}}}
}

// TestVerdict holds that the verdict is that of package stats on the runs' mean
// rates, and that table and JSON give the same numbers.
func TestVerdict(t *testing.T) {
	b := bench(1)
	w := short()
	base, against := b.Runs(w, 5, sim.Rated), b.Runs(w, 4, sim.Default)
	c := compare.Compare(base, against, memorySpeed())
	rates := func(runs []compare.Run) (out []float64) {
		for _, r := range runs {
			out = append(out, stats.Describe(r.Durations, stats.DefaultOptions()).RateMean.Value)
		}
		return out
	}
	want := stats.Compare(rates(base), rates(against), stats.CompareOptions{})
	got := c.Workloads[0].Verdict
	if got.Verdict != stats.Different || *got.Interval != *want.Interval || got.Ratio.Value != want.Ratio.Value {
		t.Errorf("%v %v, want %v", got.Verdict, got.Interval, want.Interval)
	}
	if !got.Has(stats.OrderConfound) {
		t.Error("all runs of one side came first, and it has no mark")
	}
	j := c.JSON().Workloads[0]
	if *j.Ratio.Value != got.Ratio.Value || *j.Ratio.Low != got.Interval.Low || *j.Verdict != "different" || j.RepeatsNeeded != nil {
		t.Errorf("JSON gives %+v", j)
	}
	value, low, high := compare.RatioText(got.Comparison)
	s := c.Workloads[0].Sentence()
	for _, x := range []string{value, low, high} {
		if !strings.Contains(s, x) || len(x) != 6 { // two digits of a standard uncertainty of some 0.002
			t.Errorf("%q is not in %q", x, s)
		}
	}
}

// TestWithheld holds that no ratio is given where what was measured is not the
// same, that the sides' own figures stand, and that naming it lifts it.
func TestWithheld(t *testing.T) {
	w := short()
	for name, c := range map[string]struct {
		class  compare.Class
		key    rig.Key
		change func(*compare.Run)
	}{
		"firmware": {compare.Firmware, "firmware.version", func(r *compare.Run) { r.Before = with(r.Before, "firmware.version", "1.10") }},
		"driver": {compare.Driver, "graphics[0000:01:00.0].driver_version", func(r *compare.Run) {
			r.Before = with(r.Before, "graphics[0000:01:00.0].driver_version", "6.2.0")
		}},
		"version":    {compare.Version, compare.WorkloadVersion, func(r *compare.Run) { r.WorkloadVersion = "4" }},
		"settings":   {compare.Setting, "workload.setting[width]", func(r *compare.Run) { r.Settings = map[string]string{"width": "640"} }},
		"definition": {compare.Definition, "workload.definition[log]", func(r *compare.Run) { r.Definition = map[string]string{"log": "gpu_ms as duration"} }},
	} {
		b := bench(2)
		base, against := b.Runs(w, 3, sim.Rated), b.Runs(w, 3, sim.Rated)
		for i := range against {
			c.change(&against[i])
			against[i].After, against[i].Configuration = against[i].Before, [32]byte{}
		}
		got := compare.Compare(base, against, quick)
		x := got.Workloads[0]
		if x.Usable() || !x.Has(compare.Confounded) || x.Verdict.Verdict != stats.NoVerdict || got.NotControlled[0].Class != c.class {
			t.Errorf("%s: %+v", name, x.Grade)
		}
		j := got.JSON().Workloads[0]
		if j.Verdict != nil || j.Ratio.Value != nil || j.Ratio.Low != nil || !strings.Contains(j.Refused, string(c.key)) {
			t.Errorf("%s: JSON has %+v", name, j)
		}
		for _, f := range j.Statistics {
			if f.Ratio.Value != nil || (f.Base == nil || f.Against == nil) && f.Name != "frametime_ms.p999" {
				t.Errorf("%s: %+v", name, f)
			}
		}
		named := compare.Compare(base, against, compare.Options{NoMoments: true, Terms: compare.Terms{Vary: []rig.Key{c.key}}})
		if !named.Workloads[0].Usable() || !named.Controlled.Controlled {
			t.Errorf("%s is the factor, and yet %+v", name, named.Workloads[0].Grade)
		}
	}
}

func with(s rig.Snapshot, k rig.Key, v string) rig.Snapshot {
	facts := slices.DeleteFunc(slices.Clone(s.Facts), func(f rig.Fact) bool { return f.Key == k })
	return rig.NewSnapshot(s.At, append(facts, rig.Fact{Key: k, Value: rig.TextOf(v)}))
}

// TestConfounded holds that another difference still gives a ratio, first of all
// called not controlled, and never a because.
func TestConfounded(t *testing.T) {
	b := bench(3)
	w := short()
	base := b.Runs(w, 3, sim.Rated)
	s := sim.Default
	s.Facts = map[string]any{"cpu.governor": "powersave"}
	c := compare.Compare(base, b.Runs(w, 3, s), memorySpeed())
	if c.Controlled.Controlled || !strings.HasPrefix(c.Headline(), "not controlled: cpu.governor: performance on the base, powersave against it") {
		t.Error(c.Headline())
	}
	if x := c.Workloads[0]; x.Verdict.Verdict != stats.Different || strings.Contains(x.Sentence(), "because") {
		t.Error(x.Sentence())
	}
}

// TestRigs holds that another machine, named as the factor, may have other
// firmware and drivers: not controlled, with a ratio. Another content never may,
// and a rig that nobody named refuses as well.
func TestRigs(t *testing.T) {
	w := short()
	plover := sim.NewBench("plover", rand.New(rand.NewPCG(4, 3)))
	s := sim.Rated
	s.Facts = map[string]any{"firmware.version": "2.07", "graphics[0000:01:00.0].driver_version": "7.0"}
	base, against := bench(3).Runs(w, 3, sim.Rated), plover.Runs(w, 3, s)
	o := compare.Options{NoMoments: true, Terms: compare.Terms{Vary: []rig.Key{compare.RigName}}}
	c := compare.Compare(base, against, o)
	if c.Controlled.Controlled || list(c.NotControlled) != "firmware.version graphics[0000:01:00.0].driver_version" || list(c.Follows) != "machine.serial" {
		t.Errorf("%s; follows: %s", c.Headline(), list(c.Follows))
	}
	if x := c.Workloads[0]; !x.Usable() || x.Verdict.Interval == nil {
		t.Errorf("%+v", x.Grade)
	}
	if x := compare.Compare(base, against, quick).Workloads[0]; x.Usable() || !x.Has(compare.Confounded) {
		t.Errorf("nobody named the rig, and yet %+v", x.Grade)
	}
	for i := range against {
		against[i].WorkloadVersion = "4"
	}
	if x := compare.Compare(base, against, o).Workloads[0]; x.Usable() || !strings.Contains(x.Reason, "content version") || strings.Contains(x.Reason, "firmware") {
		t.Errorf("%+v", x.Grade)
	}
}

// TestOneRun holds that one run a side has no interval and no verdict, and says
// how many are needed.
func TestOneRun(t *testing.T) {
	b := bench(4)
	w := short()
	base, against := b.Runs(w, 1, sim.Rated), b.Runs(w, 1, sim.Default)
	c := compare.Compare(base, against, memorySpeed())
	j := c.JSON().Workloads[0]
	if j.Verdict != nil || j.Ratio.Value == nil || j.Ratio.Low != nil || j.Ratio.High != nil || j.P != nil || *j.RepeatsNeeded != 2 {
		t.Errorf("%+v", j)
	}
	if s := c.Workloads[0].Sentence(); !strings.Contains(s, "at least 2 runs on each side are needed") {
		t.Error(s)
	}
	o := memorySpeed()
	o.History = map[string]compare.Spread{"orrery": {SD: 0.005, DF: 30}}
	// CV 0.5 %, 1 %, power 90 %: 7 a group (R power.t.test, opened).
	if j := compare.Compare(base, against, o).JSON().Workloads[0]; *j.RepeatsNeeded != 7 {
		t.Errorf("with a history %v are needed", *j.RepeatsNeeded)
	}
}

// TestNotResolved holds that a design that finds nothing says what it could find,
// and never that there is no difference.
func TestNotResolved(t *testing.T) {
	b := bench(5)
	w := short()
	w.Noise = 0.02
	c := compare.Compare(b.Runs(w, 3, sim.Rated), b.Runs(w, 3, sim.Rated), quick)
	j := c.JSON().Workloads[0]
	if *j.Verdict != "not resolved" || *j.RepeatsNeeded < 20 || *j.MinimumResolvable < 0.02 {
		t.Errorf("%v %v %v", *j.Verdict, *j.RepeatsNeeded, *j.MinimumResolvable)
	}
	if s := c.Workloads[0].Sentence(); strings.Contains(s, "no difference") || !strings.Contains(s, "this design finds differences of") {
		t.Error(s)
	}
}

func result(name, value, unit, better string) timing.Result {
	return timing.Result{Name: name, Value: value, Unit: unit, Better: better}
}

func printed(id string, rs ...timing.Result) compare.Run {
	r := plain(id)
	r.Results = rs
	return r
}

// TestResults holds that results are compared by their direction, and times never
// with rates.
func TestResults(t *testing.T) {
	base := []compare.Run{printed("b0", result("took", "40.1", "s", "lower")), printed("b1", result("took", "40.3", "s", "lower"))}
	against := []compare.Run{printed("a0", result("took", "44.0", "s", "lower")), printed("a1", result("took", "44.3", "s", "lower"))}
	c := compare.Compare(base, against, quick)
	w := c.Workloads[0]
	if w.Figures[0].Name != "result.took" || w.Verdict.Direction != stats.LowerBetter || w.Verdict.Verdict != stats.Different || !strings.Contains(w.Sentence(), "higher, which is worse") {
		t.Errorf("%s", w.Sentence())
	}
	if u, ok := w.Verdict.ResolutionU.Get(); !ok || math.Abs(u-0.1/math.Sqrt(12)*math.Hypot(1/40.2, 1/44.15)) > 1e-6 {
		t.Errorf("uncertainty of the resolution %v", u)
	}
	for what, wrong := range map[string][]compare.Run{
		"a rate":       {printed("a0", result("took", "44.0", "frames/s", "higher")), printed("a1", result("took", "44.3", "frames/s", "higher"))},
		"another unit": {printed("a0", result("took", "44000", "ms", "lower")), printed("a1", result("took", "44300", "ms", "lower"))},
	} {
		w := compare.Compare(base, wrong, quick).Workloads[0]
		if w.Verdict.Verdict != stats.NoVerdict || !w.Verdict.Has(stats.MixedDirections) && !w.Has(stats.TooFewValues) {
			t.Errorf("%s: %v %+v %+v", what, w.Verdict.Verdict, w.Verdict.Grade, w.Grade)
		}
	}
	w = compare.Compare(base, side(2, "a"), quick).Workloads[0]
	if w.Usable() || !strings.Contains(w.Reason, "the base has result.took, none against it") {
		t.Errorf("%+v", w.Grade)
	}
}

// TestStatistic holds that the verdict may be about another statistic, and that
// one that no run has is refused.
func TestStatistic(t *testing.T) {
	b := bench(6)
	w := short()
	base, against := b.Runs(w, 3, sim.Rated), b.Runs(w, 3, sim.Default)
	o := memorySpeed()
	o.Statistic = "low_1pct.mean_count"
	if x := compare.Compare(base, against, o).Workloads[0]; x.Figures[0].Method != "low.mean_count" || x.Verdict.Ratio.Value != x.Figures[0].Ratio.Value {
		t.Errorf("%+v", x.Figures[0])
	}
	o.Statistic = "result.score"
	if x := compare.Compare(base, against, o).Workloads[0]; x.Usable() || x.Verdict.Verdict != stats.NoVerdict {
		t.Errorf("%+v", x.Grade)
	}
}

// TestPaired holds that pairs are taken in the order the runs were made, and that
// runs which are no pairs are refused.
func TestPaired(t *testing.T) {
	b := bench(7)
	w := short()
	var base, against []compare.Run
	for i := range 4 { // ABBA
		a, c := &base, &against
		s, u := sim.Rated, sim.Default
		if i%2 == 1 {
			a, c, s, u = c, a, u, s
		}
		*a = append(*a, b.Run(w, s))
		*c = append(*c, b.Run(w, u))
	}
	o := memorySpeed()
	o.Paired = true
	x := compare.Compare(base, against, o).Workloads[0].Verdict
	if x.Ratio.Method != "ratio.paired_log" || x.Test == nil || x.Test.DF != 3 || x.Verdict != stats.Different {
		t.Errorf("%+v", x.Grade)
	}
	x = compare.Compare(base, b.Runs(w, 4, sim.Default), o).Workloads[0].Verdict
	if x.Verdict != stats.NoVerdict || !x.Has(stats.BadOption) {
		t.Errorf("%+v", x.Grade)
	}
}

// TestSessions holds that the means of sessions are compared where they differ by
// more than the runs inside them.
func TestSessions(t *testing.T) {
	b := bench(8)
	w := short()
	w.Noise = 0.002
	var base []compare.Run
	for _, f := range []float64{1, 1.03, 0.97} {
		base = append(base, b.Runs(w, 4, factor(f))...)
		b.Wait(24 * time.Hour)
	}
	c := compare.Compare(base, b.Runs(w, 4, sim.Rated), quick)
	x := c.Workloads[0]
	if !x.Base.ByMeans || x.Against.ByMeans || len(x.Base.Sessions) != 3 || x.Verdict.Test.DF > 2.5 {
		t.Errorf("%v %v, %d sessions, %.2f degrees of freedom", x.Base.ByMeans, x.Against.ByMeans, len(x.Base.Sessions), x.Verdict.Test.DF)
	}
	if x.Verdict.Base.N != 12 {
		t.Errorf("the side is described by %d values", x.Verdict.Base.N)
	}
}

// TestOutlier holds that a run apart is named, stays in, and that the verdict
// without it is given.
func TestOutlier(t *testing.T) {
	b := bench(9)
	w := short()
	w.Noise = 0.002
	base, against := b.Runs(w, 7, sim.Rated), append(b.Runs(w, 7, sim.Rated), b.Run(w, factor(0.9)))
	x := compare.Compare(base, against, quick).Workloads[0]
	if len(x.Outliers) != 1 || x.Outliers[0].Run != against[7].ID || x.Outliers[0].Side != "against" || x.WithoutThem == nil {
		t.Fatalf("%+v", x.Outliers)
	}
	if len(compare.Values(x.Figures[0].Against)) != 8 || x.WithoutThem.Verdict != stats.NoPracticalDifference || x.Verdict.Verdict == stats.NoPracticalDifference {
		t.Errorf("with it %v, without %v", x.Verdict.Verdict, x.WithoutThem.Verdict)
	}
}

// TestSuite holds Holm over the workloads and the summary, and that a workload on
// one side only refuses the summary.
func TestSuite(t *testing.T) {
	b := bench(10)
	w, e := short(), short()
	e.Name = "dome-encode"
	base := append(b.Runs(w, 4, sim.Rated), b.Runs(e, 4, sim.Rated)...)
	against := append(b.Runs(w, 4, sim.Default), b.Runs(e, 4, sim.Default)...)
	c := compare.Compare(base, against, memorySpeed())
	p := stats.Holm([]float64{c.Workloads[0].Verdict.Test.P, c.Workloads[1].Verdict.Test.P})
	if len(c.Workloads) != 2 || c.Workloads[0].Name != "dome-encode" || c.Workloads[0].Verdict.AdjustedP != p[0] || c.Workloads[1].Verdict.AdjustedP != p[1] {
		t.Errorf("%v", p)
	}
	want := math.Sqrt(c.Workloads[0].Verdict.Ratio.Value * c.Workloads[1].Verdict.Ratio.Value)
	if !c.Suite.Usable() || math.Abs(c.Suite.GeoMean.Value-want) > 1e-12 || c.Suite.Measurement == nil || c.Suite.Workloads == nil {
		t.Errorf("%+v", c.Suite)
	}
	c = compare.Compare(base, against[:4], memorySpeed())
	if c.Suite.Usable() || c.Workloads[0].Usable() || !strings.Contains(c.Suite.Reason, "dome-encode") {
		t.Errorf("%+v", c.Suite.Grade)
	}
}

// TestNoLog holds that a run without a log is named and not counted as a zero.
func TestNoLog(t *testing.T) {
	b := bench(11)
	base, against := b.Runs(short(), 4, sim.Rated), b.Runs(short(), 4, sim.Rated)
	base[1].Durations, base[1].NoLog = nil, "read timing log: not_positive"
	x := compare.Compare(base, against, quick).Workloads[0]
	if x.Verdict.Base.N != 3 || !x.Verdict.Has(compare.RunLeftOut) || !strings.Contains(x.Verdict.Reason, base[1].ID) {
		t.Errorf("%d: %s", x.Verdict.Base.N, x.Verdict.Reason)
	}
}

func TestShared(t *testing.T) {
	b := bench(12)
	runs := b.Runs(short(), 3, sim.Rated)
	if got := compare.Shared(runs, runs[2:]); !slices.Equal(got, []string{runs[2].ID}) {
		t.Error(got)
	}
	if x := compare.Compare(runs, runs[2:], quick).Workloads[0]; x.Usable() || x.Verdict.Verdict != stats.NoVerdict {
		t.Errorf("%+v", x.Grade)
	}
}

// TestJSON holds the keys that answers promise, and that every list is a list.
func TestJSON(t *testing.T) {
	b := bench(13)
	s := sim.Default
	s.Facts = map[string]any{"firmware.version": nil, "cpu.governor": "powersave"}
	base, against := b.Runs(sim.Orrery(), 2, sim.Rated), b.Runs(sim.Orrery(), 2, s)
	base[0].Standing = drift.Careful
	c := compare.Compare(base, against, compare.Options{Terms: compare.Terms{Vary: []rig.Key{"memory.speed"}}})
	raw, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(string(raw), `{"controlled":false,"headline":"not controlled: `) {
		t.Errorf("it starts with %.80s", raw)
	}
	var m map[string]any
	json.Unmarshal(raw, &m)
	for _, k := range []string{"not_controlled", "not_known", "factor", "follows", "absent", "workloads"} {
		l, ok := m[k].([]any)
		if !ok || len(l) == 0 {
			t.Fatalf("%s is %v", k, m[k])
		}
	}
	d := m["not_known"].([]any)[0].(map[string]any)
	if d["fact"] != "firmware.version" || d["base"] != "1.08" || d["against"] != nil || d["against_unread"] != "denied: needs more rights" || len(d["runs"].([]any)) != 2 {
		t.Errorf("%v", d)
	}
	if d := m["factor"].([]any)[0].(map[string]any); d["base"] != 3200. || d["against"] != 2400. {
		t.Errorf("%v", d)
	}
	if got := m["included"].(map[string]any)["base"]; !reflect.DeepEqual(got, map[string]any{"caution": []any{base[0].ID}}) {
		t.Errorf("%v", got)
	}
	w := m["workloads"].([]any)[0].(map[string]any)
	for _, k := range []string{"workload", "verdict", "ratio", "base", "against", "moments", "repeats_needed", "minimum_resolvable", "outliers"} {
		if _, ok := w[k]; !ok {
			t.Errorf("a workload has no %s", k)
		}
	}
	for _, k := range []string{"value", "low", "high", "level"} {
		if _, ok := w["ratio"].(map[string]any)[k].(float64); !ok {
			t.Errorf("a ratio has no %s", k)
		}
	}
}

func TestRounded(t *testing.T) {
	for _, c := range []struct {
		value, u float64
		want     string
	}{
		{0.90174, 0.0028, "0.9017"}, {110.698, 0.54, "110.70"}, {110.698, 12, "111"}, {1.5, 0, "1.50"}, {0.00123456, 0, "0.00123"},
		{1234567, 0, "1234567"}, {0, 0, "0"}, {math.NaN(), 1, "-"}, {99.96, 0, "100.0"},
	} {
		if got := compare.Rounded(c.value, c.u); got != c.want {
			t.Errorf("%v ± %v: %q, want %q", c.value, c.u, got, c.want)
		}
	}
}
