package rig

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestThinned: what is kept are samples as they were taken, evenly, with the
// first, the last, and the least and the greatest of every stretch.
func TestThinned(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s Signal
		at := time.Duration(0)
		for range rapid.IntRange(0, 400).Draw(t, "samples") {
			at += time.Duration(rapid.IntRange(1, 1000).Draw(t, "apart"))
			s.Offsets, s.Values = append(s.Offsets, at), append(s.Values, rapid.Int64Range(-50, 50).Draw(t, "value"))
		}
		by := rapid.IntRange(1, 9).Draw(t, "by")
		was := slices.Clone(s.Values)
		got := s.Thinned(by)
		n := len(s.Values)
		if len(got.Values) != len(got.Offsets) || n > 0 && len(got.Values) > n/by+2*(n/(stretch*by)+1)+2 {
			t.Fatalf("%d of %d samples are left, thinned by %d", len(got.Values), n, by)
		}
		for i, v := range got.Values {
			k := slices.Index(s.Offsets, got.Offsets[i])
			if k < 0 || s.Values[k] != v || i > 0 && got.Offsets[i-1] >= got.Offsets[i] {
				t.Fatalf("sample %d was never taken, or is out of order", i)
			}
		}
		for from := 0; from < n; from += stretch * by {
			to := min(from+stretch*by, n)
			var in []int64
			for i, o := range got.Offsets {
				if o >= s.Offsets[from] && o <= s.Offsets[to-1] {
					in = append(in, got.Values[i])
				}
			}
			if slices.Min(in) != slices.Min(s.Values[from:to]) || slices.Max(in) != slices.Max(s.Values[from:to]) {
				t.Fatalf("a peak between samples %d and %d is gone", from, to)
			}
		}
		if n > 0 && (got.Offsets[0] != s.Offsets[0] || got.Offsets[len(got.Offsets)-1] != s.Offsets[n-1]) {
			t.Fatal("the first or the last sample is gone")
		}
		if len(got.Values) > 0 {
			got.Values[0]++
		}
		if !slices.Equal(was, s.Values) {
			t.Fatal("the signal itself was changed")
		}
	})
}

// TestThinnedKeepsMedians: rare dips, one in every stretch, do not become the rule.
func TestThinnedKeepsMedians(t *testing.T) {
	var s Signal
	for i := range 3200 {
		v := int64(4000)
		if i%30 == 7 {
			v = 3000
		}
		s.Offsets, s.Values = append(s.Offsets, time.Duration(i)), append(s.Values, v)
	}
	got := s
	for range 3 {
		got = got.Thinned(4)
		sorted := slices.Sorted(slices.Values(got.Values))
		if m := sorted[len(sorted)/2]; m != 4000 || sorted[0] != 3000 {
			t.Errorf("of %d samples the median is %d and the least %d", len(sorted), m, sorted[0])
		}
	}
}
