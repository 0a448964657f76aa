package stats

import (
	"math"
	"math/rand/v2"
	"testing"
)

// groups of reference.json: R 4.2.2 t.test and formulas (opened).
func checkGroups(t *testing.T, ref *reference) {
	g := map[string][]float64{
		"X": group(101, 144000, 300, 5), "Y": group(202, 152000, 1000, 6),
		"P": group(303, 120000, 300, 5), "Q": group(404, 120150, 300, 5),
	}
	for name, v := range g {
		ref.list(t, 0, 0, v, "groups", name)
	}
	checkWelch(t, ref, Compare(g["X"], g["Y"], CompareOptions{}), "groups", "welch_log_Y_over_X")
	checkWelch(t, ref, Compare(g["P"], g["Q"], CompareOptions{}), "groups", "welch_log_Q_over_P")
	f := FiellerRatio(Summarize(g["X"]), Summarize(g["Y"]), 0.95)
	at := func(got float64, key string) { ref.near(t, 1e-11, got, "groups", "fieller_Y_over_X", key) }
	at(f.Ratio, "ratio")
	at(f.DF, "df")
	at(f.T, "t")
	at(f.G, "g")
	ref.list(t, 1e-11, 0, []float64{f.Interval.Low, f.Interval.High}, "groups", "fieller_Y_over_X", "ci")
	for name, c := range map[string]Comparison{
		"tost_Q_over_P_1pct":   Compare(g["P"], g["Q"], CompareOptions{Margin: 0.01}),
		"tost_Q_over_P_0.2pct": Compare(g["P"], g["Q"], CompareOptions{Margin: 0.002}),
		"tost_Y_over_X_1pct":   Compare(g["X"], g["Y"], CompareOptions{Margin: 0.01}),
	} {
		checkTOST(t, ref, c, name)
	}
	for name, x := range map[string][]float64{"gum_type_A_X": g["X"], "gum_type_A_Y": g["Y"]} {
		checkTypeA(t, ref, x, name)
	}
}

func checkWelch(t *testing.T, ref *reference, c Comparison, path ...any) {
	t.Helper()
	at := func(got float64, key string) { ref.within(t, 1e-9, 0, got, append(path[:len(path):len(path)], key)...) }
	at(c.Test.Difference, "log_ratio")
	at(c.Ratio.Value, "ratio")
	at(c.Test.T, "t")
	at(c.Test.DF, "df")
	at(c.Test.SE, "se")
	at(c.Test.P, "p")
	ref.list(t, 1e-11, 0, []float64{c.Interval.Low, c.Interval.High}, append(path[:len(path):len(path)], "ratio_ci")...)
}

func checkTOST(t *testing.T, ref *reference, c Comparison, name string) {
	e := c.Equivalence
	at := func(got float64, key string) { ref.near(t, 1e-9, got, "groups", name, key) }
	at(c.Margin, "margin")
	at(e.TLower, "t_lower")
	at(e.TUpper, "t_upper")
	at(c.Test.DF, "df")
	at(e.PLower, "p_lower")
	at(e.PUpper, "p_upper")
	at(e.P, "p")
	ref.list(t, 1e-12, 0, []float64{e.Low, e.High}, "groups", name, "bounds_log")
	ref.list(t, 1e-11, 0, []float64{math.Exp(e.Interval.Low), math.Exp(e.Interval.High)}, "groups", name, "ratio_ci90")
	ref.truth(t, e.Equivalent, "groups", name, "equivalent")
	if inside := e.Low < e.Interval.Low && e.Interval.High < e.High; inside != e.Equivalent {
		t.Errorf("%s: the 90 %% interval lies inside: %v, equivalent: %v", name, inside, e.Equivalent)
	}
}

func checkTypeA(t *testing.T, ref *reference, x []float64, name string) {
	u := TypeA(x, "frames/s", 0)
	at := func(got float64, key string) { ref.near(t, 1e-11, got, "groups", name, key) }
	at(u.Value, "mean")
	at(u.SD, "s")
	at(float64(u.N), "n")
	at(u.U, "u")
	at(u.DF, "dof")
	at(u.K, "k95")
	at(u.Expanded, "U95")
	at(100*u.RelativeU, "rel_u_pct")
	at(100*u.SD/u.Value, "cv_pct")
}

