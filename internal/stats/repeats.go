package stats

import (
	"math"
	"slices"
)

// Repeats summarises the runs of one configuration, one positive value a run: a
// rate, a score, or a time.
type Repeats struct {
	Grade
	N       int
	GeoMean Number // repeats.geomean
	CV      Number // repeats.cv, %: 100 times the standard deviation of the logs
	Min     Number
	Max     Number
	logs    Summary
}

// DescribeRepeats summarises the values, one for each run, in the given unit.
func DescribeRepeats(values []float64, unit string) Repeats {
	r := Repeats{Grade: Grade{Status: OK}, N: len(values)}
	if code, words := unfitForLog(values); code != "" {
		r.refuse(code, "%s", words)
		for id, n := range map[string]*Number{"repeats.geomean": &r.GeoMean, "repeats.min": &r.Min, "repeats.max": &r.Max} {
			*n = refusedNumber(id, unit, r.N, code, "%s", words)
		}
		r.CV = refusedNumber("repeats.cv", "%", r.N, code, "%s", words)
		return r
	}
	r.logs = Summarize(logs(values))
	r.GeoMean = number("repeats.geomean", unit, r.N, math.Exp(r.logs.Mean))
	r.Min = number("repeats.min", unit, r.N, slices.Min(values))
	r.Max = number("repeats.max", unit, r.N, slices.Max(values))
	r.CV = number("repeats.cv", "%", r.N, 100*r.logs.SD)
	switch {
	case r.N == 1:
		r.CV.withhold(SingleRun, "one run shows no spread")
		r.flag(SingleRun, "one run has no interval")
	case r.Min.Value == r.Max.Value:
		r.CV.flag(NoVariation, "all %d values are %g", r.N, r.Min.Value)
		r.flag(NoVariation, "all %d values are %g", r.N, r.Min.Value)
	}
	return r
}

func unfitForLog(values []float64) (Code, string) {
	if len(values) == 0 {
		return TooFewValues, "no run"
	}
	for _, v := range values {
		if !(v > 0) || math.IsInf(v, 1) {
			return NotPositive, "a value is not a positive finite number"
		}
	}
	return "", ""
}

// Summary is what a t test needs of one group.
type Summary struct {
	N        int
	Mean, SD float64
}

// Summarize returns count, mean and standard deviation of x.
func Summarize(x []float64) Summary { return Summary{N: len(x), Mean: Mean(x), SD: SD(x)} }

// OrderConfounded reports whether all runs of one side came before all of the
// other, given each run's place in the order they were made.
func OrderConfounded(base, against []int) bool {
	if len(base) == 0 || len(against) == 0 {
		return false
	}
	return slices.Max(base) < slices.Min(against) || slices.Max(against) < slices.Min(base)
}
