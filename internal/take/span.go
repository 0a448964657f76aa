package take

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/timing"
	"witnessmark/internal/watch"
)

// clocks is what is known of wall times: watch.Timeline.
type clocks interface {
	Instants(wall time.Time) []watch.Instant
	Walls(at watch.Instant) []time.Time
	Events(from, to watch.Instant) []watch.Event
	Stretches() []watch.Stretch
}

// How exact times are taken to be; both are design choices.
const (
	// grain is what a file's time may lie before the write: file systems round,
	// some to two seconds.
	grain = 2 * time.Second
	// leeway is what a time may lie after the look at which it was seen.
	leeway = 100 * time.Millisecond
)

// written is what is known of the moment at which a log was last written.
type written struct {
	wall   time.Time     // as its file says
	seen   watch.Reading // it was written by then
	before watch.Reading // and after that; zero when that is not known
}

// end gives the bound at which the log was last written.
func (w written) end(c clocks) record.Bound {
	b := record.Bound{Wall: w.wall.UTC(), How: record.ByLastWrite}
	all := slices.DeleteFunc(c.Instants(w.wall), func(at watch.Instant) bool {
		return at.Boot == w.seen.Boot && at.At > w.seen.SinceBoot+leeway
	})
	if between := slices.DeleteFunc(slices.Clone(all), w.outside); len(between) > 0 {
		all = between
	}
	switch {
	case len(all) > 0:
		at := all[len(all)-1]
		b.Boot, b.SinceBoot = at.Boot, at.At
		b.Detail = twice(all)
	case w.before.Boot != "":
		b.Wall, b.Boot, b.SinceBoot = w.seen.Wall, w.seen.Boot, w.seen.SinceBoot
		b.Detail = fmt.Sprintf("its file says %s, which this machine's clock did not show by then; it was seen to change by this time", stamp(w.wall))
	case older(c, w.wall):
		b.Detail = "older than what is known of this machine's clocks"
	default:
		b.Detail = "a time that this machine's clock did not show"
	}
	return b
}

// outside says that the log was not written at that instant, as far as it was
// watched.
func (w written) outside(at watch.Instant) bool {
	return w.before.Boot == "" || at.Boot != w.seen.Boot || at.Boot == w.before.Boot && at.At < w.before.SinceBoot-grain
}

// twice tells of a wall time that was more than one instant; "" of any other.
func twice(all []watch.Instant) string {
	if len(all) < 2 {
		return ""
	}
	var at []string
	for _, i := range all {
		at = append(at, fmt.Sprintf("%v after boot %s", i.At.Round(time.Millisecond), i.Boot))
	}
	return "the clock may have shown that time more than once: " + strings.Join(at, ", ")
}

