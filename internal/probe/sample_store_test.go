package probe

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/internal/rig"
)

func TestColumnsGiveBackWhatWasAdded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.SliceOfN(rapid.OneOf(rapid.Int64(), rapid.Int64Range(-3, 3), rapid.SampledFrom([]int64{math.MinInt64, math.MaxInt64})), 0, 2000).Draw(t, "values")
		var c column
		for _, v := range in {
			c.add(v)
		}
		if out := c.values(); !slices.Equal(in, out) || c.n != len(in) {
			t.Fatalf("%d in, %d out", len(in), len(out))
		}
	})
}

// TestRecordingsKeepSamplesApartFromGaps samples and misses at random, and asks
// for each sample at its own offset, and for no sample within a gap.
func TestRecordingsKeepSamplesApartFromGaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var r recording
		var times, at []time.Duration
		var values []int64
		now := time.Duration(0)
		for pass := range rapid.IntRange(0, 300).Draw(t, "passes") {
			now += time.Duration(rapid.IntRange(1, 5).Draw(t, "step"))
			times = append(times, now)
			switch rapid.IntRange(0, 5).Draw(t, "deed") {
			case 0:
				r.miss(now, cause{errno: syscall.EBUSY}, 0)
			case 1:
				r.miss(now, cause{reason: rig.Implausible}, -64)
			case 2: // not due
			default:
				v := rapid.Int64Range(0, 9).Draw(t, "value")
				r.sample(pass, now, v)
				at, values = append(at, now), append(values, v)
			}
		}
		s := r.signal(times)
		if !slices.Equal(s.Offsets, at) || !slices.Equal(s.Values, values) {
			t.Fatalf("got %v at %v, want %v at %v", s.Values, s.Offsets, values, at)
		}
		for i, g := range s.Gaps {
			if g.To < g.From || i > 0 && g.From < s.Gaps[i-1].To || g.Reason == "" {
				t.Fatalf("gaps out of order: %v", s.Gaps)
			}
			if slices.ContainsFunc(at, func(d time.Duration) bool { return d >= g.From && d < g.To }) {
				t.Fatalf("a sample lies in %v", g)
			}
		}
	})
}

func TestGapsAreBounded(t *testing.T) {
	var r recording
	var times []time.Duration
	for pass := range 5 * maxGaps {
		times = append(times, time.Duration(pass))
		if pass%2 == 0 {
			r.sample(pass, time.Duration(pass), int64(pass))
		} else {
			r.miss(time.Duration(pass), cause{errno: syscall.EAGAIN}, 0)
		}
	}
	s := r.signal(times)
	if len(s.Gaps) != maxGaps || len(s.Values) != 5*maxGaps/2 {
		t.Fatalf("%d gaps, %d values", len(s.Gaps), len(s.Values))
	}
	if last := s.Gaps[maxGaps-1]; last.To != times[len(times)-1] || last.Detail != manyGaps {
		t.Errorf("the last gap does not stand for those that followed: %v", last)
	}
}

func TestCountersGoForwardOnly(t *testing.T) {
	for _, c := range []struct {
		modulus  int64
		in, want []int64
	}{
		{0, []int64{5, 7, 7}, []int64{5, 7, 7}},
		{100, []int64{90, 10, 20}, []int64{90, 110, 120}},
		{0, []int64{90, 10, 20}, []int64{90, 100, 110}}, // began again from 0
		{50, []int64{90, 10}, []int64{90, 100}},         // stated too low: cannot be
	} {
		s := source{modulus: c.modulus}
		var got []int64
		for _, v := range c.in {
			got = append(got, s.count(v))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("modulus %d: %v became %v, want %v", c.modulus, c.in, got, c.want)
		}
	}
}

func TestLinkSpeeds(t *testing.T) {
	for text, want := range map[string]int64{"2.5 GT/s PCIe\n": 25, "16.0 GT/s PCIe\n": 160, "8 GT/s\n": 80, "5.0 GT/s": 50} {
		if v, wrong := parseLinkSpeed([]byte(text)); v != want || wrong != (cause{}) {
			t.Errorf("%q: %d %v", text, v, wrong)
		}
	}
	for text, want := range map[string]rig.Reason{"Unknown\n": rig.Unknown, "Unknown speed\n": rig.Unknown, "fast": rig.Implausible, "": rig.Implausible, "16.0": rig.Implausible} {
		if _, wrong := parseLinkSpeed([]byte(text)); wrong.reason != want {
			t.Errorf("%q: %v, want %s", text, wrong, want)
		}
	}
}

func FuzzParseInteger(f *testing.F) {
	for _, s := range []string{"42\n", "-64000", " 7 ", "", "<unknown>\n", "9223372036854775807", "9999999999999999999", "4 2", "-", "--1", "0x10", "1e3"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		v, wrong := parseInteger(b)
		want, err := strconv.ParseInt(strings.Trim(string(b), " \t\r\n\x00"), 10, 64)
		if wrong == (cause{}) {
			if strings.HasPrefix(strings.TrimLeft(string(b), " \t\r\n\x00"), "+") || err != nil || v != want {
				t.Errorf("%q read as %d, want %d, %v", b, v, want, err)
			}
			return
		}
		if wrong.reason == "" || v != 0 {
			t.Errorf("%q: refused with %+v and %d", b, wrong, v)
		}
		if err == nil && want > -1e17 && want < 1e17 && !strings.Contains(string(b), "+") {
			t.Errorf("%q is %d and was refused: %v", b, want, wrong)
		}
	})
}

func FuzzSampleParsers(f *testing.F) {
	f.Add([]byte("some avg10=0.00 avg60=0.00 avg300=0.00 total=350\n"))
	f.Add([]byte("MemTotal: 1 kB\nMemAvailable:   2048000 kB\n"))
	f.Add([]byte("16.0 GT/s PCIe\n"))
	f.Add([]byte("cpu  1 2 3 4 5 6 7 8 9 10\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, parse := range []func([]byte) (int64, cause){parsePressure, parseAvailable, parseLinkSpeed} {
			if v, wrong := parse(b); wrong != (cause{}) && v != 0 {
				t.Errorf("%q: refused, and yet gave %d", b, v)
			}
			if _, wrong := parse(nil); wrong == (cause{}) {
				t.Error("nothing was read as something")
			}
		}
		got, ok := parseTicks(b)
		want, err := parseJiffies(b)
		if ok && err == nil && strings.HasPrefix(string(b), "cpu  ") && strings.Trim(string(b), "cpu 0123456789\n") == "" && strings.Count(string(b), "\n") == 1 && strings.HasSuffix(string(b), "\n") && got != want {
			t.Errorf("%q: %v, by fields %v", b, got, want)
		}
	})
}
