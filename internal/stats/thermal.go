package stats

import (
	"fmt"
	"math"
)

// ThermalOptions are the settings of the thermal methods; zero fields mean the
// default. All are design choices.
type ThermalOptions struct {
	MinTau, MaxTau float64 // 1 s and 3600 s: where the time constant is searched
	LeastR2        float64 // 0.9
	FastR1         float64 // 0.7: residuals more correlated show a second constant
	FastPart       float64 // 10 s: left out then
	SteadySpan     float64 // 60 s
	SteadySlope    float64 // 0.5 degC/min
	SteadyRest     float64 // 1 degC below the final temperature
}

func (o ThermalOptions) filled() ThermalOptions {
	defaultTo(&o.MinTau, 1)
	defaultTo(&o.MaxTau, 3600)
	defaultTo(&o.LeastR2, 0.9)
	defaultTo(&o.FastR1, 0.7)
	defaultTo(&o.FastPart, 10)
	defaultTo(&o.SteadySpan, 60)
	defaultTo(&o.SteadySlope, 0.5)
	defaultTo(&o.SteadyRest, 1)
	return o
}

// FirstOrder is the curve T(t) = Final - (Final - Start) exp(-t/Tau) from the
// moment the load begins.
type FirstOrder struct {
	Grade
	N            int
	Final, Start Number     // thermal.final, thermal.start, degC
	Tau          Number     // thermal.tau, s
	SE           [3]float64 // of Final, Start, Tau
	RSS          float64
	RSquared     float64
	ResidualR1   float64
	curve        response
}

// FitFirstOrder fits the curve to temperatures at times in seconds since the load
// began; NaN stands for a sample that was not read. It is refused where the curve
// does not describe the data or its end was not in sight.
//
// Source: first-order step response, certified fits of NIST StRD (opened);
// variable projection, Golub & Pereyra (1973) (memory); JEDEC JESD51 for thermal
// transients (memory).
func FitFirstOrder(seconds, celsius []float64, opt ThermalOptions) FirstOrder {
	opt = opt.filled()
	f := FirstOrder{Grade: Grade{Status: OK}}
	t, y := readings(seconds, celsius)
	if !f.fit(t, y, opt) {
		return f
	}
	if f.ResidualR1 > opt.FastR1 {
		if late := after(t, opt.FastPart); len(t)-late >= 10 {
			f.flag(FastPartIgnored, "residuals have r1 = %.2f, the first %g s were left out", f.ResidualR1, opt.FastPart)
			if !f.fit(t[late:], y[late:], opt) {
				return f
			}
		}
	}
	if span := t[len(t)-1] - t[0]; f.curve.tau > span {
		f.refuse(NotReached, "the time constant of %.0f s is longer than the run of %.0f s", f.curve.tau, span)
	}
	if f.RSquared < opt.LeastR2 {
		f.refuse(PoorFit, "R squared is %.2f, below %g", f.RSquared, opt.LeastR2)
	}
	f.publish()
	return f
}

func (f *FirstOrder) fit(t, y []float64, opt ThermalOptions) bool {
	f.N = len(t)
	if f.N < 5 {
		f.refuse(TooFewValues, "%d samples, at least 5 are needed", f.N)
		f.publish()
		return false
	}
	if r := fitResponse(t, y, nil, opt.MinTau, opt.MaxTau); r.ok {
		f.curve, f.RSS, f.RSquared = r, r.rss, r.rSquared(y)
		copy(f.SE[:], r.se)
		f.ResidualR1 = Autocorrelation(r.residuals(t, y), 1)
		return true
	}
	f.refuse(PoorFit, "no time constant between %g and %g s fits", opt.MinTau, opt.MaxTau)
	f.publish()
	return false
}

func (f *FirstOrder) publish() {
	give := func(id, unit string, v float64) Number {
		n := number(id, unit, f.N, v)
		n.inherit(f.Grade)
		if !n.Usable() {
			n.Value = math.NaN()
		}
		return n
	}
	f.Final, f.Start = give("thermal.final", "degC", f.curve.final), give("thermal.start", "degC", f.curve.start)
	f.Tau = give("thermal.tau", "s", f.curve.tau)
}

