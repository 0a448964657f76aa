package stats

import (
	"math"
	"slices"
)

// SuiteMember is one workload of a suite.
type SuiteMember struct {
	Workload string
	Comparison
	Weight float64 // 0 means equal weights; then all are 0
}

// Suite is the geometric mean of the ratios of several workloads. Its two
// intervals answer different questions. The geometric mean is independent of the
// reference machine, where the arithmetic mean of normalised results is not. It
// hides a single scene of 1.5, so least and greatest ratio stand beside it.
//
// Source: Fleming & Wallace (1986) CACM 29:218-221 (public copy, tables from
// memory); Mashey (2004) CAN 32(4) on the lognormal view (memory).
type Suite struct {
	Grade
	GeoMean       Number // suite.geomean
	Min, Max      Number
	M             int       // workloads
	Measurement   *Interval // of this list of workloads
	MeasurementSE float64   // of the log
	MeasurementDF float64
	Workloads     *Interval // of the wider class that the workloads are a sample of
	SDLog         float64   // of the log ratios over the workloads
}

// SummariseSuite combines the comparisons at the given level (0 means 0.95).
// Comparisons of one direction only; turn the others over first (Inverted). A
// refused comparison refuses the summary: a failed workload does not make the
// suite smaller.
func SummariseSuite(members []SuiteMember, level float64) Suite {
	defaultTo(&level, 0.95)
	s := Suite{Grade: Grade{Status: OK}, M: len(members)}
	weights := s.admit(members)
	s.GeoMean = number("suite.geomean", "1", s.M, math.NaN(), Param{Name: "level", Value: level})
	s.Min, s.Max = s.GeoMean, s.GeoMean
	s.Min.Method, s.Max.Method = "suite.min", "suite.max"
	if !s.Usable() {
		for _, n := range []*Number{&s.GeoMean, &s.Min, &s.Max} {
			n.inherit(s.Grade)
		}
		return s
	}
	d := make([]float64, s.M)
	var sum, variance, fourth float64
	for i, m := range members {
		t := m.Test
		d[i] = t.Difference
		sum += weights[i] * t.Difference
		v := weights[i] * weights[i] * t.SE * t.SE
		variance += v
		fourth += v * v / t.DF
	}
	s.MeasurementSE, s.MeasurementDF, s.SDLog = math.Sqrt(variance), variance*variance/fourth, SD(d)
	s.GeoMean.Value = math.Exp(sum)
	s.Min.Value, s.Max.Value = math.Exp(slices.Min(d)), math.Exp(slices.Max(d))
	s.Measurement = around(sum, s.MeasurementSE, s.MeasurementDF, level)
	s.sampleOfWorkloads(members, sum, level)
	return s
}

// admit checks the members and returns their weights, which add up to 1.
func (s *Suite) admit(members []SuiteMember) []float64 {
	if len(members) == 0 {
		s.refuse(TooFewValues, "no workload")
		return nil
	}
	var total float64
	for _, m := range members {
		switch {
		case m.Test == nil:
			s.refuse(BadSide, "%s: %s", m.Workload, m.Reason)
		case m.Direction != members[0].Direction:
			s.refuse(MixedDirections, "%s is better %s, %s is better %s", m.Workload, m.Direction, members[0].Workload, members[0].Direction)
		case m.Weight < 0 || (m.Weight == 0) != (members[0].Weight == 0):
			s.refuse(BadOption, "%s has the weight %g", m.Workload, m.Weight)
		}
		total += m.Weight
	}
	weights := make([]float64, len(members))
	for i, m := range members {
		if weights[i] = m.Weight / total; total == 0 {
			weights[i] = 1 / float64(len(members))
		}
	}
	return weights
}

// sampleOfWorkloads gives the interval over the class of workloads, for equal
// weights and at least two of them.
func (s *Suite) sampleOfWorkloads(members []SuiteMember, sum, level float64) {
	switch {
	case s.M < 2:
		s.flag(TooFewValues, "one workload is no sample of a class, only the measurement interval is given")
	case members[0].Weight != 0:
		s.flag(Weighted, "declared weights, only the measurement interval is given")
	default:
		s.Workloads = around(sum, s.SDLog/math.Sqrt(float64(s.M)), float64(s.M-1), level)
	}
	s.GeoMean.inherit(s.Grade)
}

func around(log, se, df, level float64) *Interval {
	half := tQuantile(0.5+level/2, df) * se
	return &Interval{Low: math.Exp(log - half), High: math.Exp(log + half), Level: level}
}
