package main

import (
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/screen"
)

// moment reads a flag that is a moment, a date, or a span back from now; the
// zero time for "". A date is its first moment, or with end the one after its
// last.
func moment(flag, s string, now time.Time, end bool) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, ok := answer.Moment(s, now, end)
	if !ok {
		return time.Time{}, screen.Misuse(answer.MomentHint, "%s %s: not a time", flag, s)
	}
	return t, nil
}
