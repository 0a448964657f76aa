package stats

import (
	"math"
	"math/rand/v2"
	"testing"
)

// dependence of reference.json: R 4.2.2 (opened).
func checkDependence(t *testing.T, ref *reference) {
	frames, noise := orreryRun()
	a1, ms := floats(noise), floats(frames)
	for i := range ms {
		ms[i] /= 1e6
	}
	for name, x := range map[string][]float64{"politis_white_A1": a1, "politis_white_log_S1": logs(ms)} {
		b := PolitisWhite(x)
		at := func(tol, got float64, key string) { ref.near(t, tol, got, "dependence", name, key) }
		at(0, float64(b.N), "N")
		at(0, float64(b.KN), "K_N")
		at(0, float64(b.MHat), "m_hat")
		at(0, float64(b.M), "M")
		at(0, float64(b.Max), "b_max")
		at(1e-11, b.G, "G")
		at(1e-11, b.G0, "g0")
		at(1e-11, b.StationaryUncapped, "b_stationary_uncapped")
		at(1e-11, math.Min(b.StationaryUncapped, float64(b.Max)), "b_stationary")
		at(1e-11, math.Min(b.CircularUncapped, float64(b.Max)), "b_circular")
	}
	// With its scenes the series is not stationary: the number is withheld.
	if b := PolitisWhite(logs(ms)); b.Status != Refused || !b.Has(BlockCapped) || b.Stationary.Usable() {
		t.Errorf("scenes: %s %q", b.Status, b.Reason)
	}
	if b := PolitisWhite(a1); b.Status != OK || b.Stationary.Value != b.StationaryUncapped {
		t.Errorf("noise: %s %q", b.Status, b.Reason)
	}
	// Closed form for AR(1).
	phi := 0.9
	ref.near(t, 1e-12, math.Pow(2*phi/(1-phi*phi), 2./3)*math.Cbrt(6017), "dependence", "ar1_theory_b_stationary_phi0.9")
	e := Effective(a1)
	ref.number(t, 1e-11, e.AR1, "dependence", "ess_ar1_formula_A1")
	for name, x := range map[string][]float64{"geyer_A1": a1, "geyer_log_S1": logs(ms)} {
		e := Effective(x)
		ref.exact(t, float64(e.Pairs), "dependence", name, "pairs")
		ref.near(t, 1e-9, e.Tau, "dependence", name, "tau_int")
		ref.number(t, 1e-9, e.Geyer, "dependence", name, "n_eff")
	}
	checkBootstrapVariance(t, ref, a1[:200])
}

func checkBootstrapVariance(t *testing.T, ref *reference, nanos []float64) {
	x := make([]float64, len(nanos))
	for i, v := range nanos {
		x[i] = v / 1000
	}
	at := func(got float64, key string) { ref.near(t, 1e-11, got, "dependence", "boot_variance_of_mean", key) }
	at(Mean(x), "mean")
	at(autocovariance(x, 0)[0]/float64(len(x)), "iid")
	at(StationaryVariance(x, 1./12), "stationary_p_1_12")
	at(BlockVariance(x, 20, true), "circular_b20")
	at(BlockVariance(x, 20, false), "moving_b20")
	// The resampler against the exact variance: 20000 draws, so that the standard
	// error of the variance is 1 % of it.
	rng := rand.New(rand.NewPCG(7, 8))
	sample := make([]float64, len(x))
	draws := make([]float64, 20000)
	for i := range draws {
		resampleStationary(sample, x, 1./12, rng)
		draws[i] = Mean(sample)
	}
	if got, want := SD(draws)*SD(draws), StationaryVariance(x, 1./12); math.Abs(got/want-1) > 0.04 {
		t.Errorf("resampled variance %.1f, exact %.1f", got, want)
	}
}

