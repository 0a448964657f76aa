package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// drift of reference.json: R 4.2.2 (opened).
func checkDrift(t *testing.T, ref *reference) {
	x := group(808, 144000, 250, 40)
	for i := 20; i < 40; i++ {
		x[i] -= 350
	}
	ref.list(t, 0, 0, x, "drift", "series")
	c := DrawChart(x, 20, ChartOptions{})
	ref.exact(t, float64(c.Baseline.N), "drift", "phase1_n")
	ref.near(t, 1e-13, c.Baseline.Mean, "drift", "mean")
	ref.near(t, 1e-12, c.Baseline.MRBar, "drift", "mr_bar")
	ref.near(t, 1e-12, c.Baseline.Sigma, "drift", "sigma")
	// z is a small difference of numbers near 144000: R prints 15 digits of it.
	ref.list(t, 1e-12, 1e-12, c.Z, "drift", "z")
	ref.list(t, 1e-12, 1e-12, c.EWMA, "drift", "ewma")
	ref.list(t, 1e-12, 0, c.EWMALimit, "drift", "ewma_limit")
	ref.list(t, 1e-12, 1e-11, c.CUSUMHigh, "drift", "cusum_hi")
	ref.list(t, 1e-12, 1e-11, c.CUSUMLow, "drift", "cusum_lo")
	ref.exact(t, float64(c.Shewhart[0]), "drift", "shewhart_first_signal0")
	ref.exact(t, float64(c.CUSUM[0]), "drift", "cusum_first_signal0")
	ref.exact(t, float64(c.EWMASignal[0]), "drift", "ewma_first_signal0")
	if c.Status != Flagged || !c.Has(ShortBaseline) {
		t.Errorf("a baseline of 20 points: %s %q", c.Status, c.Reason)
	}
	if f := c.FalseAlarm.Value; math.Abs(f-206) > 0.5 {
		t.Errorf("points between false alarms %v, want 206", f)
	}
}

// changepoint of reference.json: R 4.2.2 (opened).
func checkChangepoint(t *testing.T, ref *reference) {
	x := group(909, 144000, 250, 60)
	for i := 20; i < 60; i++ {
		x[i] -= 900
		if i >= 41 {
			x[i] += 1500
		}
	}
	ref.list(t, 0, 0, x, "changepoint", "series")
	for _, least := range []int{1, 3} {
		c := FindChanges(x, ChangeOptions{MinSegment: least})
		ref.near(t, 1e-12, c.Sigma, "changepoint", "sigma_from_diff_mad")
		ref.near(t, 1e-12, c.Penalty, "changepoint", "penalty")
		ref.near(t, 1e-9, c.Cost, "changepoint", "optimal_partition", "cost")
		var last []float64
		for _, s := range c.Starts {
			last = append(last, float64(s)) // the 1-based index of the last point before
		}
		ref.list(t, 0, 0, last, "changepoint", "optimal_partition", "changepoints_last_index1")
		if c.Status != OK || len(c.Means) != 3 {
			t.Errorf("%s %q, %d segments", c.Status, c.Reason, len(c.Means))
		}
	}
	at, width := CumulativeRange(x)
	ref.exact(t, float64(at), "changepoint", "cusum_max_index1")
	ref.near(t, 1e-11, width, "changepoint", "cusum_range")
	nile := lookupFloats(t, readCheck(t, "rcore.json"), "nile", "data")
	s := BestSplit(nile)
	n := func(got float64, key string) { ref.near(t, 1e-12, got, "changepoint", "nile", key) }
	n(s.RSS0, "rss0")
	n(s.RSS1, "rss1")
	n(float64(s.Start), "single_best_last_index1")
	n(s.MeanBefore, "mean_before")
	n(s.MeanAfter, "mean_after")
	at, _ = CumulativeRange(nile)
	n(float64(at), "cusum_max_index1")
}

// Check 23. R datasets::Nile, change at 1898: Cobb (1978) Biometrika 65:243-251
// (data opened, breakpoint by r-cran-strucchange).
func TestNileChanges(t *testing.T) {
	tree := lookup(t, readCheck(t, "rcore.json"), "nile")
	x := lookupFloats(t, tree, "data")
	want := int(lookup(t, tree, "published", "breakpoint_last_obs_1based").(float64))
	if s := BestSplit(x); s.Start != want {
		t.Errorf("last point before the change %d, published %d", s.Start, want)
	}
	agree(t, "r1", 1e-12, Autocorrelation(x, 1), lookup(t, tree, "R", "acf1").(float64))
	if c := FindChanges(x, ChangeOptions{}); !slices.Equal(c.Starts, []int{want}) || c.Status != OK {
		t.Errorf("%+v", c)
	}
	if p := ChangeConfidence(x, 1000, 1); p.Value != 1 {
		t.Errorf("share of reorderings below %v, want 1", p.Value)
	}
}