// readings drops the samples that were not read.
func readings(seconds, values []float64) (t, y []float64) {
	for i, s := range seconds {
		if i < len(values) && !math.IsNaN(values[i]) && !math.IsNaN(s) {
			t, y = append(t, s), append(y, values[i])
		}
	}
	return t, y
}

// after is the index of the first time later than s.
func after(t []float64, s float64) int {
	for i, v := range t {
		if v > s {
			return i
		}
	}
	return len(t)
}

// Steadiness says whether the temperature had settled at the end of a run.
type Steadiness struct {
	Grade            // flagged when it had not
	Steady    bool   //
	Slope     Number // thermal.slope, degC/min, over the last minute
	Remaining Number // thermal.remaining, degC still to come by the curve
}

// Settled judges the last minute and the curve together. Without a usable curve
// because the temperature hardly moved, the slope alone decides.
func Settled(seconds, celsius []float64, curve FirstOrder, opt ThermalOptions) Steadiness {
	opt = opt.filled()
	s := Steadiness{Grade: Grade{Status: OK}}
	t, y := readings(seconds, celsius)
	slope, ok := lastSlope(t, y, opt.SteadySpan)
	s.Slope = number("thermal.slope", "degC/min", len(t), slope, Param{Name: "span", Value: opt.SteadySpan, Unit: "s"})
	s.Remaining = number("thermal.remaining", "degC", curve.N, math.NaN())
	if !ok {
		s.Slope.withhold(TooFewValues, "the samples do not cover the last %g s", opt.SteadySpan)
		s.Remaining.inherit(s.Slope.Grade)
		s.inherit(s.Slope.Grade)
		return s
	}
	s.Steady = math.Abs(slope) < opt.SteadySlope
	if curve.Usable() {
		s.Remaining.Value = curve.curve.final - curve.curve.at(t[len(t)-1])
		s.Steady = s.Steady && math.Abs(s.Remaining.Value) < opt.SteadyRest
	} else {
		s.Remaining.inherit(curve.Grade)
		s.Steady = s.Steady && !curve.Has(NotReached)
	}
	if !s.Steady {
		s.flag(NotSteady, "the slope at the end is %.2f degC/min, %s remain", slope, remainingWords(s.Remaining))
	}
	return s
}

func remainingWords(n Number) string {
	if !n.Usable() {
		return "an unknown rise"
	}
	return fmt.Sprintf("%.1f degC", n.Value)
}

// lastSlope is the slope in degC/min over the last span seconds.
func lastSlope(t, y []float64, span float64) (float64, bool) {
	if len(t) < 3 || t[len(t)-1]-t[0] < span-1e-9-meanStep(t) {
		return math.NaN(), false
	}
	from := after(t, t[len(t)-1]-span)
	minutes := make([]float64, len(t)-from)
	for i := range minutes {
		minutes[i] = t[from+i] / 60
	}
	f := LeastSquares([][]float64{ones(len(minutes)), minutes}, y[from:])
	if !f.Usable() || f.N < 3 {
		return math.NaN(), false
	}
	return f.Coef[1], true
}

func meanStep(t []float64) float64 { return (t[len(t)-1] - t[0]) / float64(len(t)-1) }

func ones(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 1
	}
	return out
}

// RisePerWatt is the temperature rise over the room for each watt, the figure that
// compares rooms and days. Without a room sensor the lowest idle reading bounds the
// room from above, to 2 degC; then the number is flagged.
func RisePerWatt(load, room, watts float64, roomRead bool) Number {
	n := number("thermal.rise_per_watt", "degC/W", 1, (load-room)/watts)
	if !(watts > 0) || math.IsNaN(n.Value) || math.IsInf(n.Value, 0) {
		n.withhold(NotPositive, "load %g degC, room %g degC, power %g W", load, room, watts)
	} else if !roomRead {
		n.flag(RoomBounded, "the room is taken as %.1f degC at most, to 2 degC", room)
	}
	return n
}