// Check 7. e-Handbook 1.3.5.3, AUTO83B.DAT summaries (public copy); Welch from
// the same summaries by R 4.2.2.
func TestTwoSampleHandbook(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "auto83b")
	in := func(key string) float64 { return lookup(t, tree, "summary", key).(float64) }
	a, b := Summary{int(in("n1")), in("m1"), in("s1")}, Summary{int(in("n2")), in("m2"), in("s2")}
	p := Pooled(b, a, 0.95)
	agree(t, "pooled t", 1e-6, p.T, parse(t, lookup(t, tree, "published", "t_pooled")))
	agree(t, "pooled t", 1e-9, p.T, lookup(t, tree, "R", "t_pooled").(float64))
	printed(t, "pooled sd", PooledSD(a, b), lookup(t, tree, "published", "sp"))
	printed(t, "df", p.DF, lookup(t, tree, "published", "df"))
	printed(t, "critical", tQuantile(0.975, p.DF), lookup(t, tree, "published", "crit_two_sided_05"))
	printed(t, "critical", tQuantile(0.95, p.DF), lookup(t, tree, "published", "crit_one_sided_05"))
	// The page computed its interval from the data, these are rounded summaries.
	agree(t, "low", 1e-6, p.Interval.Low, parse(t, lookup(t, tree, "published", "ci95", 0)))
	agree(t, "high", 1e-6, p.Interval.High, parse(t, lookup(t, tree, "published", "ci95", 1)))
	w := Welch(b, a, 0.95)
	agree(t, "Welch t", 1e-9, w.T, lookup(t, tree, "R", "t_welch").(float64))
	agree(t, "Welch df", 1e-9, w.DF, lookup(t, tree, "R", "df_welch").(float64))
}

// Check 8. R 4.2.2 sources, example(t.test): Student's sleep data and 1:10 against
// 7:20 (opened).
func TestWelchPublished(t *testing.T) {
	tree := readCheck(t, "rcore.json")
	a, b := lookupFloats(t, tree, "sleep", "group1"), lookupFloats(t, tree, "sleep", "group2")
	w := Welch(Summarize(b), Summarize(a), 0.95)
	for key, got := range map[string]float64{"t": w.T, "df": w.DF, "p": w.P} {
		printed(t, "sleep "+key, got, lookup(t, tree, "sleep", "published", "welch", key))
		agree(t, "sleep "+key, 1e-9, got, lookup(t, tree, "sleep", "R", "welch", key).(float64))
	}
	printed(t, "low", w.Interval.Low, lookup(t, tree, "sleep", "published", "welch", "ci95", 0))
	printed(t, "high", w.Interval.High, lookup(t, tree, "sleep", "published", "welch", "ci95", 1))
	p := Paired(b, a, 0.95)
	for key, got := range map[string]float64{"t": p.T, "df": p.DF, "p": p.P} {
		printed(t, "sleep paired "+key, got, lookup(t, tree, "sleep", "published", "paired", key))
	}
	printed(t, "low", p.Interval.Low, lookup(t, tree, "sleep", "published", "paired", "ci95", 0))
	printed(t, "high", p.Interval.High, lookup(t, tree, "sleep", "published", "paired", "ci95", 1))
	var x, y []float64
	for i := 1; i <= 20; i++ {
		if i <= 10 {
			x = append(x, float64(i))
		}
		if i >= 7 {
			y = append(y, float64(i))
		}
	}
	w = Welch(Summarize(y), Summarize(x), 0.95)
	for key, got := range map[string]float64{"t": w.T, "df": w.DF, "p": w.P} {
		printed(t, "integers "+key, got, lookup(t, tree, "welch_integers", "published", key))
		agree(t, "integers "+key, 1e-9, got, lookup(t, tree, "welch_integers", "R", key).(float64))
	}
	printed(t, "low", w.Interval.Low, lookup(t, tree, "welch_integers", "published", "ci95", 0))
	printed(t, "high", w.Interval.High, lookup(t, tree, "welch_integers", "published", "ci95", 1))
}

