package stats

import (
	"math"
	"slices"
)

// ScalingOptions are the settings of Scale; zero fields mean the default. The
// bounds of the reading are design choices.
type ScalingOptions struct {
	NameA, NameB  string    // "memory speed", "core clock"
	BaseA, BaseB  float64   // where the interaction fit gives its elasticities: the lowest level
	ReadingLevel  float64   // 0.90
	Level         float64   // 0.95
	WidestHalf    float64   // 0.15: a wider half interval resolves nothing
	Insensitive   float64   // 0.10: intervals inside +-0.10 claim that a factor does not matter
	Mainly        float64   // 0.5
	Shared        float64   // 0.15
	ArcSpread     float64   // 0.1
	InteractionP  float64   // 0.01
	SumLimit      float64   // 1.05
	NegativeLimit float64   // 0.05: an elasticity below minus this is suspect
	Elsewhere     Elsewhere // what was recorded about other limits
}

// Elsewhere is what is known about limits other than the two factors. A nil
// field was not recorded.
type Elsewhere struct {
	RefreshShare *float64 // share of frames on a multiple of the refresh period (RefreshShare)
	RefreshHertz float64  // of that period; 0 when not told
	GraphicsBusy *float64 // 0 to 1
	StorageBusy  *float64 // 0 to 1
	StorageWait  *float64 // share of the time in which some task waited for storage, 0 to 1
}

// Filled gives the options with the defaults in place of zeros.
func (o ScalingOptions) Filled() ScalingOptions {
	defaultTo(&o.NameA, "memory speed")
	defaultTo(&o.NameB, "core clock")
	defaultTo(&o.ReadingLevel, 0.90)
	defaultTo(&o.Level, 0.95)
	defaultTo(&o.WidestHalf, 0.15)
	defaultTo(&o.Insensitive, 0.10)
	defaultTo(&o.Mainly, 0.5)
	defaultTo(&o.Shared, 0.15)
	defaultTo(&o.ArcSpread, 0.1)
	defaultTo(&o.InteractionP, 0.01)
	defaultTo(&o.SumLimit, 1.05)
	defaultTo(&o.NegativeLimit, 0.05)
	return o
}

// FactorScaling is how the rate answers to one factor: the elasticity is the
// percentage of rate for each percent of the factor, which at the base point is
// the share of the time that scales with it.
type FactorScaling struct {
	Name       string
	Elasticity Number   // scaling.elasticity
	SE         float64  //
	Interval   Interval // at Level
	Reading    Interval // at ReadingLevel, which the reading rests on
	Arcs       []Arc    // between the ends, at each level of the other factor
}

// Arc is the elasticity between the lowest and the highest level of a factor,
// with the other factor held.
type Arc struct {
	From, To   float64 // of the factor
	Other      float64 // of the other factor, as measured in the first cell
	Elasticity float64
	SE         float64 // from the spread of the repeats
}

// Interaction is the fit with a product term.
type Interaction struct {
	A, B         float64 // elasticities at the base point
	BaseA, BaseB float64
	Estimate, SE float64
	P            float64
	DF           int
}

// LackOfFit tests the additive model against the cell means.
type LackOfFit struct {
	F, P     float64
	DF1, DF2 int
}

// Scaling is what a grid of two factors says about one workload.
type Scaling struct {
	Grade
	A, B        FactorScaling
	DF          int    // of the additive fit
	Sum, Rest   Number // scaling.sum, scaling.rest: the share that neither factor moves
	Difference  TTest  // A minus B, with their covariance, at ReadingLevel
	Interaction *Interaction
	LackOfFit   LackOfFit
	Anova       TwoWayTable
	Readings    []Reading // the first is the headline
}

// Scale fits log rate = c + eA log(x) + eB log(z) to the runs of a grid and reads
// what limits the workload. Give the configured memory rate and the measured
// clock under load, not set points. It is refused where the factors cannot be
// told apart or nothing was repeated.
//
// Source: Amdahl (1967) for the two resources (memory); R lm and aov (opened).
func Scale(cells []Cell, opt ScalingOptions) Scaling {
	opt = opt.Filled()
	s := Scaling{Grade: Grade{Status: OK}, A: FactorScaling{Name: opt.NameA}, B: FactorScaling{Name: opt.NameB}}
	y, ok := s.admit(cells)
	if ok {
		s.Anova = TwoWay(cells, y)
		s.inherit(s.Anova.Grade)
	}
	if !s.Usable() {
		s.withhold()
		return s
	}
	d := newLayout(cells, y)
	logX, logZ := d.logFactor(func(c Cell) float64 { return c.X }), d.logFactor(func(c Cell) float64 { return c.Z })
	s.additive(d, logX, logZ, opt)
	if !s.Usable() {
		s.withhold()
		return s
	}
	s.interact(d, logX, logZ, opt)
	s.A.Arcs, s.B.Arcs = d.arcs(s.Anova.Sigma, false), d.arcs(s.Anova.Sigma, true)
	s.read(opt)
	return s
}

func (s *Scaling) admit(cells []Cell) ([][]float64, bool) {
	y := make([][]float64, len(cells))
	for i, c := range cells {
		if !(c.X > 0) || !(c.Z > 0) || math.IsInf(c.X, 1) || math.IsInf(c.Z, 1) {
			s.refuse(NotPositive, "cell %d,%d has the factors %g and %g", c.A, c.B, c.X, c.Z)
		}
		if code, words := unfitForLog(c.Rates); code == NotPositive {
			s.refuse(code, "cell %d,%d: %s", c.A, c.B, words)
		}
		if len(c.Blocks) != 0 && len(c.Blocks) != len(c.Rates) {
			s.refuse(BadOption, "cell %d,%d has %d runs and %d sessions", c.A, c.B, len(c.Rates), len(c.Blocks))
		}
		y[i] = logs(c.Rates)
	}
	return y, s.Status != Refused
}

