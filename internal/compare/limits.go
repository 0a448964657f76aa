package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// refreshRates are the display rates that frames are held against, in hertz. A
// design choice: a rig's facts name the mode of a display, not its rate.
var refreshRates = []int64{60, 75, 90, 120, 144, 165, 240}

// checkElsewhere gathers what the runs say about other limits: the refresh rate
// that the most frames of every cell keep to, and how busy graphics and storage
// were, where that was sampled.
func (s *Scaling) checkElsewhere() {
	e := &s.Elsewhere
	for _, hz := range refreshRates {
		least := math.Inf(1)
		for _, c := range s.Cells {
			for _, r := range c.runs {
				if len(r.Durations) > 0 {
					least = min(least, stats.RefreshShare(r.Durations, stats.RefreshPeriod(hz), 0.02))
				}
			}
		}
		if !math.IsInf(least, 1) && (e.RefreshShare == nil || least > *e.RefreshShare) {
			e.RefreshShare, e.RefreshHertz = &least, float64(hz)
		}
	}
	e.GraphicsBusy = s.mean(func(r Run) (float64, bool) { return r.share("graphics[].busy") })
	e.StorageBusy = s.mean(func(r Run) (float64, bool) { return r.share("drive[].busy") })
	e.StorageWait = s.mean(func(r Run) (float64, bool) { return r.waiting("pressure[io].stalled") })
}

// mean averages a figure over the runs that have it; nil where none has.
func (s *Scaling) mean(of func(Run) (float64, bool)) *float64 {
	var v []float64
	for _, c := range s.Cells {
		for _, r := range c.runs {
			if x, ok := of(r); ok {
				v = append(v, x)
			}
		}
	}
	if len(v) == 0 {
		return nil
	}
	m := stats.Mean(v)
	return &m
}

// fit scales both factors where both were varied, else the one that was.
func (s *Scaling) fit() {
	rule := s.Options.Rule
	rule.Elsewhere = s.Elsewhere
	var varied []int
	for i, f := range s.Factors {
		if len(f.Levels) > 1 {
			varied = append(varied, i)
		}
	}
	s.nest()
	cells := s.statCells()
	switch {
	case len(varied) == 2:
		rule.NameA, rule.NameB = s.Factors[0].Name, s.Factors[1].Name
		two := withDays(s, cells, func(c []stats.Cell) (stats.Scaling, stats.Grade) {
			r := stats.Scale(c, rule)
			return r, r.Grade
		})
		s.Two, s.Readings = &two, two.Readings
	case len(s.Factors) > 0:
		if len(varied) == 1 {
			s.Varied = varied[0]
		}
		rule.NameA = s.Factors[s.Varied].Name
		for i, c := range s.Cells {
			if len(c.runs) > 0 {
				cells[i].A, cells[i].X = c.At[s.Varied], c.Values[s.Varied]
			}
		}
		one := withDays(s, cells, func(c []stats.Cell) (stats.OneFactor, stats.Grade) {
			r := stats.ScaleOne(c, rule)
			return r, r.Grade
		})
		s.One, s.Readings = &one, one.Readings
	}
	s.qualify()
}

// qualify puts first what a limit cannot be claimed against: what differed beside
// the factors may be what moved the rate.
func (s *Scaling) qualify() {
	if len(s.NotControlled) == 0 {
		return
	}
	var names []string
	for _, d := range heaviest(s.NotControlled) {
		names = append(names, string(d.Fact))
	}
	more := ""
	if n := len(names) - most; n > 0 {
		names, more = names[:most], fmt.Sprintf(" and %d more", n)
	}
	s.Readings = []stats.Reading{{ID: "not_controlled", P: math.NaN(),
		Words: "what limits it is not said: " + strings.Join(names, ", ") + more + " differed, too, and may have moved the rate"}}
}

// statCells gives the cells with a value for each run or session; blocks are days.
func (s *Scaling) statCells() []stats.Cell {
	out := make([]stats.Cell, len(s.Cells))
	day := s.days()
	for i, c := range s.Cells {
		out[i] = stats.Cell{A: c.At[0], X: c.Values[0], Z: 1}
		if len(c.At) == 2 {
			out[i].B, out[i].Z = c.At[1], c.Values[1]
		}
		if len(c.runs) == 0 {
			out[i].X, out[i].Z = 1, 1 // no run uses them
			continue
		}
		for _, session := range s.sessions(c) {
			logs := make([]float64, 0, len(session))
			for _, j := range session {
				if !s.ByMeans {
					out[i].Rates, out[i].Blocks = append(out[i].Rates, c.Rates[j]), append(out[i].Blocks, day[c.Runs[j]])
				}
				logs = append(logs, math.Log(c.Rates[j]))
			}
			if s.ByMeans {
				out[i].Rates, out[i].Blocks = append(out[i].Rates, math.Exp(stats.Mean(logs))), append(out[i].Blocks, day[c.Runs[session[0]]])
			}
		}
	}
	return out
}

// sessions gives the places of the runs of each session of a cell: a run of another
// cell between two of it begins a new one, as a boot or a gap does.
func (s *Scaling) sessions(c GridCell) (out [][]int) {
	for i, r := range c.runs {
		if i == 0 || s.place[r.ID] != s.place[c.Runs[i-1]]+1 || !sameSession(c.runs[i-1], r, s.Options.SessionGap) {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], i)
	}
	return out
}

