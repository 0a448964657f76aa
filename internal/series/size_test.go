package series

import (
	"encoding/binary"
	"fmt"
	"slices"
	"testing"

	"github.com/klauspost/compress/zstd"
)

// rival is another way to write a series, to be smaller than.
type rival struct {
	name string
	size func(v []int64) int
}

func rivals(tb testing.TB, log func([]int64) []byte) []rival {
	tb.Helper()
	// The level that its package compares to zstd 19.
	best, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBestCompression), zstd.WithEncoderConcurrency(1))
	if err != nil {
		tb.Fatal(err)
	}
	packed := func(b []byte) int { return len(best.EncodeAll(b, nil)) }
	return []rival{
		{"zstd best of the CSV", func(v []int64) int { return packed(log(v)) }},
		{"delta varint + zstd best", func(v []int64) int { return packed(deltas(v)) }},
		{"grid + delta varint + zstd best", func(v []int64) int { return packed(deltas(onGrid(v))) }},
		{"grid + delta byte planes + zstd best", func(v []int64) int { return bytePlanes(onGrid(v), packed) }},
		{"8 bytes each", func(v []int64) int { return 8 * len(v) }},
	}
}

func onGrid(v []int64) []int64 {
	low, scale := grid(v)
	out := make([]int64, len(v))
	for i, x := range v {
		out[i] = int64((uint64(x) - uint64(low)) / max(scale, 1))
	}
	return out
}

func deltas(v []int64) []byte {
	var b []byte
	var last int64
	for _, x := range v {
		b = binary.AppendUvarint(b, zigzag(x-last))
		last = x
	}
	return b
}

func bytePlanes(v []int64, packed func([]byte) int) int {
	size, last := 0, int64(0)
	planes := make([][]byte, 8)
	for _, x := range v {
		u := zigzag(x - last)
		last = x
		for k := range planes {
			planes[k] = append(planes[k], byte(u>>(8*k)))
		}
	}
	for _, p := range planes {
		if slices.Max(p) > 0 {
			size += packed(p)
		}
	}
	return size
}

func mustRoundTrip(tb testing.TB, v []int64) int {
	tb.Helper()
	b := Encode(nil, v)
	got, err := Decode(nil, b)
	if err != nil || !slices.Equal(got, v) {
		tb.Fatalf("%d values do not come back: %v", len(v), err)
	}
	return len(b)
}

// kind is one kind of series: seed to series, and their ideal size if known.
type kind struct {
	name string
	log  func([]int64) []byte
	of   func(seed uint64) (series [][]int64, ideal float64)
}

func kinds() []kind {
	frames := func(capped bool) func(uint64) ([][]int64, float64) {
		return func(seed uint64) ([][]int64, float64) {
			v, m := frameTimes(seed, 30_000, 1000, capped)
			return [][]int64{v}, m.ideal(v, 1000)
		}
	}
	one := func(f func(seed uint64) []int64) func(uint64) ([][]int64, float64) {
		return func(seed uint64) ([][]int64, float64) { return [][]int64{f(seed)}, 0 }
	}
	return []kind{
		{"frame times, 3 decimals of ms", frameLog, frames(false)},
		{"frame times, capped", frameLog, frames(true)},
		{"frame times, whole ms on vsync", frameLog, one(func(s uint64) []int64 { return vsyncTimes(s, 30_000, 1e9/60) })},
		{"sampled signals", intLog, func(s uint64) (all [][]int64, _ float64) {
			for _, g := range signals(s, 1800) {
				all = append(all, g.v)
			}
			return all, 0
		}},
		{"sampling times, late", intLog, one(func(s uint64) []int64 { return sampleTimes(s, 1800, false) })},
		{"sampling times, slipping", intLog, one(func(s uint64) []int64 { return sampleTimes(s, 1800, true) })},
	}
}

// TestSmallerThanRivals prints bytes per value of every way side by side and
// asserts that on each kind of series this package is smaller than the packed
// CSV, and on those with noise smaller than all, and near the ideal.
func TestSmallerThanRivals(t *testing.T) {
	runs := 3
	if testing.Short() {
		runs = 1
	}
	for _, k := range kinds() {
		list := rivals(t, k.log)
		values, own, ideal, theirs := 0, 0, 0.0, make([]int, len(list))
		for seed := range uint64(runs) {
			all, best := k.of(seed)
			ideal += best
			for _, v := range all {
				values += len(v)
				own += mustRoundTrip(t, v)
				for i, r := range list {
					theirs[i] += r.size(v)
				}
			}
		}
		per := func(n float64) string { return fmt.Sprintf("%.4f B/value", n/float64(values)) }
		t.Logf("%s: this package %s", k.name, per(float64(own)))
		if ideal > 0 {
			t.Logf("    %-38s %s, ours is %.3f times", "code length of the true model", per(ideal), float64(own)/ideal)
			if float64(own) > 1.02*ideal {
				t.Errorf("%s: more than 1.02 times the ideal", k.name)
			}
		}
		noisy := float64(own) > 0.1*float64(values)
		for i, r := range list {
			t.Logf("    %-38s %s, %.2f times ours", r.name, per(float64(theirs[i])), float64(theirs[i])/float64(own))
			if theirs[i] <= own && (noisy || i == 0) {
				t.Errorf("%s: %s is no larger than ours", k.name, r.name)
			}
		}
	}
}

// TestSignalSizes prints what each signal takes.
func TestSignalSizes(t *testing.T) {
	size, n := map[string]int{}, map[string]int{}
	for seed := range uint64(3) {
		for _, g := range signals(seed, 1800) {
			size[g.name] += mustRoundTrip(t, g.v)
			n[g.name] += len(g.v)
		}
	}
	for name := range size {
		t.Logf("%-26s %.4f B/value", name, float64(size[name])/float64(n[name]))
		if size[name] >= 2*n[name] {
			t.Errorf("%s takes two bytes a value or more", name)
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	for _, n := range []int{1800, 30_000} {
		v, _ := frameTimes(1, n, 1000, false)
		b.Run(fmt.Sprintf("frames/n=%d", n), func(b *testing.B) { benchEncode(b, v) })
		g := signals(1, n)[0]
		b.Run(fmt.Sprintf("%s/n=%d", g.name, n), func(b *testing.B) { benchEncode(b, g.v) })
	}
}

func benchEncode(b *testing.B, v []int64) {
	var dst []byte
	b.ReportAllocs()
	for b.Loop() {
		dst = Encode(dst[:0], v)
	}
	b.ReportMetric(float64(len(dst))/float64(len(v)), "B/value")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(v)), "ns/value")
}

func BenchmarkDecode(b *testing.B) {
	v, _ := frameTimes(1, 30_000, 1000, false)
	for name, v := range map[string][]int64{"frames": v, "vsync": vsyncTimes(1, 30_000, 1e9/60)} {
		b.Run(name, func(b *testing.B) {
			coded := Encode(nil, v)
			var got []int64
			b.ReportAllocs()
			for b.Loop() {
				var err error
				if got, err = Decode(got[:0], coded); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(v)), "ns/value")
		})
	}
}
