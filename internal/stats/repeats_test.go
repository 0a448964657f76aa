package stats

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// outliers of reference.json: R 4.2.2 (opened).
func checkOutliers(t *testing.T, ref *reference) {
	x := group(606, 144000, 300, 15)
	x[3] -= 6000
	x[10] -= 4500
	ref.list(t, 0, 0, x, "outliers", "O")
	steps, count := GESD(x, 4, 0.05)
	ref.exact(t, float64(count), "outliers", "gesd", "n_outliers")
	for i, s := range steps {
		at := func(tol, got float64, key string) { ref.near(t, tol, got, "outliers", "gesd", "steps", i, key) }
		at(0, float64(i+1), "i")
		at(0, float64(s.Index), "index0")
		at(0, s.Value, "value")
		at(1e-11, s.R, "R")
		at(1e-11, s.Lambda, "lambda")
	}
	g, _, critical := Grubbs(x, 0.05, true)
	ref.near(t, 1e-11, g, "outliers", "grubbs", "G")
	ref.near(t, 1e-11, critical, "outliers", "grubbs", "crit_two_sided_05")
	ref.exact(t, Median(x), "outliers", "median")
	ref.exact(t, MAD(x), "outliers", "mad_raw")
	ref.list(t, 1e-12, 0, ModifiedZ(x), "outliers", "modified_z")
	if o := FindOutliers(logs(x), OutlierOptions{}); o.Method != "outlier.gesd" || !slices.Equal(o.Indices, []int{3, 10}) {
		t.Errorf("%s found %v", o.Method, o.Indices)
	}
}

// warmup of reference.json: R 4.2.2 (opened).
func checkWarmup(t *testing.T, ref *reference) {
	x := group(707, 144000, 250, 30)
	for i, d := range []float64{9000, 4500, 2200, 1100} {
		x[i] -= d
	}
	ref.list(t, 0, 0, x, "warmup", "series")
	w := FindWarmup(x)
	ref.list(t, 1e-11, 0, w.MSER, "warmup", "mser")
	ref.exact(t, float64(w.Truncate), "warmup", "truncate")
	if w.Status != OK {
		t.Errorf("%s %q", w.Status, w.Reason)
	}
}

func TestWarmupRefusals(t *testing.T) {
	if w := FindWarmup([]float64{1, 2, 3}); !w.Has(TooFewValues) {
		t.Errorf("three repeats: %+v", w)
	}
	var rising []float64
	for i := range 20 {
		rising = append(rising, float64(i))
	}
	if w := FindWarmup(rising); w.Status != Refused || !w.Has(NeverSettled) {
		t.Errorf("steady rise: %+v", w)
	}
}

// power of reference.json: R 4.2.2 power.t.test and integrate (opened).
func checkPower(t *testing.T, ref *reference) {
	for i, v := range lookup(t, ref.tree, "power", "two_sided_t_alpha05_power90").([]any) {
		path := []any{"power", "two_sided_t_alpha05_power90", i}
		cv, diff := lookup(t, v, "cv").(float64), lookup(t, v, "diff").(float64)
		n := RepeatsToDetect(cv, diff, PlanOptions{})
		ref.number(t, 0, n, append(path, "n_per_group")...)
		ref.exact(t, n.Params[0].Value, append(path, "cv")...)
		ref.exact(t, n.Params[1].Value, append(path, "diff")...)
	}
	for i, v := range lookup(t, ref.tree, "power", "tost_alpha05_power90_true_diff0").([]any) {
		path := []any{"power", "tost_alpha05_power90_true_diff0", i}
		cv, margin := lookup(t, v, "cv").(float64), lookup(t, v, "margin").(float64)
		n := RepeatsForEquivalence(cv, margin, 0, PlanOptions{})
		ref.number(t, 0, n, append(path, "n_per_group")...)
		ref.exact(t, n.Params[0].Value, append(path, "cv")...)
		ref.exact(t, n.Params[1].Value, append(path, "margin")...)
	}
}

