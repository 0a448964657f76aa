package record

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"time"
	"unicode"

	"witnessmark/internal/rig"
)

// MaxSamples bounds the samples of all signals of one record: 100 signals at
// 10 Hz for more than four hours. A longer run must be thinned.
const MaxSamples = 16 << 20

// Check says what is wrong with the run's shape, or nil. Whatever Decode
// returns has passed it, and whatever passes it Decode takes back.
func (r *Run) Check() error {
	switch {
	case !ValidID(r.ID):
		return fmt.Errorf("run id %q is not of the form 20310302-090312-k7q2m9xd", r.ID)
	case !ValidName(r.Rig):
		return fmt.Errorf("rig name %q is empty, too long or holds a control character", r.Rig)
	case !ValidName(r.Workload.Name):
		return fmt.Errorf("workload name %q is empty, too long or holds a control character", r.Workload.Name)
	case r.Setup != nil && !ValidName(r.Setup.Label):
		return fmt.Errorf("setup label %q is empty, too long or holds a control character", r.Setup.Label)
	case r.Repeat < 1 || r.Repeats < r.Repeat || r.Repeats > math.MaxInt32:
		return fmt.Errorf("repeat %d of %d", r.Repeat, r.Repeats)
	case r.Started.IsZero() || !time.Unix(0, r.Started.UnixNano()).Equal(r.Started):
		return fmt.Errorf("start %v does not fit nanoseconds since 1970", r.Started)
	case r.Elapsed < 0:
		return fmt.Errorf("elapsed time %v is negative", r.Elapsed)
	case !knownOutcome(r.Exit.Outcome):
		return fmt.Errorf("outcome %q is not known", r.Exit.Outcome)
	}
	for _, check := range []func() error{r.checkSpan, r.checkClock, r.checkFiles, r.checkFacts, r.checkSignals, r.checkResults} {
		if err := check(); err != nil {
			return err
		}
	}
	return nil
}

func (r *Run) checkSpan() error {
	if r.Span == nil {
		return nil
	}
	from, to := r.Span.From, r.Span.To
	for _, b := range []Bound{from, to} {
		switch {
		case b.Wall.IsZero() || !time.Unix(0, b.Wall.UnixNano()).Equal(b.Wall):
			return fmt.Errorf("bound %v of the span does not fit nanoseconds since 1970", b.Wall)
		case b.SinceBoot < 0 || b.Boot == "" && b.SinceBoot != 0:
			return fmt.Errorf("the span is bounded %v after boot %q", b.SinceBoot, b.Boot)
		case !slices.Contains([]string{ByStamps, ByLastWrite, ByDurations, ByName}, b.How):
			return fmt.Errorf("how a bound of the span was found is told as %q", b.How)
		}
	}
	if from.Boot != "" && from.Boot == to.Boot && to.SinceBoot < from.SinceBoot {
		return fmt.Errorf("the span ends %v before it begins", from.SinceBoot-to.SinceBoot)
	}
	return nil
}

func (r *Run) checkClock() error {
	c := r.Clock
	if c == nil {
		return nil
	}
	o, why := c.Offset, c.Unread.Reason
	switch {
	case !ValidName(c.Boot) || c.SinceBoot < 0:
		return fmt.Errorf("it started %v after boot %.130q", c.SinceBoot, c.Boot)
	case (o == nil) != (why != ""):
		return fmt.Errorf("its clock's offset is neither known nor unread, or both")
	case o == nil && !slices.Contains(rig.Reasons, why):
		return fmt.Errorf("its clock's offset is unread for no known reason %q", why)
	case o != nil && (o.Uncertainty < 0 || o.Measured.IsZero() || !time.Unix(0, o.Measured.UnixNano()).Equal(o.Measured)):
		return fmt.Errorf("its clock's offset, measured at %v, is uncertain by %v", o.Measured, o.Uncertainty)
	case len(c.Events) > maxClockEvents:
		return fmt.Errorf("%d events of its clocks; %d are taken", len(c.Events), maxClockEvents)
	}
	for _, e := range c.Events {
		if !slices.Contains([]string{ClockStep, ClockSuspend, ClockBoot}, e.Kind) || e.Kind != ClockStep && e.By < 0 {
			return fmt.Errorf("event %.130q of its clocks, by %v", e.Kind, e.By)
		}
	}
	return nil
}