// Check 12. e-Handbook 6.3.2.2, flow rate (public copy).
func TestIndividualsHandbook(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "individuals")
	b := NewBaseline(lookupFloats(t, tree, "data"))
	low, high := b.Limits(3)
	for key, got := range map[string]float64{"centre": b.Mean, "mr_bar": b.MRBar, "ucl": high, "lcl": low} {
		if key == "ucl" || key == "lcl" { // the page rounds the moving range before it multiplies
			agree(t, key, 1e-4, got, parse(t, lookup(t, tree, "published", key)))
		} else {
			printed(t, key, got, lookup(t, tree, "published", key))
		}
		agree(t, key, 1e-12, got, lookup(t, tree, "R", key).(float64))
	}
	if !b.Has(Provisional) {
		t.Errorf("10 points: %q", b.Reason)
	}
}

// Check 13. e-Handbook 6.3.2.4 (public copy; four agree).
func TestEWMAHandbook(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "ewma")
	x := lookupFloats(t, tree, "data")
	start, sigma, lambda := lookup(t, tree, "start").(float64), lookup(t, tree, "sigma").(float64), lookup(t, tree, "lambda").(float64)
	z := Baseline{Mean: start, Sigma: sigma}.Standardise(x)
	limit := EWMALimit(1000, lambda, 3)
	for i, e := range EWMA(z, lambda) {
		got := start + sigma*e
		printed(t, "EWMA", got, lookup(t, tree, "published", "ewma", i))
		agree(t, "EWMA", 1e-12, got, lookup(t, tree, "R", "ewma", i).(float64))
		if math.Abs(e) > limit {
			t.Errorf("point %d is out of control, published none", i)
		}
	}
	for key, got := range map[string]float64{"ucl": start + sigma*limit, "lcl": start - sigma*limit} {
		if want := parse(t, lookup(t, tree, "published", key)); math.Abs(got-want) > 1e-3 {
			t.Errorf("%s = %v, published %v", key, got, want)
		}
		agree(t, key, 1e-12, got, lookup(t, tree, "R", key).(float64))
	}
}

// Check 14. e-Handbook 6.3.2.3 (public copy; three agree).
func TestCUSUMHandbook(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "cusum")
	target, k, h := lookup(t, tree, "target").(float64), lookup(t, tree, "k").(float64), lookup(t, tree, "h").(float64)
	z := Baseline{Mean: target, Sigma: 1}.Standardise(lookupFloats(t, tree, "data"))
	high, low := CUSUM(z, k)
	first := 0
	for i := range z {
		for key, got := range map[string]float64{"s_hi": high[i], "s_lo": low[i]} {
			// The page truncates or rounds the half at the third decimal, both occur.
			if want := parse(t, lookup(t, tree, "published", key, i)); math.Abs(got-want) > 0.0051 {
				t.Errorf("%s %d = %v, published %v", key, i, got, want)
			}
			if want := lookup(t, tree, "R", key, i).(float64); math.Abs(got-want) > 1e-10 {
				t.Errorf("%s %d = %v, R %v", key, i, got, want)
			}
		}
		if first == 0 && (high[i] > h || low[i] > h) {
			first = i + 1
		}
	}
	if want := int(lookup(t, tree, "published", "first_signal_observation_1based").(float64)); first != want {
		t.Errorf("first signal at observation %d, published %d", first, want)
	}
}

