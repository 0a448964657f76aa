package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/figure"
	"witnessmark/internal/stats"
)

// drawable keeps the figures that have something to draw.
func drawable(of ...interface {
	Figure() (figure.Figure, error)
}) (out []figure.Figure) {
	for _, x := range of {
		if f, err := x.Figure(); err == nil {
			out = append(out, f)
		}
	}
	return out
}

// OfScaling draws a grid of factors, and what the time scales with.
func OfScaling(s compare.Scaling) []figure.Figure {
	h := figure.Head{
		Name: s.Workload + " " + s.Rig, Subject: strings.TrimSpace(s.Workload+" "+s.Version) + " on " + s.Rig,
		NotControlled: spoiledBy(s.Controlled), Played: s.Played(),
	}
	level := s.Options.Rule.Filled().Level
	g := figure.Grid{Head: h, Unit: s.Unit, Level: level}
	for i, f := range s.Factors {
		name := f.Name
		if f.Unit != "" {
			name += ", " + string(f.Unit)
		}
		if i == 0 {
			g.A = name
		} else {
			g.B = name
		}
	}
	for _, c := range s.Cells {
		if len(c.Runs) > 0 {
			g.Cells = append(g.Cells, cellOf(s, c, level))
		}
	}
	return drawable(g, sharesOf(s, h, level))
}

// cellOf places a cell by the settings of its levels.
func cellOf(s compare.Scaling, c compare.GridCell, level float64) figure.Cell {
	out := figure.Cell{Runs: len(c.Runs), Mean: math.NaN()}
	for i, at := range c.At {
		setting := s.Factors[i].Levels[at].Setting
		if i == 0 {
			out.A = setting
		} else {
			out.B = setting
		}
	}
	if mean, ok := stats.DescribeRepeats(c.Rates, s.Unit).GeoMean.Get(); ok {
		out.Mean = mean
	}
	if low, high, ok := meanInterval(c.Rates, level); ok {
		out.Low, out.High = low, high
	}
	return out
}

// sharesOf is the elasticities, and the rest that none of the factors moves.
func sharesOf(s compare.Scaling, h figure.Head, level float64) figure.Shares {
	f := figure.Shares{Head: h, Level: level}
	add := func(x stats.FactorScaling) {
		if v, ok := x.Elasticity.Get(); ok {
			f.Rows = append(f.Rows, figure.Share{Label: x.Name, Value: v, Low: x.Interval.Low, High: x.Interval.High})
		}
	}
	var rest stats.Number
	switch {
	case s.Two != nil:
		add(s.Two.A)
		add(s.Two.B)
		rest = s.Two.Rest
	case s.One != nil:
		add(s.One.Factor)
		rest = s.One.Rest
	}
	if v, ok := rest.Get(); ok && len(f.Rows) > 0 {
		f.Rows = append(f.Rows, figure.Share{Label: "the rest", Value: v})
	}
	return f
}

// OfHistory draws a series over time.
func OfHistory(h compare.History) []figure.Figure {
	f := figure.History{Head: figure.Head{
		Name: h.Workload + " " + h.Rig, Subject: strings.TrimSpace(h.Workload+" "+h.Version) + " on " + h.Rig, Played: h.Played(),
	}, Sessions: h.BySession}
	for _, t := range h.Tracks {
		f.Charts = append(f.Charts, chartOf(h, t))
	}
	for _, c := range h.Changes {
		f.Changes = append(f.Changes, figure.Change{At: c.At, Text: changeWords(c)})
	}
	if len(h.Tracks) > 0 {
		if marks := compare.Marks(h.Tracks[0].Chart.Grade); len(marks) > 0 {
			f.Note = sentence(strings.Join(marks, "; "))
		}
	}
	return drawable(f)
}

var trackNames = map[string]string{"clock": "clock under load", "rise": "temperature over the room"}

func chartOf(h compare.History, t compare.Track) figure.Chart {
	c := figure.Chart{Name: orWords(trackNames[t.Name], wordsFor(h.Statistic)), Unit: t.Unit}
	back := func(x float64) float64 { return x }
	if t.Log {
		back = math.Exp
	}
	for i, at := range t.Places {
		p := figure.Point{At: h.Points[at].Started, Value: t.Values[i]}
		p.Flagged = t.Chart.Usable() && slices.Contains(t.Chart.Shewhart, i)
		c.Points = append(c.Points, p)
	}
	if t.Chart.Usable() {
		low, high := t.Chart.Baseline.Limits(t.Chart.Options.Filled().Limit)
		c.Low, c.High = back(low), back(high)
	}
	if t.Changes.Usable() {
		bounds := append(append([]int{0}, t.Changes.Starts...), len(t.Places))
		for k, mean := range t.Changes.Means {
			c.Levels = append(c.Levels, figure.Level{
				From: h.Points[t.Places[bounds[k]]].Started, To: h.Points[t.Places[bounds[k+1]-1]].Started, Value: back(mean),
			})
		}
	}
	return c
}

// changeWords names the facts that moved at a change, a few of them.
func changeWords(c compare.Change) string {
	const few = 3
	of := map[string]string{"outcome": "outcome", "clock": "clock", "rise": "temperature"}[c.Track]
	var moved []string
	for _, m := range c.Causes[:min(few, len(c.Causes))] {
		moved = append(moved, fmt.Sprintf("%s from %s to %s", m.Fact, m.Side(m.Base), m.Side(m.Against)))
	}
	if more := len(c.Causes) - few; more > 0 {
		moved = append(moved, count(more, "other fact", "other facts"))
	}
	s := of + ", no fact moved"
	if len(moved) > 0 {
		s = of + ", with " + strings.Join(moved, ", ")
	}
	if c.Weak {
		s += " (weak)"
	}
	return s
}
