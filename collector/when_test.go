package main

import (
	"errors"
	"math"
	"testing"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
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
		{"", false, time.Time{}, true},
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
		got, err := moment("--since", c.s, noon, c.end)
		var u screen.Usage
		if (err == nil) != c.known || (err != nil && !errors.As(err, &u)) || !got.Equal(c.want) {
			t.Errorf("moment(%q, end %v) = %v, %v; want %v", c.s, c.end, got, err, c.want)
		}
	}
}

// Whatever is taken for a time can be asked for: it survives as nanoseconds, is
// not taken for none, and lies back from now when it is a span.
func FuzzMoment(f *testing.F) {
	for _, s := range []string{"7d", "1w2d3h4m ago", "2031-03-02", "2031-03-02T09:03:12Z", "0000-01-01"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := moment("--since", s, noon, false)
		if err != nil || s == "" {
			return
		}
		if got.IsZero() || got.UnixNano() == 0 || !time.Unix(0, got.UnixNano()).Equal(got) {
			t.Fatalf("%q is %v", s, got)
		}
		if _, ok := back(s); ok && got.After(noon) {
			t.Fatalf("%q is %v, after now", s, got)
		}
	})
}

func TestBelow(t *testing.T) {
	for _, c := range []struct {
		name string
		key  rig.Key
		want bool
	}{
		{"memory.speed", "memory.speed", true},
		{"memory", "memory.speed", true},
		{"memory.module", "memory.module[DIMM_A1].rank", true},
		{"memory.module[]", "memory.module[DIMM_A1].rank", true},
		{"memory.module[].rank", "memory.module[DIMM_A1].rank", true},
		{"memory.module[DIMM_A1]", "memory.module[DIMM_A1].rank", true},
		{"memory.module[DIMM_A2]", "memory.module[DIMM_A1].rank", false},
		{"memory.sp", "memory.speed", false},
		{"speed", "memory.speed", false},
		{"memory.speed.x", "memory.speed", false},
	} {
		if got := below(c.name, c.key); got != c.want {
			t.Errorf("below(%q, %q) = %v", c.name, c.key, got)
		}
	}
}