// Check 15. Lucas & Crosier (1982), Brook & Evans (1972), Lucas & Saccucci (1990),
// Crowder (1987) (public copy), recomputed from the integral equations.
func TestRunLengthsPublished(t *testing.T) {
	tree := lookup(t, readCheck(t, "published.json"), "arl")
	agree(t, "Shewhart", 1e-9, ShewhartRunLength(3, 0), lookup(t, tree, "shewhart_3sigma", "arl0").(float64))
	for name, length := range map[string]func(shift float64) float64{
		"cusum_two_sided_k0.5_h4": func(s float64) float64 { return CUSUMRunLength(0.5, 4, s) },
		"cusum_two_sided_k0.5_h5": func(s float64) float64 { return CUSUMRunLength(0.5, 5, s) },
		"cusum_one_sided_k0.5_h3": func(s float64) float64 { return oneSidedCUSUM(0.5, 3, s) },
		"ewma_l0.5_L3.071":        func(s float64) float64 { return EWMARunLength(0.5, 3.071, s) },
		"ewma_l0.03_L2.437":       func(s float64) float64 { return EWMARunLength(0.03, 2.437, s) },
		"ewma_l0.5_c2":            func(s float64) float64 { return EWMARunLength(0.5, 2, s) },
		"ewma_l0.2_L2.962":        func(s float64) float64 { return EWMARunLength(0.2, 2.962, s) },
	} {
		set := lookup(t, tree, name)
		for i, shift := range lookupFloats(t, set, "shift") {
			got := length(shift)
			if want := lookup(t, set, "computed", i).(float64); math.Abs(got-want) > 6e-4*math.Max(1, want/100) {
				t.Errorf("%s at %v: %v, computed %v", name, shift, got, want)
			}
			if arl, ok := set.(map[string]any)["arl"]; ok {
				if arl := arl.([]any)[i]; arl == "117.59" { // truncated: 117.5957
					agree(t, name, 1e-4, got, parse(t, arl))
				} else {
					printed(t, name, got, arl)
				}
			}
		}
	}
}

func TestChartRefusals(t *testing.T) {
	if c := DrawChart([]float64{1, 1, 1, 1}, 4, ChartOptions{}); c.Status != Refused || !c.Has(ZeroVariance) || c.FalseAlarm.Usable() {
		t.Errorf("constant: %+v", c.Grade)
	}
	if c := DrawChart([]float64{1, 2}, 1, ChartOptions{}); !c.Has(TooFewValues) {
		t.Errorf("one point: %+v", c.Grade)
	}
	if c := DrawChart([]float64{1, 2, math.NaN()}, 2, ChartOptions{}); c.Status != Refused {
		t.Errorf("NaN: %+v", c.Grade)
	}
	if c := FindChanges([]float64{1, 2, 1}, ChangeOptions{}); !c.Has(TooFewValues) {
		t.Errorf("three points: %+v", c.Grade)
	}
	if c := FindChanges(make([]float64, 50), ChangeOptions{}); !c.Has(ZeroVariance) {
		t.Errorf("constant: %+v", c.Grade)
	}
	if c := FindChanges(make([]float64, 3000), ChangeOptions{}); !c.Has(TooManyValues) {
		t.Errorf("3000 points: %+v", c.Grade)
	}
	if c := FindChanges(ar1(300, 0.7, 1), ChangeOptions{Penalty: 1e9}); !c.Has(PointsDependent) {
		t.Errorf("dependent points: %+v", c)
	}
}

// Both sides signal, upwards as downwards, and go on after the first signal.
func TestChartSignalsBothWays(t *testing.T) {
	for _, shift := range []float64{2, -2} {
		rng := rand.New(rand.NewPCG(14, 15))
		x := make([]float64, 80)
		for i := range x {
			if x[i] = rng.NormFloat64(); i >= 50 {
				x[i] += shift
			}
		}
		c := DrawChart(x, 50, ChartOptions{})
		if n := len(c.CUSUM); n < 20 || c.CUSUM[0] < 50 || c.CUSUM[0] > 56 || c.CUSUM[n-1] != 79 || c.Status != OK {
			t.Errorf("shift of %v sigma at 50: signals %v, %q", shift, c.CUSUM, c.Reason)
		}
	}
}

func TestNoChangeIsFound(t *testing.T) {
	found := 0
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 91))
		x := normalRuns(rng, 60, 144, 0.002)
		if c := FindChanges(x, ChangeOptions{}); len(c.Starts) > 0 {
			found++
		}
		if p := ChangeConfidence(x, 200, seed); p.Value < 0 || p.Value > 1 {
			t.Errorf("confidence %v", p.Value)
		}
	}
	if found > 40 {
		t.Errorf("%d of 100 unchanged series were split", found)
	}
}

func TestSpansChange(t *testing.T) {
	for _, c := range []struct {
		starts, base, against []int
		want                  bool
	}{
		{[]int{10}, []int{1, 2}, []int{3, 4}, false},
		{[]int{10}, []int{1, 2}, []int{12, 13}, true},
		{[]int{10}, []int{1, 12}, []int{2, 13}, false},
		{[]int{10}, []int{1, 2}, []int{3, 13}, true},
		{nil, []int{1}, []int{99}, false},
	} {
		if got := SpansChange(c.starts, c.base, c.against); got != c.want {
			t.Errorf("changes at %v, runs %v and %v: %v", c.starts, c.base, c.against, got)
		}
	}
}
