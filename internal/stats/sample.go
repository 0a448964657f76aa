package stats

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Mean returns the arithmetic mean; NaN for no values.
func Mean(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	return stat.Mean(x, nil)
}

// SD returns the standard deviation with divisor n-1, in two passes; NaN for
// fewer than two values.
func SD(x []float64) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	return stat.StdDev(x, nil)
}

// Autocorrelation returns the lag-k coefficient by the NIST definition: the mean
// of the full series, no factor n/(n-1). NaN when k is not in 0..n-1 or all
// values are equal.
//
// Source: r(1) of the NIST StRD univariate summary statistics.
func Autocorrelation(x []float64, k int) float64 {
	if k < 0 || k >= len(x) {
		return math.NaN()
	}
	m := Mean(x)
	var num, den float64
	for i, v := range x {
		d := v - m
		den += d * d
		if i+k < len(x) {
			num += d * (x[i+k] - m)
		}
	}
	return num / den
}

// Median returns the middle value, or the mean of the two middle ones; NaN for no
// values. The argument keeps its order.
func Median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	return medianOf(slices.Clone(x))
}

// medianOf sorts its argument.
func medianOf(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	if n%2 == 1 {
		return x[n/2]
	}
	return (x[n/2-1] + x[n/2]) / 2
}

func logs(x []float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = math.Log(v)
	}
	return out
}
