package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// contentCost is the cost of each half second of the invented sequence, per mille.
func contentCost() []int64 {
	g := lehmer{777}
	out := make([]int64, 120)
	for i := range out {
		out[i] = 800 + g.next()%401
	}
	return out
}

// timedRun plays a minute of four scenes after an offset, in ns.
func timedRun(seed, offset int64, scene [4]int64, end int64) []int64 {
	g := lehmer{seed}
	cost := contentCost()
	var elapsed, a int64
	var out []int64
	for elapsed < end {
		c := elapsed - offset
		base := int64(6000000)
		if 0 <= c && c < 60e9 {
			k := 3
			switch {
			case c < 15e9:
				k = 0
			case c < 28e9:
				k = 1
			case c < 40e9:
				k = 2
			}
			base = scene[k] * cost[c/5e8] / 1000
		}
		a = 8*a/10 + g.noise4(60000)
		out = append(out, base+a)
		elapsed += base + a
	}
	return out
}

var (
	sceneA = [4]int64{7000000, 8000000, 6600000, 7500000}
	sceneB = [4]int64{7350000, 8800000, 10032000, 7650000} // the third 1.52 times
)

// alignment of reference.json: R 4.2.2 (opened).
func checkAlignment(t *testing.T, ref *reference) {
	a, b := timedRun(31, 1200000000, sceneA, 63e9), timedRun(32, 3550000000, sceneB, 65e9)
	for name, x := range map[string][]int64{"A": a, "B": b} {
		ref.exact(t, map[string]float64{"A": 31, "B": 32}[name], "alignment", name, "seed")
		ref.exact(t, float64(len(x)), "alignment", name, "n")
		ref.exact(t, float64(sum(x)), "alignment", name, "sum_ns")
		ref.list(t, 0, 0, floats(x[:5]), "alignment", name, "first5")
	}
	ref.list(t, 0, 0, floats(contentCost()[:10]), "alignment", "content_per_mille_first10")
	opt := AlignOptions{Advance: ByTime}.filled()
	ref.exact(t, float64(opt.Grid), "alignment", "grid_ns")
	ref.exact(t, float64(opt.MaxLag/opt.Grid), "alignment", "max_lag")

	fa, fb := frames{order: a, total: sum(a)}, frames{order: b, total: sum(b)}
	raw := crossCorrelate(fa.onGrid(1e7), fb.onGrid(1e7), -1000, 1000, 0).peak(100)
	checkPeak(t, ref, raw, "alignment")
	high := func(f frames) []float64 { return highPass(f.onGrid(1e7), 200) }
	p := crossCorrelate(high(fa), high(fb), -1000, 1000, 0).peak(100)
	checkPeak(t, ref, p, "alignment", "highpass")
	ref.exact(t, float64(opt.HighPass/opt.Grid), "alignment", "highpass", "half_window_bins")

	al := Align(a, b, AlignOptions{Advance: ByTime})
	if al.Status != OK || al.Lag != 2350*time.Millisecond {
		t.Errorf("%s %q, lag %v", al.Status, al.Reason, al.Lag)
	}
	ref.exact(t, al.Lag.Seconds(), "alignment", "true_lag_s")
	ref.within(t, 0, 1e-9, al.Refined.Seconds(), "alignment", "highpass", "lag_s")
	for name, w := range map[string]time.Duration{"gap_1s": time.Second, "gap_2s": 2 * time.Second, "gap_5s": 5 * time.Second} {
		checkGap(t, ref, CompareMoments([][]int64{a}, [][]int64{b}, MomentOptions{Window: w, Align: AlignOptions{Advance: ByTime}}), name)
	}
}

func checkPeak(t *testing.T, ref *reference, p peak, path ...any) {
	at := func(tol, got float64, key string) { ref.near(t, tol, got, append(path[:len(path):len(path)], key)...) }
	at(0, float64(p.lag), "lag_grid")
	at(1e-10, p.r, "peak_r")
	at(1e-8, p.offset, "parabolic_offset")
	at(1e-10, (float64(p.lag)+p.offset)/100, "lag_s")
	at(1e-10, p.second, "second_peak_r")
	at(0, float64(p.secondLag), "second_peak_lag")
}

func checkGap(t *testing.T, ref *reference, m Moments, name string) {
	at := func(tol, got float64, key string) { ref.near(t, tol, got, "alignment", name, key) }
	at(0, m.Window.Seconds(), "window_s")
	at(0, float64(len(m.Profile)), "n")
	at(1e-12, m.Largest.Start.Seconds(), "start_s_in_A")
	at(1e-11, m.Largest.RateA, "rate_A")
	at(1e-11, m.Largest.RateB, "rate_B")
	at(1e-11, m.Largest.Ratio, "ratio")
	at(1e-11, m.Overall, "overall_ratio")
	if m.Claimed || !m.Has(NoNull) {
		t.Errorf("%s: a gap was claimed from one run a side: %q", name, m.Reason)
	}
}