// maxClockEvents bounds them; a run through which the clock is set every minute
// says no more with all of them.
const maxClockEvents = 1000

func (r *Run) checkFiles() error {
	names := map[string]bool{}
	for _, a := range r.Attachments {
		if !ValidName(a.Name) || names[a.Name] || a.Size < 0 {
			return fmt.Errorf("attachment %q is unnamed, named twice or of negative size", a.Name)
		}
		names[a.Name] = true
	}
	read := map[string]bool{}
	for _, l := range r.Logs {
		if !names[l.Attachment] || read[l.Attachment] {
			return fmt.Errorf("timing log %q is not among the attachments or is read twice", l.Attachment)
		}
		read[l.Attachment] = true
		if l.Rows < 0 || slices.ContainsFunc(l.Marks, func(m LogMark) bool { return m.Line < 0 }) {
			return fmt.Errorf("timing log %q has %d rows, or a mark on a negative line", l.Attachment, l.Rows)
		}
	}
	return nil
}

func (r *Run) checkFacts() error {
	for _, s := range []rig.Snapshot{r.Before, r.After} {
		for i, f := range s.Facts {
			if err := f.Check(); err != nil {
				return err
			}
			if i > 0 && rig.Compare(s.Facts[i-1].Key, f.Key) >= 0 {
				return fmt.Errorf("facts are not in order at %s", f.Key)
			}
		}
	}
	return nil
}

// The farthest from the run's start that a sample can lie; what judges windows
// of a signal walks through all of them.
const (
	earliest = -24 * time.Hour
	latest   = 366 * 24 * time.Hour
)

func (r *Run) checkSignals() error {
	samples := 0
	for _, s := range r.Signals {
		samples += len(s.Values)
		switch {
		case s.Key == "":
			return fmt.Errorf("signal without a key")
		case len(s.Offsets) != len(s.Values):
			return fmt.Errorf("signal %s has %d offsets and %d samples", s.Key, len(s.Offsets), len(s.Values))
		case samples > MaxSamples:
			return fmt.Errorf("the signals have more than %d samples", MaxSamples)
		case s.Exponent < -30 || s.Exponent > 30:
			return fmt.Errorf("signal %s has exponent %d", s.Key, s.Exponent)
		case slices.ContainsFunc(s.Offsets, func(o time.Duration) bool { return o < earliest || o > latest }):
			return fmt.Errorf("signal %s has a sample a day before the run or a year after", s.Key)
		case slices.ContainsFunc(s.Limits, func(l rig.Limit) bool { return math.IsNaN(l.Value) || math.IsInf(l.Value, 0) }):
			return fmt.Errorf("signal %s has a limit that is no number", s.Key)
		case s.Unread.Reason != "" && !slices.Contains(rig.Reasons, s.Unread.Reason):
			return fmt.Errorf("signal %s is unread for no known reason %q", s.Key, s.Unread.Reason)
		}
	}
	return nil
}

// decimal is a number as JSON writes it.
var decimal = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?$`)

func (r *Run) checkResults() error {
	names := map[string]bool{}
	for _, x := range r.Results {
		switch {
		case x.Name == "" || names[x.Name]:
			return fmt.Errorf("result %q is unnamed or named twice", x.Name)
		case len(x.Value) > 100 || !decimal.MatchString(x.Value):
			return fmt.Errorf("result %s has the value %.100q, which is not a plain number", x.Name, x.Value)
		case x.Better != "higher" && x.Better != "lower":
			return fmt.Errorf("result %s is better %q, neither higher nor lower", x.Name, x.Better)
		}
		names[x.Name] = true
	}
	return nil
}

func knownOutcome(s string) bool {
	switch s {
	case Finished, Failed, Killed, Interrupted, TimedOut, NotStarted, Taken:
		return true
	}
	return false
}

// MaxName bounds the names that become keys of the archive and the trail.
const MaxName = 120

// ValidName holds names to what both take: no control character of any kind.
func ValidName(s string) bool {
	if s == "" || len(s) > MaxName {
		return false
	}
	for _, r := range s {
		if unicode.IsControl(r) || r == unicode.ReplacementChar {
			return false
		}
	}
	return true
}
