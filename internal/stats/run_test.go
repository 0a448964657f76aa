package stats

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// S1 of reference.json: R 4.2.2 (opened).
func checkRun(t *testing.T, ref *reference) {
	frames, noise := orreryRun()
	checkRunData(t, ref, frames)
	r := Describe(frames, Options{})
	checkHeadline(t, frames, Options{}, r)
	if r.Status != OK {
		t.Fatalf("the run is %s: %s", r.Status, r.Reason)
	}
	n := func(got Number, path ...any) { ref.number(t, 1e-12, got, append([]any{"S1"}, path...)...) }
	ref.exact(t, float64(r.Frames), "S1", "n")
	ref.exact(t, float64(r.Elapsed), "S1", "sum_ns")
	n(r.RateMean, "avg_rate")
	n(r.FrametimeMean, "mean_ms")
	n(r.FrametimeSD, "sd_ms")
	n(r.FrametimeR1, "acf", "ms_lag1")
	n(r.OnePctLow.Percentile, "low_percentile_type7", "one_pct")
	n(r.TenthPctLow.Percentile, "low_percentile_type7", "tenth_pct")
	n(r.OnePctLow.MeanCount, "low_count_mean_exact", "one_pct")
	n(r.TenthPctLow.MeanCount, "low_count_mean_exact", "tenth_pct")
	n(r.OnePctLow.MeanCeil, "low_count_mean_ceil", "one_pct")
	n(r.TenthPctLow.MeanCeil, "low_count_mean_ceil", "tenth_pct")
	n(r.OnePctLow.MeanTime, "low_time_mean", "one_pct")
	n(r.TenthPctLow.MeanTime, "low_time_mean", "tenth_pct")
	n(r.OnePctLow.BoundaryTime, "low_time_boundary", "one_pct")
	n(r.TenthPctLow.BoundaryTime, "low_time_boundary", "tenth_pct")
	for name, got := range map[string]Number{"p50": r.WeightedP50, "p95": r.WeightedP95, "p99": r.WeightedP99, "p99.9": r.WeightedP999} {
		ref.near(t, 1e-12, got.Value*1e6, "S1", "time_weighted_quantile_ns", name)
	}
	checkQuantileTypes(t, ref, frames)
	checkOver(t, ref, r)
	n(r.WindowMin.Number, "window_1s_step_0.1s", "min_rate")
	n(r.WindowMax.Number, "window_1s_step_0.1s", "max_rate")
	ref.near(t, 1e-12, r.WindowMin.Start.Seconds(), "S1", "window_1s_step_0.1s", "min_start_s")
	ref.near(t, 1e-12, r.WindowMax.Start.Seconds(), "S1", "window_1s_step_0.1s", "max_start_s")
	n(r.Pacing.MAD, "pacing", "mean_abs_succ_diff_ms")
	n(r.Pacing.RMSSD, "pacing", "rmssd_ms")
	n(r.Pacing.VonNeumann, "pacing", "von_neumann_ratio")
	n(r.Pacing.MADLog, "pacing", "mean_abs_succ_log_ratio")
	checkAutocorrelation(t, ref, frames, noise)
}

func checkRunData(t *testing.T, ref *reference, frames []int64) {
	var sum, check int64
	for _, v := range frames {
		sum += v
		check += v % 1000003
	}
	ref.exact(t, 12345, "S1", "seed")
	ref.exact(t, float64(check), "S1", "sum_mod_check")
	ref.exact(t, float64(sum), "S1", "sum_ns")
	ref.exact(t, float64(frames[len(frames)-1]), "S1", "last_ns")
	ref.list(t, 0, 0, floats(frames[:10]), "S1", "first10_ns")
	widths := (sum-1e9)/1e8 + 1
	ref.exact(t, float64(widths), "S1", "window_1s_step_0.1s", "n_windows")
	// Two averages that are not the rate of the run: the first weights each frame
	// alike and is always too high.
	var rates float64
	for _, v := range frames {
		rates += 1e9 / float64(v)
	}
	ref.near(t, 1e-12, rates/float64(len(frames)), "S1", "mean_of_instantaneous_rates")
	ref.near(t, 1e-12, 1e9/Median(floats(frames)), "S1", "rate_of_median")
}

