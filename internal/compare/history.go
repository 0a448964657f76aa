package compare

import (
	"cmp"
	"math"
	"slices"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// HistoryOptions are the settings of Trace; zero fields mean the default.
type HistoryOptions struct {
	Statistic  string        // the figure to follow; "" is the average rate, else the first result
	BySession  *bool         // one point for each session; nil decides by EnoughSessions
	Baseline   int           // 30 points at the start; half of the series where it is shorter than twice that
	SessionGap time.Duration // 4 h without a run begin a new session, as a boot does
	Chart      stats.ChartOptions
	Changes    stats.ChangeOptions
	Reorder    int // 1000 random reorderings tell how sure a change is
}

// EnoughSessions is how many sessions are charted as points of their own; with
// fewer, every run is a point. A design choice.
const EnoughSessions = 12

// sureEnough is the share of random orders that must show less of a change for it
// not to be called weak. A design choice.
const sureEnough = 0.95

// leastBaseline is the fewest points that limits are drawn from.
const leastBaseline = 8

func (o HistoryOptions) filled() HistoryOptions {
	o.SessionGap, o.Baseline, o.Reorder = cmp.Or(o.SessionGap, 4*time.Hour), cmp.Or(o.Baseline, 30), cmp.Or(o.Reorder, 1000)
	return o
}

// Event is one run as a series needs it: its outcome and what was measured
// beside it, without its logs.
type Event struct {
	Run
	Outcome Outcome
	Clock   Measured
	Thermal Thermal
}

// Outcome is a run's figure; Value is NaN where there is none.
type Outcome struct {
	Name   string
	Value  float64
	Unit   string
	Better stats.Direction
	Why    string // why there is none
}

// History is the series of one workload on one rig.
type History struct {
	Options   HistoryOptions
	Workload  string
	Version   string
	Rig       string
	Setups    []string // labels that the runs were declared in
	Statistic string
	Unit      string
	Better    stats.Direction
	BySession bool
	Points    []HistoryPoint
	Tracks    []Track  // the outcome first
	Changes   []Change // of the outcome first, then of the other tracks
	LeftOut   []LeftOut
	Remarks   []Remark
}

// HistoryPoint is one run or session in the order they were made.
type HistoryPoint struct {
	Started  time.Time
	Runs     []string
	Outcome  float64 // geometric mean of its runs
	Clock    float64 // MHz, mean under load; NaN when it was not sampled
	Rise     float64 // degrees over the room; NaN when it is not known
	Standing drift.Standing
	runs     []Event
}

// Track is one quantity over time, charted. The outcome and the clock are charted
// as logs.
type Track struct {
	Name    string // "outcome", "clock", "rise"
	Unit    string
	Log     bool
	Places  []int // of Points, those that have a value
	Values  []float64
	Chart   stats.Chart
	Changes stats.Changes
}

// Change is a place where the mean of a track changed.
type Change struct {
	Track         string
	Point         int // the first of Points after it
	Before, After string
	At            time.Time
	Mean          Shift // of the track, geometric where it is charted as logs
	Sure          stats.Number
	Weak          bool  // fewer than 95 % of random orders show less
	Outcome       Shift // and of all three over the same two segments
	Clock, Rise   Shift
	Causes        []Cause // facts that moved between the last run before and the first after; the likeliest first
}

// Shift is how a quantity moved; NaN where it is not known.
type Shift struct{ Before, After float64 }

// Cause is a fact that moved. One that follows from another fact that moved, too,
// names it.
type Cause struct {
	Difference
	Follows rig.Key
}

// Trace lays the runs of one workload on one rig out in time, charts them, finds
// where they changed, and names what else changed there.
func Trace(events []Event, opt HistoryOptions) History {
	h := History{Options: opt.filled()}
	events = slices.Clone(events)
	rig.Straighten(events, func(e *Event) (*time.Time, *rig.BootClock) { return e.Moment() })
	slices.SortFunc(events, func(a, b Event) int { return inTime(a.Run, b.Run) })
	events = h.admit(events)
	h.points(events)
	h.track("outcome", h.Unit, true, func(p HistoryPoint) float64 { return p.Outcome })
	h.track("clock", string(rig.MHz), true, func(p HistoryPoint) float64 { return p.Clock })
	h.track("rise", string(rig.Celsius), false, func(p HistoryPoint) float64 { return p.Rise })
	for _, t := range h.Tracks {
		h.changes(t)
	}
	h.remarks()
	return h
}

func (h *History) leave(why, run string) {
	i := slices.IndexFunc(h.LeftOut, func(l LeftOut) bool { return l.Why == why })
	if i < 0 {
		h.LeftOut = append(h.LeftOut, LeftOut{Why: why})
		i = len(h.LeftOut) - 1
	}
	h.LeftOut[i].Runs = append(h.LeftOut[i].Runs, run)
}

// AlsoLeft adds runs that were left out before they came here.
func (h *History) AlsoLeft(why string, runs []string) {
	for _, id := range runs {
		h.leave(why, id)
	}
}

// admit takes the runs of the newest version that have the figure.
func (h *History) admit(events []Event) (out []Event) {
	for _, e := range events {
		if e.Standing != drift.Voided {
			h.Workload, h.Version, h.Rig = e.Workload, e.WorkloadVersion, e.Rig
		}
	}
	figure := mostCommon(events, h.Version)
	h.Statistic, h.Unit, h.Better = figure.Name, figure.Unit, figure.Better
	for _, e := range events {
		switch {
		case e.Standing == drift.Voided:
			h.leave("void", e.ID)
		case e.WorkloadVersion != h.Version:
			h.leave("another version of the workload", e.ID)
		case !e.hasOutcome():
			h.leave("no outcome", e.ID)
		case e.Outcome.figure() != figure:
			h.leave("another figure", e.ID)
		default:
			if !slices.Contains(h.Setups, e.Setup) {
				h.Setups = append(h.Setups, e.Setup)
			}
			out = append(out, e)
		}
	}
	return out
}

// figure is the outcome without its value.
func (o Outcome) figure() Outcome { return Outcome{Name: o.Name, Unit: o.Unit, Better: o.Better} }

func (e Event) hasOutcome() bool { return e.Outcome.Value > 0 && !math.IsInf(e.Outcome.Value, 0) }

// mostCommon is the figure that the most usable runs have; of equals the newest.
func mostCommon(events []Event, version string) (best Outcome) {
	counts := map[Outcome]int{}
	for _, e := range events {
		if e.Standing == drift.Voided || e.WorkloadVersion != version || !e.hasOutcome() {
			continue
		}
		f := e.Outcome.figure()
		if counts[f]++; counts[f] >= counts[best] {
			best = f
		}
	}
	return best
}

// points groups runs into sessions where there are enough, or where it is asked for.
func (h *History) points(events []Event) {
	var sessions [][]Event
	for i, e := range events {
		if i == 0 || !sameSession(events[i-1].Run, e.Run, h.Options.SessionGap) || events[i-1].Setup != e.Setup {
			sessions = append(sessions, nil)
		}
		sessions[len(sessions)-1] = append(sessions[len(sessions)-1], e)
	}
	h.BySession = len(sessions) >= EnoughSessions
	if b := h.Options.BySession; b != nil {
		h.BySession = *b
	}
	if h.BySession {
		for _, s := range sessions {
			h.Points = append(h.Points, pointOf(s))
		}
		return
	}
	for _, e := range events {
		h.Points = append(h.Points, pointOf([]Event{e}))
	}
	if len(sessions) > 1 {
		h.Remarks = append(h.Remarks, Remark{"by_run", count(len(sessions), "session", "sessions") +
			" are too few to chart, so every run is a point: runs of one session are more alike than the limits take them to be"})
	}
}

func pointOf(events []Event) HistoryPoint {
	p := HistoryPoint{Started: events[0].Started, Standing: drift.Clean, runs: events}
	var outcome, clock, rise []float64
	for _, e := range events {
		p.Runs = append(p.Runs, e.ID)
		outcome = append(outcome, math.Log(e.Outcome.Value))
		if e.Clock.Known() && e.Clock.Value > 0 {
			clock = append(clock, math.Log(e.Clock.Value))
		}
		if e.Thermal.Rise.Known() {
			rise = append(rise, e.Thermal.Rise.Value)
		}
		if e.Standing == drift.Careful {
			p.Standing = drift.Careful
		}
	}
	p.Outcome, p.Clock, p.Rise = math.Exp(stats.Mean(outcome)), math.Exp(stats.Mean(clock)), stats.Mean(rise)
	return p
}

// track charts one quantity over the points that have it.
func (h *History) track(name, unit string, log bool, of func(HistoryPoint) float64) {
	t := Track{Name: name, Unit: unit, Log: log}
	for i, p := range h.Points {
		if v := of(p); !math.IsNaN(v) {
			t.Places, t.Values = append(t.Places, i), append(t.Values, v)
		}
	}
	if len(t.Values) == 0 && name != "outcome" {
		return
	}
	series := t.Values
	if log {
		series = logs(t.Values)
	}
	phase1 := min(h.Options.Baseline, len(series))
	if len(series) < 2*h.Options.Baseline {
		phase1 = min(len(series), max(leastBaseline, len(series)/2))
	}
	if phase1 < leastBaseline {
		t.Chart.Grade = stats.Grade{Status: stats.Refused, Reason: reason(stats.TooFewValues, "%d points, a chart needs %d", len(series), leastBaseline)}
		t.Chart.Options = h.Options.Chart
	} else {
		t.Chart = stats.DrawChart(series, phase1, h.Options.Chart)
	}
	t.Changes = stats.FindChanges(series, h.Options.Changes)
	h.Tracks = append(h.Tracks, t)
}

// changes explains each change of a track.
func (h *History) changes(t Track) {
	if !t.Changes.Usable() {
		return
	}
	bounds := append(append([]int{0}, t.Changes.Starts...), len(t.Values))
	series, back := t.Values, func(x float64) float64 { return x }
	if t.Log {
		series, back = logs(t.Values), math.Exp
	}
	for k, start := range t.Changes.Starts {
		from, to := bounds[k], bounds[k+2]
		at := t.Places[start]
		before, after := h.Points[t.Places[start-1]], h.Points[at]
		last, first := before.runs[len(before.runs)-1], after.runs[0]
		over := func(of func(HistoryPoint) float64) Shift { return h.shift(t.Places[from:to], start-from, of) }
		c := Change{
			Track: t.Name, Point: at, Before: last.ID, After: first.ID, At: first.Started,
			Mean:    Shift{back(t.Changes.Means[k]), back(t.Changes.Means[k+1])},
			Sure:    stats.ChangeConfidence(series[from:to], h.Options.Reorder, 1),
			Outcome: over(func(p HistoryPoint) float64 { return p.Outcome }),
			Clock:   over(func(p HistoryPoint) float64 { return p.Clock }),
			Rise:    over(func(p HistoryPoint) float64 { return p.Rise }),
			Causes:  Moved(last.Run, first.Run),
		}
		c.Weak = !(c.Sure.Value >= sureEnough)
		h.Changes = append(h.Changes, c)
	}
}

// shift is the mean of a quantity over the points before and after a change.
func (h *History) shift(places []int, split int, of func(HistoryPoint) float64) Shift {
	mean := func(at []int) float64 {
		var v []float64
		for _, i := range at {
			if x := of(h.Points[i]); !math.IsNaN(x) {
				v = append(v, x)
			}
		}
		return stats.Mean(v)
	}
	return Shift{mean(places[:split]), mean(places[split:])}
}

// Moved gives the facts that differ between two runs of one rig, the likeliest
// causes first: what follows from none of the others, by weight. What was read in
// one and not in the other has moved, too.
func Moved(before, after Run) []Cause {
	c := Control([]Run{before}, []Run{after}, nil)
	all := c.NotControlled
	for _, d := range c.NotKnown {
		if d.Differs() && !slices.ContainsFunc(all, func(e Difference) bool { return e.Fact == d.Fact }) {
			all = append(all, d)
		}
	}
	var out []Cause
	for _, d := range heaviest(all) {
		from, _ := follows(d.Fact, func(k rig.Key) (rig.Key, bool) {
			i := slices.IndexFunc(all, func(e Difference) bool { return e.Fact == k || e.Fact.Family() == k })
			if i < 0 || all[i].Fact == d.Fact {
				return "", false
			}
			return all[i].Fact, true
		})
		out = append(out, Cause{d, from})
	}
	slices.SortStableFunc(out, func(a, b Cause) int { return cmp.Compare(min(1, len(a.Follows)), min(1, len(b.Follows))) })
	return out
}

func (h *History) remarks() {
	if len(h.Setups) > 1 {
		h.Remarks = append(h.Remarks, Remark{"setups_mixed", "runs of " + count(len(h.Setups), "setup", "setups") + " are in one series: choose one with --setup, or take their changes for what they are"})
	}
	for _, p := range h.Points {
		if p.runs[0].Played != "" {
			h.Remarks = append(h.Remarks, Remark{"played", "runs of this series were made up and not measured"})
			return
		}
	}
}

// Played says whether runs of the series were made up.
func (h History) Played() bool {
	return slices.ContainsFunc(h.Remarks, func(r Remark) bool { return r.Code == "played" })
}