func (s *Scaling) withhold() {
	for id, n := range map[string]*Number{"scaling.elasticity": &s.A.Elasticity, "scaling.sum": &s.Sum, "scaling.rest": &s.Rest} {
		*n = number(id, "1", s.Anova.N, math.NaN())
		n.inherit(s.Grade)
	}
	s.B.Elasticity = s.A.Elasticity
	s.Readings = []Reading{{ID: ReadNotResolved, Words: "nothing can be said: " + s.Reason}}
}

func (d layout) logFactor(of func(Cell) float64) []float64 {
	out := make([]float64, len(d.y))
	for i, c := range d.cell {
		out[i] = math.Log(of(d.cells[c]))
	}
	return out
}

func (d layout) constant() []float64 { return d.indicator(func(int) bool { return true }) }

func (s *Scaling) additive(d layout, logX, logZ []float64, opt ScalingOptions) {
	f := LeastSquares(append([][]float64{d.constant(), logX, logZ}, d.blockColumns()...), d.y)
	if !f.Usable() || f.DF < 1 {
		s.refuse(FactorsConfounded, "the factors changed together: %s", f.Reason)
		return
	}
	s.DF = f.DF
	for j, at := range []*FactorScaling{&s.A, &s.B} {
		at.Elasticity = number("scaling.elasticity", "1", f.N, f.Coef[j+1], Param{Name: "level", Value: opt.Level})
		at.SE, at.Interval, at.Reading = f.SE[j+1], f.interval(j+1, opt.Level), f.interval(j+1, opt.ReadingLevel)
	}
	sum := f.Coef[1] + f.Coef[2]
	s.Sum, s.Rest = number("scaling.sum", "1", f.N, sum), number("scaling.rest", "1", f.N, 1-sum)
	s.Difference = TTest{Method: "t.elasticities", Difference: f.Coef[1] - f.Coef[2], DF: float64(f.DF),
		SE: math.Sqrt(f.Covariance[1][1] + f.Covariance[2][2] - 2*f.Covariance[1][2])}.finish(opt.ReadingLevel)
	e := s.Anova.Error
	lack := LackOfFit{DF1: f.DF - e.DF, DF2: e.DF, F: math.NaN(), P: math.NaN()}
	if lack.DF1 > 0 {
		lack.F = (f.RSS - e.SS) / float64(lack.DF1) / e.MS
		lack.P = fAbove(math.Max(0, lack.F), float64(lack.DF1), float64(lack.DF2))
	}
	s.LackOfFit = lack
}

// interact fits the product term, where the grid allows one.
func (s *Scaling) interact(d layout, logX, logZ []float64, opt ScalingOptions) {
	i := Interaction{BaseA: opt.BaseA, BaseB: opt.BaseB}
	defaultTo(&i.BaseA, math.Exp(slices.Min(logX)))
	defaultTo(&i.BaseB, math.Exp(slices.Min(logZ)))
	x, z, product := make([]float64, len(logX)), make([]float64, len(logX)), make([]float64, len(logX))
	for k := range logX {
		x[k], z[k] = logX[k]-math.Log(i.BaseA), logZ[k]-math.Log(i.BaseB)
		product[k] = x[k] * z[k]
	}
	f := LeastSquares(append([][]float64{d.constant(), x, z, product}, d.blockColumns()...), d.y)
	if !f.Usable() || f.DF < 1 {
		s.flag(CellMissing, "the grid cannot show an interaction")
		return
	}
	i.A, i.B, i.Estimate, i.SE, i.P, i.DF = f.Coef[1], f.Coef[2], f.Coef[3], f.SE[3], f.p(3), f.DF
	s.Interaction = &i
}

// arcs gives the elasticity of factor A between its ends at each level of B, or
// the other way round.
func (d layout) arcs(sigma float64, ofB bool) []Arc {
	own, other := func(c Cell) (int, float64) { return c.A, c.X }, func(c Cell) (int, float64) { return c.B, c.Z }
	if ofB {
		own, other = other, own
	}
	type end struct {
		x, z, log float64
		n         int
		set       bool
	}
	low, high := map[int]end{}, map[int]end{}
	for _, c := range d.cells {
		if len(c.Rates) == 0 {
			continue
		}
		_, x := own(c)
		at, z := other(c)
		e := end{x: x, z: z, log: Mean(logs(c.Rates)), n: len(c.Rates), set: true}
		if l := low[at]; !l.set || x < l.x {
			low[at] = e
		}
		if h := high[at]; !h.set || x > h.x {
			high[at] = e
		}
	}
	var out []Arc
	levels := d.levelsB
	if ofB {
		levels = d.levelsA
	}
	for _, at := range levels {
		l, h := low[at], high[at]
		if step := math.Log(h.x / l.x); step > 0 {
			se := sigma * math.Sqrt(1/float64(l.n)+1/float64(h.n)) / step
			out = append(out, Arc{From: l.x, To: h.x, Other: l.z, Elasticity: (h.log - l.log) / step, SE: se})
		}
	}
	return out
}