// Checks 17 and 18. Lakens (2017) example 2 (public copy), and an analysis
// script with a printed result (opened, not a publication).
func TestTOSTPublished(t *testing.T) {
	for k, set := range lookup(t, readCheck(t, "published.json"), "tost").([]any) {
		in := func(key string) float64 { return lookup(t, set, "input", key).(float64) }
		a, b := Summary{int(in("n1")), in("m1"), in("sd1")}, Summary{int(in("n2")), in("m2"), in("sd2")}
		equal := lookup(t, set, "input", "equal_var").(bool)
		test, bound, side := Welch(b, a, 0.95), 0.0, "R"
		if equal {
			test, bound, side = Pooled(b, a, 0.95), 0.43*PooledSD(a, b), "R_unrounded_bound"
		} else {
			bound = 0.3 * math.Sqrt((a.SD*a.SD+b.SD*b.SD)/2)
		}
		e := test.TOST(-bound, bound, 0.05)
		r := lookup(t, set, side)
		for key, got := range map[string]float64{"bound": bound, "df": test.DF, "t_lower": e.TLower, "p_lower": e.PLower, "t_upper": e.TUpper, "p_upper": e.PUpper} {
			agree(t, key, 1e-9, got, lookup(t, r, key).(float64))
		}
		agree(t, "low", 1e-9, e.Interval.Low, lookup(t, r, "ci90", 0).(float64))
		agree(t, "high", 1e-9, e.Interval.High, lookup(t, r, "ci90", 1).(float64))
		printed(t, "df", test.DF, lookup(t, set, "published", "df"))
		printed(t, "p", e.P, lookup(t, set, "published", "p"))
		if k == 0 {
			printed(t, "t", e.TUpper, lookup(t, set, "published", "t_upper"))
			rounded := test.TOST(in("low"), in("high"), 0.05)
			agree(t, "p, rounded bound", 1e-9, rounded.P, lookup(t, set, "R", "p_upper").(float64))
		} else {
			agree(t, "t", 3e-4, e.TLower, parse(t, lookup(t, set, "published", "t"))) // printed from rounded bounds
			printed(t, "bound", bound, lookup(t, set, "published", "bounds_raw"))
		}
		if want := lookup(t, set, "published", "equivalent").(bool); e.Equivalent != want {
			t.Errorf("set %d: equivalent %v, published %v", k, e.Equivalent, want)
		}
	}
}

// At a spread below 1 % the interval on the raw scale agrees with the one on logs.
func TestFiellerAgreesWithWelchOnLogs(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for range 100 {
		x, y := normalRuns(rng, 5, 144, 0.004), normalRuns(rng, 6, 152, 0.004)
		c, f := Compare(x, y, CompareOptions{}), FiellerRatio(Summarize(x), Summarize(y), 0.95)
		if math.Abs(c.Interval.Low-f.Interval.Low) > 2e-4 || math.Abs(c.Interval.High-f.Interval.High) > 2e-4 {
			t.Errorf("logs %.5f..%.5f, raw %.5f..%.5f", c.Interval.Low, c.Interval.High, f.Interval.Low, f.Interval.High)
		}
	}
}

// normalRuns makes n values whose logs scatter with the given sd around log(mid).
func normalRuns(rng *rand.Rand, n int, mid, sd float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = mid * math.Exp(sd*rng.NormFloat64())
	}
	return out
}

func TestVerdicts(t *testing.T) {
	base := []float64{100, 100.2, 99.8, 100.1, 99.9}
	scale := func(f float64) []float64 {
		out := make([]float64, len(base))
		for i, v := range base {
			out[i] = f * v
		}
		return out
	}
	for _, c := range []struct {
		name    string
		against []float64
		verdict Verdict
		notes   []Note
	}{
		{"same", scale(1), NoPracticalDifference, nil},
		{"0.5 % apart, sharply seen", scale(1.005), NoPracticalDifference, []Note{SmallDifferenceDetected}},
		{"5 % apart", scale(1.05), Different, []Note{AtLeastMargin}},
		{"5 % behind", scale(1 / 1.05), Different, []Note{AtLeastMargin}},
		{"1.1 % apart", scale(1.011), Different, nil},
		{"1.1 % behind", scale(1 / 1.011), Different, nil},
		{"noisy", []float64{97, 103, 99, 101, 100}, NotResolved, nil},
	} {
		got := Compare(base, c.against, CompareOptions{Unit: "frames/s"})
		if got.Verdict != c.verdict || len(got.Notes) != len(c.notes) || len(c.notes) > 0 && got.Notes[0] != c.notes[0] {
			t.Errorf("%s: %s %v, want %s %v (ratio %.4f, %.4f..%.4f)", c.name, got.Verdict, got.Notes, c.verdict, c.notes,
				got.Ratio.Value, got.Interval.Low, got.Interval.High)
		}
		if got.Verdict == NotResolved && !(got.RepeatsNeeded.Value > 5) {
			t.Errorf("%s: %v repeats needed, with 5 run", c.name, got.RepeatsNeeded)
		}
	}
}