func checkQuantileTypes(t *testing.T, ref *reference, frames []int64) {
	for hf := HF(1); hf <= 9; hf++ {
		r := Describe(frames, Options{Quantile: hf})
		for name, got := range map[string]Number{"p50": r.P50, "p95": r.P95, "p99": r.P99, "p99.9": r.P999} {
			ref.number(t, 1e-12, got, "S1", "quantile_ms", fmt.Sprintf("type%d", hf), name)
			if want := fmt.Sprintf("frametime.%s.hf%d", name, hf); got.Method != want {
				t.Errorf("method %q, want %q", got.Method, want)
			}
		}
	}
}

func checkOver(t *testing.T, ref *reference, r Run) {
	b := r.Over[0]
	at := func(got Number, name string) { ref.number(t, 1e-12, got, "S1", "beyond_16.667ms", name) }
	ref.near(t, 1e-14, b.Threshold.Nanoseconds(), "S1", "beyond_16.667ms", "threshold_ns")
	at(b.Count, "count")
	at(b.FrameFraction, "fraction_of_frames")
	at(b.Time, "time_s")
	at(b.TimeFraction, "fraction_of_time")
	at(b.Excess, "excess_s")
	at(b.MissedRefreshes, "missed_refreshes")
}

func checkAutocorrelation(t *testing.T, ref *reference, frames, noise []int64) {
	ms := floats(frames)
	ref.near(t, 1e-11, Autocorrelation(ms, 2), "S1", "acf", "ms_lag2")
	ref.near(t, 1e-11, Autocorrelation(logs(ms), 1), "S1", "acf", "log_lag1")
	ref.near(t, 1e-11, Autocorrelation(floats(noise), 1), "S1", "acf", "noise_lag1")
	ref.near(t, 1e-11, Autocorrelation(floats(noise), 10), "S1", "acf", "noise_lag10")
}

func TestRunRefusals(t *testing.T) {
	for _, c := range []struct {
		name  string
		nanos []int64
		opt   Options
		want  Code
	}{
		{"empty", nil, Options{}, TooFewFrames},
		{"one frame", []int64{2e9}, Options{}, TooFewFrames},
		{"zero", []int64{1e9, 0, 1e9}, Options{}, NotPositive},
		{"negative", []int64{1e9, -5, 1e9}, Options{}, NotPositive},
		{"short", []int64{4e8, 5e8}, Options{}, TooShort},
		{"overflow", []int64{math.MaxInt64, 1}, Options{}, TooLong},
		{"no such quantile", []int64{1e9, 1e9}, Options{Quantile: 10}, BadOption},
		{"threshold of zero", []int64{1e9, 1e9}, Options{Thresholds: []Threshold{{0, 1}}}, BadOption},
	} {
		r := Describe(c.nanos, c.opt)
		checkHeadline(t, c.nanos, c.opt, r)
		if r.Status != Refused || !r.Has(c.want) {
			t.Errorf("%s: %s %q, want refused for %s", c.name, r.Status, r.Reason, c.want)
		}
		for _, n := range r.numbers() {
			if n.Usable() || n.Method == "" || n.Unit == "" || !n.Has(c.want) || !math.IsNaN(n.Value) {
				t.Errorf("%s: %+v is not refused with its id and the run's reason", c.name, *n)
			}
		}
	}
}

