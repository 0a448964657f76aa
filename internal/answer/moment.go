package answer

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// clocks are the ways to write a moment, as tables and JSON print it among them.
// Where no zone is written it is UTC.
var clocks = []string{time.RFC3339Nano, "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04"}

var span = regexp.MustCompile(`^([0-9]+w)?([0-9]+d)?([0-9]+h)?([0-9]+m)?( ago)?$`)

// longest keeps a span within what a time.Duration holds.
const longest = 200 * 365 * 24 * time.Hour

// MomentHint says how Moment is written.
const MomentHint = "write a span back from now as 7d, 12h, 90m or 2w, a date as 2031-03-02, a moment as 2031-03-02T09:00:00Z"

// keepable moves a moment into the range that the archive counts in, which
// changes no answer: nothing is kept outside it.
func keepable(t time.Time) time.Time {
	if first := time.Unix(0, 1).UTC(); t.Before(first) {
		return first
	}
	if last := time.Unix(0, math.MaxInt64).UTC(); t.After(last) {
		return last
	}
	return t.UTC()
}

// Moment reads a moment, a date, or a span back from now. A date is its first
// moment, or with end the one after its last.
func Moment(s string, now time.Time, end bool) (time.Time, bool) {
	for _, c := range clocks {
		if t, err := time.Parse(c, s); err == nil {
			return keepable(t), true
		}
	}
	if t, err := time.Parse(time.DateOnly, s); err == nil {
		if end {
			t = t.AddDate(0, 0, 1)
		}
		return keepable(t), true
	}
	d, ok := back(s)
	if !ok {
		return time.Time{}, false
	}
	return keepable(now.Add(-d)), true
}

// back reads a span: 7d, 1d12h, 90m, 2w ago.
func back(s string) (time.Duration, bool) {
	m := span.FindStringSubmatch(s)
	if m == nil || m[1]+m[2]+m[3]+m[4] == "" {
		return 0, false
	}
	var d time.Duration
	for i, unit := range []time.Duration{7 * 24 * time.Hour, 24 * time.Hour, time.Hour, time.Minute} {
		if m[i+1] == "" {
			continue
		}
		n, err := strconv.ParseInt(strings.TrimRight(m[i+1], "wdhm"), 10, 64)
		if err != nil || n > int64((longest-d)/unit) {
			return 0, false
		}
		d += time.Duration(n) * unit
	}
	return d, true
}