// A over B and B over A agree exactly, and so do times and rates.
func TestComparisonIsSymmetric(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	a, b := normalRuns(rng, 4, 60, 0.02), normalRuns(rng, 7, 61, 0.01)
	there, back := Compare(a, b, CompareOptions{}), Compare(b, a, CompareOptions{})
	agree(t, "p", 1e-12, back.Test.P, there.Test.P)
	agree(t, "ratio", 1e-12, back.Ratio.Value, 1/there.Ratio.Value)
	agree(t, "low", 1e-12, back.Interval.Low, 1/there.Interval.High)
	inverse := func(x []float64) []float64 {
		out := make([]float64, len(x))
		for i, v := range x {
			out[i] = 1 / v
		}
		return out
	}
	times := Compare(inverse(a), inverse(b), CompareOptions{Direction: LowerBetter}).Inverted()
	agree(t, "ratio", 1e-12, times.Ratio.Value, there.Ratio.Value)
	agree(t, "low", 1e-12, times.Interval.Low, there.Interval.Low)
	agree(t, "high", 1e-12, times.Interval.High, there.Interval.High)
	agree(t, "t", 1e-9, times.Test.T, there.Test.T)
	agree(t, "equivalence", 1e-9, times.Equivalence.P, there.Equivalence.P)
	if times.Direction != HigherBetter || times.Verdict != there.Verdict {
		t.Errorf("%s %s", times.Direction, times.Verdict)
	}
}

func TestComparisonRefusals(t *testing.T) {
	one := Compare([]float64{100}, []float64{103}, CompareOptions{})
	if one.Status != Refused || !one.Has(SingleRun) || one.Interval != nil || one.Test != nil || one.Verdict != NoVerdict {
		t.Errorf("one run a side: %+v", one)
	}
	if !one.Ratio.Usable() || !one.Ratio.Has(SingleRun) || math.Abs(one.Ratio.Value-1.03) > 1e-12 {
		t.Errorf("one run a side: ratio %+v", one.Ratio)
	}
	if !(one.RepeatsNeeded.Value >= 2) || !one.RepeatsNeeded.Has(SpreadUnknown) {
		t.Errorf("one run a side: repeats %+v", one.RepeatsNeeded)
	}
	known := Compare([]float64{100}, []float64{103}, CompareOptions{HistorySD: 0.005})
	if known.RepeatsNeeded.Value != 7 {
		t.Errorf("with a history of 0.5 %%: %v repeats, want 7", known.RepeatsNeeded.Value)
	}
	flat := Compare([]float64{100, 100, 100}, []float64{101, 101}, CompareOptions{Resolution: 1})
	if flat.Status != Refused || !flat.Has(NoVariation) || flat.Interval != nil || flat.Verdict != NoVerdict {
		t.Errorf("rounded scores: %+v", flat)
	}
	agree(t, "type B", 1e-12, flat.ResolutionU.Value, math.Hypot(1/math.Sqrt(12)/100, 1/math.Sqrt(12)/101))
	for name, c := range map[string]Comparison{
		"zero":          Compare([]float64{1, 0}, []float64{1, 2}, CompareOptions{}),
		"none":          Compare(nil, []float64{1, 2}, CompareOptions{}),
		"infinite":      Compare([]float64{1, math.Inf(1)}, []float64{1, 2}, CompareOptions{}),
		"uneven pairs":  Compare([]float64{1, 2}, []float64{1, 2, 3}, CompareOptions{Paired: true}),
		"no such alpha": Compare([]float64{1, 2}, []float64{1, 2}, CompareOptions{Alpha: 0.7}),
	} {
		if c.Status != Refused || c.Ratio.Usable() || c.Verdict != NoVerdict || c.RepeatsNeeded.Usable() {
			t.Errorf("%s: %+v", name, c)
		}
	}
	order := Compare([]float64{100, 101, 102}, []float64{103, 104, 105}, CompareOptions{OrderBase: []int{0, 1, 2}, OrderOther: []int{3, 4, 5}})
	if order.Status != Flagged || !order.Has(OrderConfound) || !order.Ratio.Has(OrderConfound) {
		t.Errorf("order: %+v", order.Grade)
	}
	// One side rounded flat: the other side's spread carries the interval.
	half := Compare([]float64{100, 100, 100}, []float64{101, 102, 103}, CompareOptions{})
	if !half.Usable() || math.Abs(half.Test.DF-2) > 1e-9 {
		t.Errorf("one flat side: %+v", half.Test)
	}
}

