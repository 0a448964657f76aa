package stats

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// OneFactor is what the levels of a single factor say about one workload.
type OneFactor struct {
	Grade
	Factor    FactorScaling // its arcs are between neighbouring levels
	DF        int
	Sigma     float64 // of the logs about the line
	Rest      Number  // scaling.rest: the share that the factor does not move
	LackOfFit LackOfFit
	Levels    int
	Repeats   int // least runs in a level
	Readings  []Reading
}

// ScaleOne fits log rate = c + e log(x) to the runs of cells whose A and X are the
// level of the factor, and reads how far it limits the workload. What another
// factor would do is not seen by it. Of the options it takes those of factor A.
//
// Source: as Scale, with one factor.
func ScaleOne(cells []Cell, opt ScalingOptions) OneFactor {
	opt = opt.Filled()
	o := OneFactor{Grade: Grade{Status: OK}, Factor: FactorScaling{Name: opt.NameA}}
	flat := make([]Cell, len(cells))
	for i, c := range cells {
		flat[i] = c
		flat[i].B, flat[i].Z = 0, 1
	}
	s := Scaling{Grade: Grade{Status: OK}}
	y, ok := s.admit(flat)
	o.inherit(s.Grade)
	if ok {
		o.fit(newLayout(flat, y), opt)
	}
	if !o.Usable() {
		o.withhold()
		return o
	}
	o.read(opt)
	return o
}

func (o *OneFactor) withhold() {
	for id, n := range map[string]*Number{"scaling.elasticity": &o.Factor.Elasticity, "scaling.rest": &o.Rest} {
		*n = number(id, "1", 0, math.NaN())
		n.inherit(o.Grade)
	}
	o.Readings = []Reading{{ID: ReadNotResolved, P: math.NaN(), Words: "nothing can be said: " + o.Reason}}
}

func (o *OneFactor) fit(d layout, opt ScalingOptions) {
	o.Levels, o.Repeats = len(d.levelsA), d.repeats
	if o.Levels < 2 {
		o.refuse(OneLevel, "%d levels, the factor needs at least 2", o.Levels)
		return
	}
	x, block := d.logFactor(func(c Cell) float64 { return c.X }), d.blockColumns()
	means := sequential(d.y, block, d.columnsA())
	within := len(d.y) - 1 - means.terms[0].DF - means.terms[1].DF
	f := LeastSquares(append([][]float64{d.constant(), x}, block...), d.y)
	switch {
	case within < 1:
		o.refuse(NoRepeats, "no level was run twice, nothing is known about the spread")
		return
	case !f.Usable() || f.DF < 1:
		o.refuse(FactorsConfounded, "the factor and the sessions changed together: %s", f.Reason)
		return
	case o.Repeats < 3:
		o.flag(FewRepeats, "%d runs at a level, at least 3 are wanted", o.Repeats)
	}
	if !d.balanced() {
		o.flag(Unbalanced, "the levels hold different numbers of runs")
	}
	o.DF, o.Sigma = f.DF, f.Sigma
	a := &o.Factor
	a.Elasticity = number("scaling.elasticity", "1", f.N, f.Coef[1], Param{Name: "level", Value: opt.Level})
	a.SE, a.Interval, a.Reading = f.SE[1], f.interval(1, opt.Level), f.interval(1, opt.ReadingLevel)
	a.Arcs = d.neighbours(math.Sqrt(means.left / float64(within)))
	o.Rest = number("scaling.rest", "1", f.N, 1-f.Coef[1])
	o.LackOfFit = LackOfFit{DF1: f.DF - within, DF2: within, F: math.NaN(), P: math.NaN()}
	if l := &o.LackOfFit; l.DF1 > 0 {
		l.F = (f.RSS - means.left) / float64(l.DF1) / (means.left / float64(within))
		l.P = fAbove(math.Max(0, l.F), float64(l.DF1), float64(l.DF2))
	}
}

// neighbours gives the elasticity between each level of A and the next.
func (d layout) neighbours(sigma float64) (out []Arc) {
	cells := slices.DeleteFunc(slices.Clone(d.cells), func(c Cell) bool { return len(c.Rates) == 0 })
	slices.SortFunc(cells, func(a, b Cell) int { return int(math.Copysign(1, a.X-b.X)) })
	for i := 1; i < len(cells); i++ {
		l, h := cells[i-1], cells[i]
		step := math.Log(h.X / l.X)
		if !(step > 0) {
			continue
		}
		se := sigma * math.Sqrt(1/float64(len(l.Rates))+1/float64(len(h.Rates))) / step
		out = append(out, Arc{From: l.X, To: h.X, Elasticity: (Mean(logs(h.Rates)) - Mean(logs(l.Rates))) / step, SE: se})
	}
	return out
}

func (o *OneFactor) read(opt ScalingOptions) {
	a, e := o.Factor, o.Factor.Elasticity.Value
	half := (a.Reading.High - a.Reading.Low) / 2
	if !(half <= opt.WidestHalf) {
		o.say(ReadNotResolved, "not resolved: the elasticity of %s is known to +-%.2f only, wider steps or more repeats are needed", a.Name, half)
		return
	}
	switch {
	case a.Reading.Low > 1:
		o.say(ReadSuspect, "suspect: the rate rises faster than %s (%.2f), something else moved with it", a.Name, e)
	case e < -opt.NegativeLimit:
		o.say(ReadSuspect, "suspect: the rate falls with %s (%.2f), something else moved with it", a.Name, e)
	}
	switch {
	case -opt.Insensitive < a.Reading.Low && a.Reading.High < opt.Insensitive:
		o.say(ReadLimitedElsewhere, "%s does not limit it, and nothing else was varied: %s", a.Name, opt.Elsewhere.words())
	case a.Reading.Low > opt.Mainly:
		o.say(ReadMainly, "mainly %s: %s of the time scales with it", a.Name, percent(e))
	}
	if l := o.LackOfFit; l.P < opt.InteractionP {
		low, high := math.Inf(1), math.Inf(-1)
		var each []string
		for _, arc := range a.Arcs {
			low, high = math.Min(low, arc.Elasticity), math.Max(high, arc.Elasticity)
			each = append(each, fmt.Sprintf("%.2f from %.4g to %.4g", arc.Elasticity, arc.From, arc.To))
		}
		if high-low > opt.ArcSpread {
			o.say(ReadLimitMoves, "the limit moves: elasticity of %s %s", a.Name, strings.Join(each, ", "))
		}
	}
	if len(o.Readings) == 0 {
		o.say(ReadPartly, "in part: %s of the time scales with %s, %s with something else", percent(e), a.Name, percent(o.Rest.Value))
	}
}

func (o *OneFactor) say(id ReadingID, format string, args ...any) {
	o.Readings = append(o.Readings, Reading{ID: id, Factor: o.Factor.Name, P: math.NaN(), Words: fmt.Sprintf(format, args...)})
}
