package watch

import (
	"fmt"
	"slices"
	"time"
)

// Stretch is a time through which the machine neither restarted nor slept nor
// had its wall clock set, as far as its first and last reading can tell.
type Stretch struct {
	From Reading `json:"from"`
	To   Reading `json:"to"`
}

// ahead is the wall time that the stretch's clock would have shown at the boot.
func (s Stretch) ahead() time.Time { return s.From.Wall.Add(-s.From.SinceBoot) }

// The least that is told; both are design choices. Reading three clocks one
// after the other is worth less than a millisecond, more on a busy machine.
const (
	leastStep  = 20 * time.Millisecond
	leastSleep = 100 * time.Millisecond
)

// Event is what lies between two stretches.
type Event struct {
	Before, After Reading // the last one before it, and the first one after
	Restarted     bool    // the machine; the others are then not known
	Slept         time.Duration
	Stepped       time.Duration // by how much the wall clock was set; forward is positive
}

// between gives the event between stretch s and a later reading, false if there
// was none.
func between(s Stretch, r Reading) (Event, bool) {
	e := Event{Before: s.To, After: r}
	if r.Boot != s.To.Boot {
		e.Restarted = true
		return e, true
	}
	if d := r.Wall.Add(-r.SinceBoot).Sub(s.ahead()); d.Abs() >= leastStep {
		e.Stepped = d
	}
	if d := (r.SinceBoot - s.To.SinceBoot) - (r.Awake - s.To.Awake); d >= leastSleep {
		e.Slept = d
	}
	return e, e.Stepped != 0 || e.Slept != 0
}

// String says it in words: "the clock was set back by 1h0m0s".
func (e Event) String() string {
	if e.Restarted {
		return "the machine was started anew"
	}
	slept := fmt.Sprintf("the machine was suspended for %v", e.Slept.Round(time.Millisecond))
	way := "forward"
	if e.Stepped < 0 {
		way = "back"
	}
	stepped := fmt.Sprintf("the clock was set %s by %v", way, e.Stepped.Abs().Round(time.Millisecond))
	switch {
	case e.Slept == 0:
		return stepped
	case e.Stepped == 0:
		return slept
	}
	return slept + ", and " + stepped
}

// eventsOf lists what lies between the stretches, each given once.
func eventsOf(all []Stretch) []Event {
	var out []Event
	for i := 1; i < len(all); i++ {
		if e, ok := between(all[i-1], all[i].From); ok {
			out = append(out, e)
		}
	}
	return out
}

// lookahead is how far past the last reading a time is still looked for: it may
// have been shown since, but not long ago.
const lookahead = time.Minute

// reach gives the bounds on the boot clock within which the clock of stretch i
// may have been in force: up to the readings of its neighbours, as nobody
// looked between.
func reach(all []Stretch, i int) (lo, hi time.Duration) {
	s := all[i]
	if i > 0 && all[i-1].To.Boot == s.From.Boot {
		lo = all[i-1].To.SinceBoot
	}
	switch {
	case i == len(all)-1:
		return lo, s.To.SinceBoot + lookahead
	case all[i+1].From.Boot == s.From.Boot:
		return lo, all[i+1].From.SinceBoot
	}
	// The boot has ended, and before the next one began by the wall clock.
	return lo, max(s.To.SinceBoot, all[i+1].ahead().Sub(s.ahead()))
}

// instants gives each instant at which the wall clock may have shown w, the
// earliest first.
func instants(all []Stretch, w time.Time) []Instant {
	var out []Instant
	for i, s := range all {
		at := Instant{s.From.Boot, w.Sub(s.ahead())}
		lo, hi := reach(all, i)
		if at.At < lo || at.At > hi || slices.ContainsFunc(out, at.near) {
			continue
		}
		out = append(out, at)
	}
	slices.SortStableFunc(out, func(a, b Instant) int {
		if a.Boot != b.Boot {
			return 0
		}
		return int(min(max(a.At-b.At, -1), 1))
	})
	return out
}

func (i Instant) near(j Instant) bool { return i.Boot == j.Boot && (i.At-j.At).Abs() < leastStep }

// walls gives each time that the wall clock may have shown at an instant.
func walls(all []Stretch, at Instant) []time.Time {
	var out []time.Time
	for i, s := range all {
		if lo, hi := reach(all, i); s.From.Boot != at.Boot || at.At < lo || at.At > hi {
			continue
		}
		w := s.ahead().Add(at.At)
		if !slices.ContainsFunc(out, func(o time.Time) bool { return o.Sub(w).Abs() < leastStep }) {
			out = append(out, w)
		}
	}
	return out
}