// Check 24. R 4.2.2 sources, example(power.t.test) (opened).
func TestPowerPublished(t *testing.T) {
	tree := lookup(t, readCheck(t, "rcore.json"), "power_t")
	p := PowerT(20, 1, 1, 0.05, true)
	printed(t, "power", p, lookup(t, tree, "published", "n20_delta1_sd1_alpha05_power"))
	agree(t, "power", 1e-9, p, lookup(t, tree, "R", "power").(float64))
	n := lookup(t, tree, "R", "n").(float64)
	agree(t, "power at R's n", 1e-5, PowerT(n, 1, 1, 0.05, true), 0.9)
	for _, c := range []struct {
		key  string
		both bool
	}{{"power90_delta1_n", true}, {"power90_delta1_one_sided_n", false}} {
		// R searches n to a tolerance of 1.2e-4, so its last printed digit is not exact.
		agree(t, c.key, 1e-5, solveN(0.9, 1, 1, 0.05, c.both), parse(t, lookup(t, tree, "published", c.key)))
	}
}

// solveN finds the fractional n of a given power by bisection.
func solveN(power, delta, sd, alpha float64, both bool) float64 {
	low, high := 2.0, 1000.0
	for range 60 {
		if mid := (low + high) / 2; PowerT(mid, delta, sd, alpha, both) < power {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// The integral against the series of Algorithm AS 243 in the distribution library
// (opened).
func TestPowerAgreesWithSeries(t *testing.T) {
	for _, n := range []float64{2, 3, 5, 20, 200} {
		for _, delta := range []float64{0.1, 0.5, 1, 2} {
			shift := delta * math.Sqrt(n/2)
			if shift > 15 {
				continue
			}
			df := 2 * (n - 1)
			want := 1 - distuv.NoncentralT{Nu: df, Mu: shift}.CDF(tQuantile(0.975, df))
			if got := PowerT(n, delta, 1, 0.05, true); math.Abs(got-want) > 1e-8 {
				t.Errorf("n %v, delta %v: %.10f by integration, %.10f by series", n, delta, got, want)
			}
		}
	}
}

// Half-widths in units of the spread, and the t table they rest on: R 4.2.2.
func TestTQuantiles(t *testing.T) {
	tree := lookup(t, readCheck(t, "published.json"), "tcritical", "R")
	agree(t, "t .975, 4", 1e-12, tQuantile(0.975, 4), lookup(t, tree, "t975_4").(float64))
	agree(t, "t .975, 9", 1e-12, tQuantile(0.975, 9), lookup(t, tree, "t975_9").(float64))
	agree(t, "t .95, 4", 1e-12, tQuantile(0.95, 4), lookup(t, tree, "t95_4").(float64))
	for n, want := range map[int]string{2: "4.30", 3: "2.27", 4: "1.73", 5: "1.46", 6: "1.29", 8: "1.07", 10: "0.94", 20: "0.64"} {
		printed(t, fmt.Sprint("half-width at n = ", n), tQuantile(0.975, float64(2*n-2))*math.Sqrt(2/float64(n)), want)
	}
}

// Check 5. e-Handbook 1.3.5.17.1, uranium data of Tietjen & Moore (public copy).
func TestGrubbsHandbook(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "grubbs")
	x := lookupFloats(t, tree, "data")
	g, at, critical := Grubbs(x, 0.05, false)
	if math.Trunc(g*1e4)/1e4 != 2.4687 { // the page truncates
		t.Errorf("G = %v, published 2.4687 truncated", g)
	}
	agree(t, "G", 1e-9, g, lookup(t, tree, "R", "G").(float64))
	agree(t, "critical", 1e-9, critical, lookup(t, tree, "R", "critical_upper_one_sided_05").(float64))
	printed(t, "critical", critical, lookup(t, tree, "published", "critical_upper_one_sided_05"))
	_, _, both := Grubbs(x, 0.05, true)
	agree(t, "critical, both sides", 1e-9, both, lookup(t, tree, "R", "critical_two_sided_05").(float64))
	if at != 7 {
		t.Errorf("the outlier is value %d, want 7", at)
	}
	if o := FindOutliers(x, OutlierOptions{}); o.Method != "outlier.grubbs" || !slices.Equal(o.Indices, []int{7}) {
		t.Errorf("%s found %v", o.Method, o.Indices)
	}
}

// Check 6. e-Handbook 1.3.5.17.3, 54 values of Rosner (1983) (public copy; the
// page truncates to three decimals).
func TestGESDHandbook(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "gesd")
	steps, count := GESD(lookupFloats(t, tree, "data"), 10, 0.05)
	if want := int(lookup(t, tree, "published", "n_outliers").(float64)); count != want || len(steps) != 10 {
		t.Fatalf("%d outliers in %d steps, published %d in 10", count, len(steps), want)
	}
	for i, s := range steps {
		for key, got := range map[string]float64{"R": s.R, "lambda": s.Lambda} {
			if want := parse(t, lookup(t, tree, "published", key, i)); math.Abs(got-want) > 1e-3 {
				t.Errorf("step %d: %s = %v, published %v", i+1, key, got, want)
			}
			agree(t, key, 1e-9, got, lookup(t, tree, "R", key, i).(float64))
		}
	}
}

// Check 25. R 4.2.2 sources, example(mad) (opened).
func TestMADPublished(t *testing.T) {
	cases := lookup(t, readCheck(t, "rcore.json"), "mad", "cases").([]any)
	for _, c := range cases {
		m := c.(map[string]any)
		x := lookupFloats(t, c, "x")
		ordered := ascendingFloats(deviations(x))
		for key, v := range m {
			switch key {
			case "mad_scaled":
				printed(t, key, 1.4826*MAD(x), v)
			case "mad_raw":
				agree(t, key, 1e-12, MAD(x), parse(t, v))
			case "mad_low":
				agree(t, key, 1e-12, ordered[(len(x)-1)/2], parse(t, v))
			case "mad_high":
				agree(t, key, 1e-12, ordered[len(x)/2], parse(t, v))
			}
		}
	}
}

// For n = 3 the statistic can never exceed 1.1547: no test has power there.
func TestFewValuesHaveNoOutliers(t *testing.T) {
	if o := FindOutliers([]float64{1, 1.01, 9}, OutlierOptions{}); o.Status != Refused || len(o.Indices) != 0 {
		t.Errorf("three values: %+v", o)
	}
	o := FindOutliers([]float64{1, 1.01, 9}, OutlierOptions{HistorySD: 0.02, HistoryDF: 20})
	if o.Method != "outlier.history" || !slices.Equal(o.Indices, []int{2}) {
		t.Errorf("with a history: %+v", o)
	}
	o = FindOutliers([]float64{1, 1.01, 0.99, 1.005, 9}, OutlierOptions{HistorySD: 0.02, HistoryDF: 19})
	if o.Method != "outlier.modified_z" || !o.Has(WeakEvidence) || !slices.Equal(o.Indices, []int{4}) {
		t.Errorf("with too short a history: %+v", o)
	}
	if o := FindOutliers([]float64{1, 1, 1, 1, 9}, OutlierOptions{}); o.Usable() {
		t.Errorf("MAD of 0: %+v", o)
	}
	g, _, _ := Grubbs([]float64{0, 0, 1}, 0.05, true)
	agree(t, "largest G of three", 1e-12, g, 2/math.Sqrt(3))
}

// False alarms of both tests under normal values stay at their level.
func TestOutlierFalseAlarms(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	for _, n := range []int{8, 25} {
		alarms := 0
		for range 1000 {
			x := make([]float64, n)
			for i := range x {
				x[i] = rng.NormFloat64()
			}
			if len(FindOutliers(x, OutlierOptions{}).Indices) > 0 {
				alarms++
			}
		}
		if alarms < 20 || alarms > 85 {
			t.Errorf("n = %d: %d false alarms in 1000 at 5 %%", n, alarms)
		}
	}
}

// Check 22. JCGM 100:2008 H.5, 10 days of 5 readings (memory, arithmetic ok).
func TestBetweenSessionsGUM(t *testing.T) {
	tree := lookup(t, readCheck(t, "published.json"), "gum_h5")
	in := func(key string) float64 { return lookup(t, tree, "input", key).(float64) }
	s := BetweenSessionsSummary(int(in("days")), int(in("readings")), 0, in("s_of_daily_means_uV"), in("pooled_within_uV"), 0.05)
	printed(t, "F", s.F, lookup(t, tree, "published", "F"))
	printed(t, "u", s.UFromMeans, lookup(t, tree, "published", "u_uV"))
	printed(t, "u from all readings", s.UFromRepeats, lookup(t, tree, "published", "u_if_no_day_effect_uV"))
	// The Guide multiplies before it rounds the 57.
	agree(t, "s_a of the readings", 0.01, in("s_of_daily_means_uV")*math.Sqrt(in("readings")), parse(t, lookup(t, tree, "published", "sa_uV")))
	agree(t, "s_a of the readings", 1e-12, in("s_of_daily_means_uV")*math.Sqrt(in("readings")), lookup(t, tree, "R", "sa").(float64))
	agree(t, "F", 1e-12, s.F, lookup(t, tree, "R", "F").(float64))
	agree(t, "u", 1e-12, s.UFromMeans, lookup(t, tree, "R", "u").(float64))
	agree(t, "u from all readings", 1e-12, s.UFromRepeats, lookup(t, tree, "R", "u_pooled").(float64))
	for key, p := range map[string]float64{"F95": 0.05, "F975": 0.025} {
		agree(t, "P(F > "+key+")", 1e-9, fAbove(lookup(t, tree, "R", key).(float64), 9, 40), p)
	}
	if !s.Significant || s.U != s.UFromMeans || !s.Has(SessionSpread) {
		t.Errorf("F = 2.25 is above the 5 %% point: %+v", s)
	}
}

func TestBetweenSessionsDecides(t *testing.T) {
	alike := [][]float64{{1, 2, 3}, {1.1, 2, 3}, {1, 2, 3.1}, {1, 2.1, 3}, {1, 2, 3}}
	if s := BetweenSessions(alike, 0); s.Significant || s.U != s.UFromRepeats || s.Status != OK {
		t.Errorf("alike: %+v", s)
	}
	apart := [][]float64{{1, 1.1, 0.9}, {2, 2.1, 1.9, 2.2}, {3, 3.1, 2.9}}
	if s := BetweenSessions(apart, 0); !s.Significant || s.U != s.UFromMeans || s.N != 10 {
		t.Errorf("apart, of different sizes: %+v", s)
	}
	// Three sessions give the test no power: a spread above chance rules.
	doubtful := [][]float64{{1, 2, 3}, {2, 3, 4}, {2.5, 3.5, 4.5}}
	if s := BetweenSessions(doubtful, 0); s.Significant || s.F <= 1 || s.U != s.UFromMeans {
		t.Errorf("doubtful: %+v", s)
	}
	if s := BetweenSessions([][]float64{{1, 2, 3}}, 0); !s.Has(OneSession) || s.U != s.UFromRepeats {
		t.Errorf("one session: %+v", s)
	}
	if s := BetweenSessions([][]float64{{1}, {2}, {4}}, 0); s.Status != OK || math.Abs(s.U-s.UFromMeans) > 0 {
		t.Errorf("one repeat a session: %+v", s)
	}
	if s := BetweenSessions([][]float64{{1, 2}, {}}, 0); s.Status != Refused {
		t.Errorf("empty session: %+v", s)
	}
}

func TestRepeatsSummary(t *testing.T) {
	r := DescribeRepeats([]float64{100, 110, 121}, "frames/s")
	agree(t, "geometric mean", 1e-12, r.GeoMean.Value, 110)
	agree(t, "CV", 1e-12, r.CV.Value, 100*math.Log(1.1))
	if r := DescribeRepeats([]float64{5}, "s"); r.CV.Usable() || !r.Has(SingleRun) || r.GeoMean.Value != 5 {
		t.Errorf("one run: %+v", r)
	}
	if r := DescribeRepeats([]float64{5, 5}, "s"); !r.Has(NoVariation) {
		t.Errorf("equal: %+v", r)
	}
	if r := DescribeRepeats([]float64{5, 0}, "s"); r.Usable() || r.GeoMean.Usable() {
		t.Errorf("zero: %+v", r)
	}
	if !OrderConfounded([]int{0, 1, 2}, []int{3, 4}) || OrderConfounded([]int{0, 3}, []int{1, 2}) || OrderConfounded(nil, nil) {
		t.Error("order")
	}
}