// Check 26. Patton, Politis & White (2009): the two lengths differ by 1.5^(1/3)
// (published pair opened, constants from memory).
func TestBlockLengthRatio(t *testing.T) {
	tree := lookup(t, readCheck(t, "published.json"), "block_length")
	pair := parse(t, lookup(t, tree, "published", "circular")) / parse(t, lookup(t, tree, "published", "stationary"))
	x := ar1(10000, 0.3, 11)
	b := PolitisWhite(x)
	got := b.CircularUncapped / b.StationaryUncapped
	agree(t, "ratio against the published pair", 1e-7, got, pair)
	agree(t, "ratio against theory", 1e-12, got, lookup(t, tree, "R", "ratio_theory").(float64))
	agree(t, "published ratio", 1e-12, pair, lookup(t, tree, "R", "ratio_published").(float64))
	closed := math.Pow(2*0.3/(1-0.3*0.3), 2./3) * math.Cbrt(10000)
	agree(t, "closed form", 1e-12, closed, lookup(t, tree, "R", "ar1_phi0.3_N10000").(float64))
	// The estimate scatters around the closed form: averaged over series it lies near.
	var sum float64
	for seed := range uint64(20) {
		sum += PolitisWhite(ar1(10000, 0.3, seed)).StationaryUncapped
	}
	if got := sum / 20; got < 0.75*closed || got > 1.25*closed {
		t.Errorf("mean estimated block length %.2f, closed form %.2f", got, closed)
	}
}

func ar1(n int, phi float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 99))
	x := make([]float64, n)
	last := rng.NormFloat64() / math.Sqrt(1-phi*phi)
	for i := range x {
		last = phi*last + rng.NormFloat64()
		x[i] = last
	}
	return x
}

func TestAutocovarianceByTransformAgrees(t *testing.T) {
	x := ar1(5000, 0.8, 1)
	long := autocovariance(x, len(x)-1) // 25 million products: by transform
	short := autocovariance(x, 50)      // directly
	for k := range short {
		if math.Abs(long[k]-short[k]) > 1e-12*short[0] {
			t.Errorf("lag %d: %v by transform, %v directly", k, long[k], short[k])
		}
	}
}

func TestDependenceRefusals(t *testing.T) {
	if b := PolitisWhite(make([]float64, 100)); !b.Has(ZeroVariance) || b.Stationary.Usable() {
		t.Errorf("constant: %+v", b)
	}
	if b := PolitisWhite(ar1(14, 0.5, 1)); !b.Has(TooFewValues) {
		t.Errorf("14 values: %+v", b)
	}
	if e := Effective([]float64{1, 2}); e.Geyer.Usable() {
		t.Errorf("two values: %+v", e)
	}
	if e := Effective([]float64{1, math.NaN(), 2, 3}); e.AR1.Usable() {
		t.Errorf("NaN: %+v", e)
	}
}

func TestWithinRun(t *testing.T) {
	x := ar1(2000, 0.6, 3)
	w := WithinRun(x, Mean, WithinRunOptions{Seed: 5, Replicates: 500})
	if w.Estimate.Status != Flagged || !w.Estimate.Has(SingleRun) || w.Interval == nil || !w.Interval.Contains(Mean(x)) {
		t.Fatalf("%+v", w)
	}
	again := WithinRun(x, Mean, WithinRunOptions{Seed: 5, Replicates: 500})
	if *again.Interval != *w.Interval {
		t.Error("the same seed gave another interval")
	}
	// Coverage over many scenes, where an interval for independent values would
	// cover about 67 %.
	covered, trials := 0, 100
	for seed := range uint64(trials) {
		w := WithinRun(ar1(600, 0.6, 1000+seed), Mean, WithinRunOptions{Seed: seed, Replicates: 200})
		if w.Interval != nil && w.Interval.Contains(0) {
			covered++
		}
	}
	if share := float64(covered) / float64(trials); share < 0.86 {
		t.Errorf("a 95 %% interval covers %.0f %%", 100*share)
	}
	frames, _ := orreryRun()
	if w := WithinRun(logs(floats(frames)), Mean, WithinRunOptions{}); w.Estimate.Usable() || w.Interval != nil {
		t.Error("a run of four scenes was given an interval")
	}
}
