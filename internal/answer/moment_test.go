package answer_test

import (
	"math"
	"testing"
	"time"

	"witnessmark/internal/answer"
)

var noon = time.Date(2031, 3, 9, 12, 0, 0, 0, time.FixedZone("", 3600))

func TestMoment(t *testing.T) {
	utc := func(s string) time.Time {
		x, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, c := range []struct {
		s     string
		end   bool
		want  time.Time
		known bool
	}{
		{"", false, time.Time{}, false},
		{"2031-03-02", false, utc("2031-03-02T00:00:00Z"), true},
		{"2031-03-02", true, utc("2031-03-03T00:00:00Z"), true},
		{"2031-12-31", true, utc("2032-01-01T00:00:00Z"), true},
		{"2031-03-02 09:03:12", true, utc("2031-03-02T09:03:12Z"), true},
		{"2031-03-02T09:03", false, utc("2031-03-02T09:03:00Z"), true},
		{"2031-03-02T09:03:12.5+02:00", false, utc("2031-03-02T07:03:12.5Z"), true},
		{"7d", false, utc("2031-03-02T11:00:00Z"), true},
		{"12h ago", false, utc("2031-03-08T23:00:00Z"), true},
		{"1w2d3h4m", true, utc("2031-02-28T07:56:00Z"), true},
		{"90m", false, utc("2031-03-09T09:30:00Z"), true},
		{"0001-01-01", false, time.Unix(0, 1).UTC(), true}, // before anything is kept
		{"9999-12-31T00:00:00Z", true, time.Unix(0, math.MaxInt64).UTC(), true},
		{"150000d", false, time.Time{}, false},
		{"9999999999999999999d", false, time.Time{}, false},
		{"2031-02-30", false, time.Time{}, false},
		{"ago", false, time.Time{}, false},
		{" ago", false, time.Time{}, false},
		{"d", false, time.Time{}, false},
		{"-7d", false, time.Time{}, false},
		{"3s", false, time.Time{}, false},
		{"yesterday", false, time.Time{}, false},
	} {
		if got, ok := answer.Moment(c.s, noon, c.end); ok != c.known || !got.Equal(c.want) {
			t.Errorf("Moment(%q, end %v) = %v, %v; want %v, %v", c.s, c.end, got, ok, c.want, c.known)
		}
	}
}

// Whatever is taken for a time can be asked for: it survives as nanoseconds, is
// not taken for none, and moves with now or not at all.
func FuzzMoment(f *testing.F) {
	for _, s := range []string{"7d", "1w2d3h4m ago", "2031-03-02", "2031-03-02T09:03:12Z", "0000-01-01"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, ok := answer.Moment(s, noon, false)
		if !ok {
			return
		}
		if got.IsZero() || got.UnixNano() == 0 || !time.Unix(0, got.UnixNano()).Equal(got) {
			t.Fatalf("%q is %v", s, got)
		}
		if earlier, _ := answer.Moment(s, noon.Add(-time.Hour), false); earlier.After(got) || got.Sub(earlier) > time.Hour {
			t.Fatalf("%q is %v, an hour before it was %v", s, got, earlier)
		}
	})
}