func TestThinTails(t *testing.T) {
	status := func(n int) (p99, p999, low, tenth Status) {
		x := slices.Repeat([]int64{20e6}, n)
		r := Describe(x, Options{})
		return r.P99.Status, r.P999.Status, r.SlowestOnePctMean.Status, r.TenthPctLow.MeanCount.Status
	}
	for _, c := range []struct {
		n                     int
		p99, p999, low, tenth Status
	}{
		{99, Refused, Refused, Refused, Refused},
		{100, Flagged, Refused, Flagged, Refused},
		{499, Flagged, Refused, Flagged, Refused},
		{500, OK, Refused, OK, Refused},
		{1000, OK, Flagged, OK, Flagged},
		{4999, OK, Flagged, OK, Flagged},
		{5000, OK, OK, OK, OK},
	} {
		a, b, d, e := status(c.n)
		if a != c.p99 || b != c.p999 || d != c.low || e != c.tenth {
			t.Errorf("n=%d: p99 %s, p99.9 %s, slowest 1 %% %s, 0.1 %% %s; want %s %s %s %s", c.n, a, b, d, e, c.p99, c.p999, c.low, c.tenth)
		}
	}
}

func TestWindowEdges(t *testing.T) {
	short := Describe([]int64{9e8, 9e8}, Options{})
	if !short.WindowMin.Has(WindowTooLong) || short.WindowMin.Usable() {
		t.Errorf("1.8 s: %+v", short.WindowMin)
	}
	long := Describe(append(slices.Repeat([]int64{1e7}, 900), 5e8), Options{})
	if long.WindowMax.Status != Flagged || !long.WindowMax.Has(WindowTooNarrow) {
		t.Errorf("a frame of half a window: %+v", long.WindowMax)
	}
	if long.WindowMin.Start != 8500*time.Millisecond || math.Abs(long.WindowMin.Value-51) > 1e-9 {
		t.Errorf("slowest window %v at %v, want 50 short frames and the long one, 8.5 s", long.WindowMin.Value, long.WindowMin.Start)
	}
	// Frames in part: 60 frames/s never jump by a whole frame.
	even := Describe(slices.Repeat([]int64{16666667}, 300), Options{})
	if d := even.WindowMax.Value - even.WindowMin.Value; d > 1e-6 {
		t.Errorf("even frames: windows differ by %g frames/s", d)
	}
}

func TestThresholdEdges(t *testing.T) {
	period := Threshold{Num: 16e6, Den: 1}
	x := append(slices.Repeat([]int64{16e6}, 98), 32e6, 33e6)
	b := Describe(x, Options{Thresholds: []Threshold{period}}).Over[0]
	if b.Count.Value != 2 || b.MissedRefreshes.Value != 3 {
		t.Errorf("strict: count %v, missed %v, want 2 and 3", b.Count.Value, b.MissedRefreshes.Value)
	}
	x = append(slices.Repeat([]int64{16e6 + 9000}, 98), 32e6+9000, 48e6-9000)
	b = Describe(x, Options{Thresholds: []Threshold{period}, Synchronised: true}).Over[0]
	if b.Count.Value != 2 || b.MissedRefreshes.Value != 3 || !b.Count.Has(Synchronised) {
		t.Errorf("synchronised: count %v, missed %v, want 2 and 3, flagged", b.Count.Value, b.MissedRefreshes.Value)
	}
	if got := RefreshShare(x, period, 0.02); got != 1 {
		t.Errorf("share on the refresh %v, want 1", got)
	}
	// 1e9/60 is held as a fraction: 50 ms are exactly three periods.
	if got := RefreshPeriod(60).periods(50e6); got != 3 {
		t.Errorf("periods in 50 ms: %d, want 3", got)
	}
	if RefreshPeriod(60).exceededBy(16666666) || !RefreshPeriod(60).exceededBy(16666667) {
		t.Error("1e9/60 lies between 16666666 and 16666667")
	}
}

