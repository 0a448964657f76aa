package stats

import "math"

// Baseline is the level and spread of a series while nothing changed: one point
// a day or session, the log rate of a reference workload, say.
type Baseline struct {
	Grade
	N     int
	Mean  float64
	MRBar float64 // mean moving range
	Sigma float64 // MRBar/1.128
}

// NewBaseline takes the phase-1 points. Limits from few points lie about their
// false-alarm rate: with 20 points it is 1 in 92, not 1 in 370.
//
// Source: NIST/SEMATECH e-Handbook 6.3.2.2 (public copy); the bounds of 20 and
// 30 points are a design choice.
func NewBaseline(y []float64) Baseline {
	b := Baseline{Grade: Grade{Status: OK}, N: len(y), Mean: Mean(y)}
	if b.N < 2 || !finite(y) {
		b.refuse(TooFewValues, "%d finite points, at least 2 are needed", b.N)
		return b
	}
	for i := 1; i < b.N; i++ {
		b.MRBar += math.Abs(y[i] - y[i-1])
	}
	b.MRBar /= float64(b.N - 1)
	b.Sigma = b.MRBar / 1.128
	switch rate := baselineRunLength(b.N); {
	case b.Sigma == 0:
		b.refuse(ZeroVariance, "all points are equal")
	case b.N < 20:
		b.flag(Provisional, "%d points, 3-sigma limits give a false alarm in about %.0f points or fewer, not 370", b.N, rate)
	case b.N < 30:
		b.flag(ShortBaseline, "%d points, 3-sigma limits give a false alarm in about %.0f points, not 370", b.N, rate)
	}
	return b
}

// baselineRunLength is the average over rigs of the false-alarm rate of 3-sigma
// limits from m points, inverted; simulated, with 20000 baselines each.
func baselineRunLength(m int) float64 {
	table := []struct {
		m      int
		length float64
	}{{100, 253}, {50, 187}, {30, 132}, {20, 92}, {10, 43}}
	for _, row := range table {
		if m >= row.m {
			return row.length
		}
	}
	return 43
}

// Limits are the individual limits at +-k sigma.
func (b Baseline) Limits(k float64) (low, high float64) {
	return b.Mean - k*b.Sigma, b.Mean + k*b.Sigma
}

// Standardise gives each point in sigma from the baseline mean.
func (b Baseline) Standardise(y []float64) []float64 {
	z := make([]float64, len(y))
	for i, v := range y {
		z[i] = (v - b.Mean) / b.Sigma
	}
	return z
}

// CUSUM gives both sums of a tabular CUSUM with reference value k, both in the
// unit of z. It goes on after a signal.
//
// Source: NIST/SEMATECH e-Handbook 6.3.2.3 (public copy).
func CUSUM(z []float64, k float64) (high, low []float64) {
	var hi, lo float64
	for _, v := range z {
		hi, lo = math.Max(0, hi+v-k), math.Max(0, lo-v-k)
		high, low = append(high, hi), append(low, lo)
	}
	return high, low
}

// EWMA gives the exponentially weighted mean of z from 0.
//
// Source: NIST/SEMATECH e-Handbook 6.3.2.4 (public copy).
func EWMA(z []float64, lambda float64) []float64 {
	out := make([]float64, len(z))
	e := 0.0
	for i, v := range z {
		e = lambda*v + (1-lambda)*e
		out[i] = e
	}
	return out
}

// EWMALimit is the limit for point i (from 0) in sigma; for a large i it is the
// asymptotic one.
func EWMALimit(i int, lambda, l float64) float64 {
	return l * math.Sqrt(lambda/(2-lambda)*(1-math.Pow(1-lambda, 2*float64(i+1))))
}

// ChartOptions are the settings of DrawChart; zero fields mean the default.
type ChartOptions struct {
	Limit  float64 // 3 sigma, Shewhart
	K, H   float64 // 0.5 and 5 sigma, CUSUM
	Lambda float64 // 0.2, EWMA
	L      float64 // 2.962, EWMA
}

// Filled gives the options with the defaults in place of zeros.
func (o ChartOptions) Filled() ChartOptions {
	defaultTo(&o.Limit, 3)
	defaultTo(&o.K, 0.5)
	defaultTo(&o.H, 5)
	defaultTo(&o.Lambda, 0.2)
	defaultTo(&o.L, 2.962)
	return o
}

// Chart watches a series for jumps (Shewhart) and drift (CUSUM). EWMA is given
// too and is equivalent to CUSUM: choose one.
type Chart struct {
	Grade
	Baseline   Baseline
	Z          []float64
	Shewhart   []int // points beyond the limits
	CUSUMHigh  []float64
	CUSUMLow   []float64
	CUSUM      []int // points with a sum above H
	EWMA       []float64
	EWMALimit  []float64
	EWMASignal []int
	FalseAlarm Number // chart.false_alarm: points between false alarms of CUSUM and Shewhart together, about
	Options    ChartOptions
}

// DrawChart standardises the series by its first phase1 points and runs all three
// charts over the whole of it. Signals are strict.
func DrawChart(series []float64, phase1 int, opt ChartOptions) Chart {
	opt = opt.Filled()
	c := Chart{Grade: Grade{Status: OK}, Options: opt}
	c.Baseline = NewBaseline(series[:max(0, min(phase1, len(series)))])
	c.inherit(c.Baseline.Grade)
	if c.Usable() && !finite(series) {
		c.refuse(NotPositive, "a point is not a finite number")
	}
	c.FalseAlarm = number("chart.false_alarm", "points", c.Baseline.N, math.NaN(), Param{Name: "limit", Value: opt.Limit},
		Param{Name: "k", Value: opt.K}, Param{Name: "h", Value: opt.H})
	c.FalseAlarm.inherit(c.Grade)
	if !c.Usable() {
		return c
	}
	c.FalseAlarm.Value = 1 / (1/ShewhartRunLength(opt.Limit, 0) + 1/CUSUMRunLength(opt.K, opt.H, 0))
	c.Z = c.Baseline.Standardise(series)
	c.CUSUMHigh, c.CUSUMLow = CUSUM(c.Z, opt.K)
	c.EWMA = EWMA(c.Z, opt.Lambda)
	for i, z := range c.Z {
		c.EWMALimit = append(c.EWMALimit, EWMALimit(i, opt.Lambda, opt.L))
		if math.Abs(z) > opt.Limit {
			c.Shewhart = append(c.Shewhart, i)
		}
		if c.CUSUMHigh[i] > opt.H || c.CUSUMLow[i] > opt.H {
			c.CUSUM = append(c.CUSUM, i)
		}
		if math.Abs(c.EWMA[i]) > c.EWMALimit[i] {
			c.EWMASignal = append(c.EWMASignal, i)
		}
	}
	return c
}