func TestTwoRunsGiveAHugeInterval(t *testing.T) {
	c := Compare([]float64{100, 101}, []float64{100.5, 101.5}, CompareOptions{})
	if c.Interval == nil || c.Interval.High-c.Interval.Low < 0.05 || c.Verdict != NotResolved {
		t.Errorf("%+v %s", c.Interval, c.Verdict)
	}
}

func TestPairedUsesThePairs(t *testing.T) {
	rng := rand.New(rand.NewPCG(51, 52))
	var a, b []float64
	for range 8 {
		session := math.Exp(0.05 * rng.NormFloat64())
		a = append(a, 100*session*math.Exp(0.002*rng.NormFloat64()))
		b = append(b, 102*session*math.Exp(0.002*rng.NormFloat64()))
	}
	paired, apart := Compare(a, b, CompareOptions{Paired: true}), Compare(a, b, CompareOptions{})
	if paired.Ratio.Method != "ratio.paired_log" || paired.Verdict != Different || apart.Verdict != NotResolved {
		t.Errorf("paired %s, unpaired %s", paired.Verdict, apart.Verdict)
	}
	if !(paired.Resolvable.Value < apart.Resolvable.Value/5) {
		t.Errorf("resolvable %v paired, %v unpaired", paired.Resolvable.Value, apart.Resolvable.Value)
	}
}

// The minimum resolvable difference is what the plan resolves with these repeats.
func TestMinimumResolvableIsConsistent(t *testing.T) {
	for _, n := range []int{3, 5, 10} {
		m := MinimumResolvable(0.01, n, n, PlanOptions{})
		p := PowerT(float64(n), math.Log1p(m.Value), 0.01, 0.05, true)
		if p < 0.86 || p > 0.96 {
			t.Errorf("n = %d: power %.3f at the minimum resolvable difference of %.4f", n, p, m.Value)
		}
	}
}

// Simulated comparisons with known truth, fixed seed.
func TestComparisonErrorRates(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 62))
	trials := 1500
	if testing.Short() {
		trials = 500
	}
	covered, wrongDifferent, wrongEqual := 0, 0, 0
	for i := range trials {
		n, m := 3+i%5, 3+i%3
		truth := math.Exp(0.03 * rng.NormFloat64())
		if c := Compare(normalRuns(rng, n, 100, 0.006), normalRuns(rng, m, 100*truth, 0.012), CompareOptions{}); c.Interval.Contains(truth) {
			covered++
		}
		if c := Compare(normalRuns(rng, n, 100, 0.006), normalRuns(rng, m, 100, 0.006), CompareOptions{}); c.Verdict == Different {
			wrongDifferent++
		}
		if c := Compare(normalRuns(rng, n, 100, 0.003), normalRuns(rng, m, 101, 0.003), CompareOptions{}); c.Verdict == NoPracticalDifference {
			wrongEqual++
		}
	}
	share := func(k int) float64 { return float64(k) / float64(trials) }
	if s := share(covered); s < 0.93 || s > 0.97 {
		t.Errorf("95 %% intervals cover %.1f %%", 100*s)
	}
	if s := share(wrongDifferent); s > 0.06 {
		t.Errorf("without a difference %.1f %% are called different", 100*s)
	}
	if s := share(wrongEqual); s > 0.06 {
		t.Errorf("at the margin %.1f %% are called equal in practice", 100*s)
	}
	t.Logf("%d trials: cover %.1f %%, wrongly different %.1f %%, wrongly equal %.1f %%", trials, 100*share(covered), 100*share(wrongDifferent), 100*share(wrongEqual))
}