func TestStallMarksTheRun(t *testing.T) {
	x := slices.Repeat([]int64{1e7}, 1000)
	x[17] = 2e9
	r := Describe(x, Options{})
	if r.Status != Flagged || !r.Has(Stall) || !slices.Equal(r.Stalls, []int{17}) || !r.RateMean.Usable() {
		t.Errorf("%s %q, stalls %v, rate %v", r.Status, r.Reason, r.Stalls, r.RateMean)
	}
}

func TestSameMethodRefusesMixedDefinitions(t *testing.T) {
	x, _ := orreryRun()
	a := Describe(x, Options{})
	if SameMethod(a.OnePctLow.Percentile, a.OnePctLow.MeanCount) == nil {
		t.Error("low.percentile and low.mean_count were taken for the same")
	}
	if SameMethod(a.OnePctLow.MeanCount, a.TenthPctLow.MeanCount) == nil {
		t.Error("slowest 1 % and 0.1 % were taken for the same")
	}
	if err := SameMethod(a.P99, a.P99); err != nil {
		t.Error(err)
	}
}

// The tail means keep their order on any series: mean_time <= mean_count.
func TestSlowTailOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		x := make([]int64, 500+rng.IntN(3000))
		for i := range x {
			x[i] = int64(5e6 * math.Exp(rng.NormFloat64()))
		}
		s := Describe(x, Options{}).OnePctLow
		if s.MeanTime.Value > s.MeanCount.Value*(1+1e-12) || s.MeanTime.Value > s.BoundaryTime.Value*(1+1e-12) {
			t.Errorf("mean_time %v, mean_count %v, boundary %v", s.MeanTime.Value, s.MeanCount.Value, s.BoundaryTime.Value)
		}
	}
}

func TestRadixSortAgrees(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, bound := range []int64{2, 1 << 12, 1 << 33, math.MaxInt64} {
		x := make([]int64, 10000)
		for i := range x {
			x[i] = 1 + rng.Int64N(bound-1)
		}
		want := slices.Clone(x)
		slices.Sort(want)
		if !slices.Equal(sorted(x), want) {
			t.Errorf("values below %d come out in another order", bound)
		}
	}
}

func TestNumberAsJSON(t *testing.T) {
	r := Describe([]int64{1e9, 1e9}, Options{})
	b, err := json.Marshal(r.P99)
	if err != nil {
		t.Fatal(err)
	}
	if s := string(b); !strings.Contains(s, `"value":null`) || !strings.Contains(s, `"status":"refused"`) || !strings.Contains(s, "tail_empty") {
		t.Errorf("a refused number is written as %s", s)
	}
}

func BenchmarkDescribeMillionFrames(b *testing.B) {
	rng := rand.New(rand.NewPCG(5, 6))
	x := make([]int64, 1_000_000)
	for i := range x {
		x[i] = 8e6 + rng.Int64N(6e6)
	}
	b.SetBytes(int64(len(x)))
	for b.Loop() {
		Describe(x, Options{})
	}
}

func TestSpanMarksDroppedRows(t *testing.T) {
	x := slices.Repeat([]int64{1e7}, 500)
	for span, want := range map[time.Duration]Status{
		0:                        OK,
		5 * time.Second:          OK,
		4990 * time.Millisecond:  OK, // stamps at the start of each frame
		5040 * time.Millisecond:  Flagged,
		10000 * time.Millisecond: Flagged,
	} {
		r := Describe(x, Options{Span: span})
		if r.Status != want || (want == Flagged) != r.Has(DroppedRows) {
			t.Errorf("stamps span %v: %s %q", span, r.Status, r.Reason)
		}
	}
}

// A log in the wrong unit lasts for years: it costs no more than any other.
func TestRunOfYearsIsBounded(t *testing.T) {
	r := Describe(slices.Repeat([]int64{1e16}, 500), Options{})
	if r.WindowMin.Usable() || !r.WindowMin.Has(TooManyValues) || !r.RateMean.Usable() {
		t.Errorf("%+v", r.WindowMin)
	}
	if al := Align([]int64{1e17, 1e17}, []int64{1e17, 1e17}, AlignOptions{Advance: ByTime}); !al.Has(TooLong) {
		t.Errorf("%+v", al)
	}
}