// older says whether a wall time lies before everything that is known.
func older(c clocks, wall time.Time) bool {
	for _, s := range c.Stretches() {
		if !wall.Before(s.From.Wall.Add(-s.From.SinceBoot)) {
			return false
		}
	}
	return true
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05.000") + " UTC" }

// byLength gives the span of a log that ended when it was last written.
func byLength(l *timing.Log, w written, c clocks) record.Span {
	to, length := w.end(c), time.Duration(l.Elapsed())
	from := record.Bound{Wall: to.Wall.Add(-length), How: record.ByDurations}
	if to.Boot == "" {
		from.Detail = to.Detail
		return record.Span{From: from, To: to}
	}
	end := watch.Instant{Boot: to.Boot, At: to.SinceBoot}
	at, slept := back(end.At, length, time.Duration(slices.Max(l.Durations)), c.Events(watch.Instant{Boot: end.Boot}, end))
	if from.Wall = from.Wall.Add(-slept); at < 0 {
		from.Detail = "the log is longer than the machine had run"
		return record.Span{From: from, To: to}
	}
	from.Boot, from.SinceBoot = end.Boot, at
	if slept > 0 {
		from.Detail = fmt.Sprintf("the machine was suspended for %v, which the log's durations leave out", slept.Round(time.Millisecond))
	}
	if walls := c.Walls(watch.Instant{Boot: end.Boot, At: at}); len(walls) > 0 {
		from.Wall = walls[0].UTC()
	}
	return record.Span{From: from, To: to}
}

// back goes a log's length back from its end on the boot clock. Suspensions on
// the way lie between its durations, unless one of them is long enough to hold
// them: most programs measure by a clock that stands still meanwhile.
func back(end, length, longest time.Duration, events []watch.Event) (begin, slept time.Duration) {
	begin = end - length
	for _, e := range slices.Backward(events) {
		// It woke no earlier than that; a begin between there and the look that
		// noticed is taken to be after it.
		woke := e.Before.SinceBoot + e.Slept
		if e.Slept > 0 && e.Before.SinceBoot < end && woke > begin && longest < e.Slept {
			begin, slept = begin-e.Slept, slept+e.Slept
		}
	}
	return begin, slept
}

// The years within which a time stamp may be a wall time; others count from
// somewhere else, as the start of the program.
var (
	earliestStamp = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	latestStamp   = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
)

// stamps gives the wall times between which the log says it ran; false when its
// time stamps are none, or it has none.
func stamps(l *timing.Log) (from, to time.Time, ok bool) {
	if l.FirstStamp == nil || l.LastStamp == nil {
		return from, to, false
	}
	from, to = time.Unix(0, *l.FirstStamp).UTC(), time.Unix(0, *l.LastStamp).UTC()
	if end := from.Add(time.Duration(l.Elapsed())); end.After(to) {
		to = end // the stamps are those of the rows' beginnings
	}
	return from, to, from.After(earliestStamp) && to.Before(latestStamp)
}

// byStamps gives the span that the log's own time stamps tell; false when they
// are no wall times, or no times of this machine, and then why.
func byStamps(l *timing.Log, w written, c clocks) (s record.Span, why string, ok bool) {
	first, last, ok := stamps(l)
	if !ok {
		return s, "", false
	}
	s.From = record.Bound{Wall: first, How: record.ByStamps}
	s.To = record.Bound{Wall: last, How: record.ByStamps}
	a, b := c.Instants(first), c.Instants(last)
	from, to, ok := pair(a, b, last.Sub(first), w.seen)
	switch {
	case ok:
		s.From.Boot, s.From.SinceBoot, s.From.Detail = from.Boot, from.At, twice(a)
		s.To.Boot, s.To.SinceBoot, s.To.Detail = to.Boot, to.At, twice(b)
		return s, "", true
	case older(c, first):
		s.From.Detail = "older than what is known of this machine's clocks"
		s.To.Detail = s.From.Detail
		return s, "", true
	}
	return s, fmt.Sprintf("the log's time stamps, %s to %s, are no times that this machine's clock showed by then", stamp(first), stamp(last)), false
}

// pair chooses among the instants at which a run may have begun and ended those
// that lie apart most nearly by its length, the later ones of two that do.
func pair(froms, tos []watch.Instant, length time.Duration, seen watch.Reading) (from, to watch.Instant, ok bool) {
	best := time.Duration(-1)
	for _, a := range froms {
		for _, b := range tos {
			if a.Boot != b.Boot || b.At < a.At || b.Boot == seen.Boot && b.At > seen.SinceBoot+grain {
				continue
			}
			if off := (b.At - a.At - length).Abs(); best < 0 || off <= best {
				from, to, best, ok = a, b, off, true
			}
		}
	}
	return from, to, ok
}

// byName gives the span that somebody named.
func byName(n named) *record.Span {
	bound := func(r watch.Reading) record.Bound {
		return record.Bound{Wall: r.Wall.UTC(), Boot: r.Boot, SinceBoot: r.SinceBoot, How: record.ByName}
	}
	return &record.Span{Name: n.Name, From: bound(n.Began), To: bound(n.Ended)}
}

// lengthOf is how long a span lasted: by the boot clock, or by the wall clock
// when it is not on one boot's.
func lengthOf(s record.Span) time.Duration {
	if s.From.Boot != "" && s.From.Boot == s.To.Boot {
		return s.To.SinceBoot - s.From.SinceBoot
	}
	return max(0, s.To.Wall.Sub(s.From.Wall))
}