// inOrder gives the runs of all cells in the order they were made.
func (s *Scaling) inOrder() (all []Run) {
	for _, c := range s.Cells {
		all = append(all, c.runs...)
	}
	slices.SortFunc(all, inTime)
	return all
}

// nest decides whether the sessions of a cell differ more than the runs inside
// them; then their means are the values.
func (s *Scaling) nest() {
	cells := make([][][]float64, len(s.Cells))
	for i, c := range s.Cells {
		for _, session := range s.sessions(c) {
			var logs []float64
			for _, j := range session {
				logs = append(logs, math.Log(c.Rates[j]))
			}
			cells[i] = append(cells[i], logs)
		}
	}
	s.ByMeans = stats.SessionsInside(cells).P < 0.05
}

// days numbers the stretches of runs without a longer gap than the options allow.
func (s *Scaling) days() map[string]int {
	all := s.inOrder()
	out := map[string]int{}
	var last time.Time
	n := 0
	for i, r := range all {
		if i > 0 && r.Started.Sub(last) > s.Options.SessionGap {
			n++
		}
		last = r.Started.Add(r.Elapsed)
		out[r.ID] = n
	}
	if len(all) > 0 {
		s.Days = n + 1
	}
	return out
}

// withDays fits with the days as blocks. Where a factor moved with the days only,
// they cannot be told apart: then they are left out of the fit, and a remark says so.
func withDays[T any](s *Scaling, cells []stats.Cell, fit func([]stats.Cell) (T, stats.Grade)) T {
	if s.Days > 1 {
		r, grade := fit(cells)
		if grade.Usable() {
			return r
		}
		s.remarkOn(DaysConfounded, "the cells were made on days of their own: what else changed from day to day is in the elasticities")
	}
	s.Days = 0
	plain := slices.Clone(cells)
	for i := range plain {
		plain[i].Blocks = nil
	}
	r, grade := fit(plain)
	if !grade.Usable() { // the days are not what is wrong
		s.Remarks = slices.DeleteFunc(s.Remarks, func(m Remark) bool { return m.Code == DaysConfounded })
	}
	return r
}

// Scaled gives what was found of each factor, in the order of Factors; of one
// alone where only one was varied.
func (s *Scaling) Scaled() []stats.FactorScaling {
	switch {
	case s.Two != nil:
		return []stats.FactorScaling{s.Two.A, s.Two.B}
	case s.One != nil:
		return []stats.FactorScaling{s.One.Factor}
	}
	return nil
}

// Grade is what was held against the fit.
func (s *Scaling) Grade() stats.Grade {
	switch {
	case s.Two != nil:
		return s.Two.Grade
	case s.One != nil:
		return s.One.Grade
	}
	return stats.Grade{Status: stats.Refused, Reason: reason(stats.TooFewValues, "no run is left")}
}

// In names the factor with its unit, for tables.
func (f Factor) In() string {
	if f.Unit == rig.NoUnit {
		return f.Name
	}
	return f.Name + ", " + string(f.Unit)
}

// Headline is the first line of the answer: controlled or not, and why.
func (s Scaling) Headline() string {
	if !s.Controlled.Controlled {
		return "not controlled: " + strings.Join(s.spoilt(), "; ")
	}
	var parts []string
	for i, f := range s.Factors {
		var levels []string
		for _, l := range f.Levels {
			levels = append(levels, l.Label)
		}
		p := f.Name + " at " + strings.Join(levels, ", ")
		if low, high := s.ends(i); f.Measured && len(levels) > 1 {
			p += fmt.Sprintf(" (measured %.0f to %.0f %s)", low, high, f.Unit)
		}
		if len(levels) == 0 {
			p = f.Name + ", of which nothing is known"
		}
		parts = append(parts, p)
	}
	h := "controlled in all " + count(s.Runs, "run", "runs") + "; the factors are " + strings.Join(parts, "; ")
	if len(parts) == 1 {
		h = strings.Replace(h, "factors are", "factor is", 1)
	}
	if n := len(s.Follows); n > 0 {
		h += "; " + count(n, "fact follows", "facts follow")
	}
	return h
}

// spoilt names what was not controlled, the heaviest first.
func (s Scaling) spoilt() (out []string) {
	for _, list := range []struct {
		ds     []Difference
		prefix string
		one    string
		many   string
	}{
		{s.NotControlled, "", "other fact differs", "other facts differ"},
		{s.NotKnown, "not known: ", "other fact is not known", "other facts are not known"},
	} {
		ds := heaviest(list.ds)
		for _, d := range ds[:min(most, len(ds))] {
			out = append(out, fmt.Sprintf("%s%s is %s", list.prefix, d.Fact, d.Everywhere()))
		}
		if more := len(ds) - most; more > 0 {
			out = append(out, count(more, list.one, list.many))
		}
	}
	return out
}

// Everywhere puts what all runs have into words, whichever side they are on.
func (d Difference) Everywhere() string {
	var all []Seen
	for _, s := range slices.Concat(d.Base, d.Against) {
		i := slices.IndexFunc(all, func(t Seen) bool { return t.Value == s.Value && t.Unread.Reason == s.Unread.Reason })
		if i < 0 {
			s.Runs = slices.Clone(s.Runs)
			all = append(all, s)
			continue
		}
		all[i].Runs = merged(all[i].Runs, s.Runs)
	}
	return d.Side(all)
}