// The time-weighted percentile is never below the percentile of frames.
func TestTimeWeightingNeverLowers(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for range 50 {
		x := make([]int64, 6000)
		for i := range x {
			x[i] = int64(8e6 * math.Exp(0.5*rng.NormFloat64()))
		}
		r := Describe(x, Options{Quantile: 1})
		for _, pair := range [][2]Number{{r.P50, r.WeightedP50}, {r.P95, r.WeightedP95}, {r.P99, r.WeightedP99}, {r.P999, r.WeightedP999}} {
			if plain, weighted := pair[0], pair[1]; weighted.Value < plain.Value {
				t.Errorf("%s %v, %s %v", weighted.Method, weighted.Value, plain.Method, plain.Value)
			}
		}
	}
}

// Whatever the frame times, a run is refused as a whole or its numbers hang
// together.
func FuzzDescribe(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4}, int64(1e8), uint8(7))
	f.Add([]byte{0}, int64(-1), uint8(1))
	f.Add(slices.Repeat([]byte{200, 1}, 600), int64(1e6), uint8(3))
	f.Add([]byte{255, 255}, int64(math.MaxInt64/255), uint8(9))
	f.Fuzz(func(t *testing.T, steps []byte, unit int64, hf uint8) {
		nanos := make([]int64, len(steps))
		for i, s := range steps {
			nanos[i] = int64(s) * unit
		}
		r := Describe(nanos, Options{Quantile: HF(hf % 11)})
		checkHeadline(t, nanos, Options{Quantile: HF(hf % 11)}, r)
		for _, n := range r.numbers() {
			if n.Usable() == math.IsNaN(n.Value) || math.IsInf(n.Value, 0) || n.Method == "" || (n.Status != OK) != (n.Reason != "") {
				t.Fatalf("%+v", *n)
			}
		}
		if r.Status == Refused {
			return
		}
		asc := []Number{r.P50, r.P95, r.P99, r.P999}
		for i := 1; i < len(asc) && asc[i].Usable(); i++ {
			if asc[i].Value < asc[i-1].Value {
				t.Fatalf("%s below %s", asc[i].Method, asc[i-1].Method)
			}
		}
		if back := r.RateMean.Value * r.Elapsed.Seconds(); math.Abs(back/float64(r.Frames)-1) > 1e-12 {
			t.Fatalf("rate times elapsed is %v of %d frames", back, r.Frames)
		}
		if r.WindowMin.Usable() && r.WindowMin.Value > r.WindowMax.Value {
			t.Fatal("the slowest window is faster than the fastest")
		}
	})
}

// TestSameOnEveryMachine: what a dossier has of a log is the same to the last bit where
// the compiler may fuse a product with a sum. It can fail only there: on arm64, or with
// GOAMD64=v3, where a quarter of these logs once came out otherwise.
func TestSameOnEveryMachine(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	sum := sha256.New()
	for range 200 {
		nanos := make([]int64, 100+r.IntN(5000))
		for i := range nanos {
			nanos[i] = 8_000_000 + r.Int64N(9_000_000)
		}
		d := HeadlineOf(nanos, DefaultOptions())
		for _, x := range []Number{d.RateMean, d.P50, d.P95, d.P99, d.P999, d.SlowestOnePctMean} {
			fmt.Fprintf(sum, "%x\n", math.Float64bits(x.Value))
		}
	}
	if got := fmt.Sprintf("%x", sum.Sum(nil)); got != "1d9b71c0e3dafdcd8bb96c9d247338d2b9b43b93d88c169b2402ae1ceb6b98ce" {
		t.Errorf("they come out otherwise: %s", got)
	}
}
