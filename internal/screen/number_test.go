package screen

import (
	"math"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestSignificant(t *testing.T) {
	for _, c := range []struct {
		f    float64
		want string
	}{
		{59.6234, "59.62"}, {16.6670, "16.67"}, {9.99996, "10.000"}, {1224, "1224"}, {123456.7, "123457"}, {0.0312, "0.031"},
		{0.00004, "4e-05"}, {0, "0.000"}, {-16.667, "-16.67"}, {math.NaN(), "-"}, {math.Inf(1), "-"},
	} {
		if got := Significant(c.f); got != c.want {
			t.Errorf("Significant(%v) = %q, want %q", c.f, got, c.want)
		}
	}
}

// Four digits are never more than half a unit of the fourth digit, or of the
// third decimal, away.
func TestSignificantRoundsAndNoMore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-1e9, 1e9).Draw(t, "f")
		got, err := strconv.ParseFloat(Significant(f), 64)
		if err != nil {
			t.Fatal(err)
		}
		if bound := max(0.5e-3, math.Abs(f)*0.5e-3, 0) * (1 + 1e-9); math.Abs(got-f) > bound {
			t.Fatalf("Significant(%v) = %v", f, got)
		}
	})
}

func TestSpansAndSizes(t *testing.T) {
	for _, c := range []struct {
		d    time.Duration
		want string
	}{
		{0, "0 s"}, {850 * time.Millisecond, "850.0 ms"}, {20410 * time.Millisecond, "20.41 s"}, {200 * time.Second, "3 min 20 s"},
		{119999 * time.Millisecond, "120.0 s"}, {time.Hour + 59*time.Minute + 59*time.Second, "119 min 59 s"}, {125 * time.Minute, "2 h 05 min"}, {-time.Second, "-1.000 s"},
	} {
		if got := Seconds(c.d); got != c.want {
			t.Errorf("Seconds(%v) = %q, want %q", c.d, got, c.want)
		}
	}
	for n, want := range map[int64]string{0: "0 B", 1023: "1023 B", 1024: "1.000 KiB", 14890000: "14.20 MiB", 5 << 40: "5.000 TiB", 1 << 60: "1048576 TiB"} {
		if got := Bytes(n); got != want {
			t.Errorf("Bytes(%d) = %q, want %q", n, got, want)
		}
	}
	if got := At(time.Date(2031, 3, 2, 10, 3, 12, 5e8, time.FixedZone("", 3600))); got != "2031-03-02 09:03:12" {
		t.Errorf("At gives %q", got)
	}
}