func TestAlignmentGuardRails(t *testing.T) {
	byTime := AlignOptions{Advance: ByTime}
	a := timedRun(41, 1e9, sceneA, 63e9)
	other := func(seed, offset int64) []int64 { return timedRun(seed, offset, sceneA, 63e9) }
	noise := make([]int64, 8000)
	g := lehmer{99}
	for i := range noise {
		noise[i] = 7e6 + g.noise4(500000)
	}
	// The second half plays 3 % slower: the sequences run at different speed.
	var slowed []int64
	for i, v := range other(42, 1e9) {
		slowed = append(slowed, v)
		if i%33 == 0 {
			slowed = append(slowed, v)
		}
	}
	loop := slices.Repeat(timedRun(43, 0, sceneA, 5e9), 12)
	for name, c := range map[string]struct {
		a, b []int64
		opt  AlignOptions
		code Code
	}{
		"undeclared":       {a, other(42, 1e9), AlignOptions{}, AdvanceUndeclared},
		"unlike":           {a, noise, byTime, WeakPeak},
		"another speed":    {a, slowed, byTime, SpeedsDiffer},
		"looped every 5 s": {loop, loop, byTime, AmbiguousPeak},
		"short":            {a[:1500], other(42, 1e9), byTime, OverlapTooShort},
		"11 s apart":       {a, other(42, 12e9), byTime, LagAtLimit},
		"one frame":        {a[:1], a, byTime, TooFewFrames},
		"negative":         {a, []int64{-1, 1e10}, byTime, NotPositive},
	} {
		al := Align(c.a, c.b, c.opt)
		if al.Status != Refused {
			t.Errorf("%s: %+v", name, al)
		}
		// Beyond the limit nothing fits, so that any of the rails may catch it.
		if c.code != LagAtLimit && !al.Has(c.code) {
			t.Errorf("%s: %q, want %s", name, al.Reason, c.code)
		}
	}
	if al := Align(a, other(42, 4e9), byTime); al.Status != OK || (al.Lag-3*time.Second).Abs() > 20*time.Millisecond {
		t.Errorf("3 s apart: %v %q", al.Lag, al.Reason)
	}
	if al := Align(other(42, 4e9), a, byTime); (al.Lag + 3*time.Second).Abs() > 20*time.Millisecond {
		t.Errorf("3 s before: %v %q", al.Lag, al.Reason)
	}
}

// stills plays scenes that stand still, each so many seconds at so many ms, after
// the first picture has stood for the lead; at another pace everything takes longer.
func stills(seed uint64, lead time.Duration, pace float64, scenes [][2]float64) (out []int64) {
	r := rand.New(rand.NewPCG(seed, 7))
	at, end, wave := time.Duration(0), lead, 0.0
	for _, s := range scenes {
		for end += time.Duration(s[0] * pace * 1e9); at < end; {
			wave = 0.9*wave + 0.03*math.Sqrt(1-0.81)*r.NormFloat64()
			t := int64(s[1] * 1e6 * math.Exp(wave))
			out, at = append(out, t), at+time.Duration(t)
		}
	}
	return out
}

// One change of scene, wherever it is, is enough to align by. A half without one
// cannot tell that the speeds are the same, which is no reason to refuse.
func TestOneChangeOfSceneAligns(t *testing.T) {
	for _, scenes := range [][][2]float64{{{10, 8}, {15, 12.5}}, {{12, 7}, {14, 11}}, {{13, 7}, {13, 11}}, {{20, 7}, {10, 11}}} {
		for seed := uint64(1); seed <= 12; seed++ {
			lead := time.Duration(seed) * 197 * time.Millisecond
			al := Align(stills(seed, 0, 1, scenes), stills(100+seed, lead, 1, scenes), AlignOptions{Advance: ByTime})
			if !al.Usable() || (al.Lag-lead).Abs() > 20*time.Millisecond {
				t.Errorf("%v, seed %d: %v, true %v, %s", scenes, seed, al.Lag, lead, al.Reason)
			}
		}
	}
}

// With changes of scene in both halves 1 % of speed does not pass.
func TestAnotherSpeedIsNoticed(t *testing.T) {
	scenes := [][2]float64{{8, 6}, {7, 11}, {9, 7.5}, {10, 12}, {6, 9}, {8, 5.5}}
	for seed := uint64(1); seed <= 12; seed++ {
		if al := Align(stills(seed, 0, 1, scenes), stills(100+seed, 0, 1.01, scenes), AlignOptions{Advance: ByTime}); !al.Has(SpeedsDiffer) {
			t.Errorf("seed %d: %+v", seed, al)
		}
	}
}

func TestHighPassKeepsNoLevel(t *testing.T) {
	x := slices.Repeat([]float64{5}, 1000)
	for i, v := range highPass(x, 200) {
		if math.Abs(v) > 1e-9 {
			t.Fatalf("cell %d holds %v of a constant", i, v)
		}
	}
}

// The integral over cells is exact, whatever the frames: their sum is the total.
func TestGridIsAnIntegral(t *testing.T) {
	x := []int64{3e6, 25e6, 1e6, 1e6, 1e6, 40e6, 9e6}
	f := frames{order: x, total: sum(x)}
	var got, want float64
	for _, v := range f.onGrid(1e7) {
		got += v * 1e7
	}
	for _, v := range x {
		want += math.Log(float64(v)/1e6) * float64(v)
	}
	agree(t, "integral", 1e-12, got, want)
}
