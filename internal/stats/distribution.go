package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// student is Student's t with the given degrees of freedom, whole or not.
func student(df float64) distuv.StudentsT { return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df} }

// tQuantile is the p-quantile of Student's t; NaN outside 0..1 and without degrees
// of freedom, where the library would panic. From 1e8 degrees on it is the normal
// quantile, which differs by less than 1e-8 of itself.
func tQuantile(p, df float64) float64 {
	switch {
	case !(0 <= p && p <= 1) || !(df > 0):
		return math.NaN()
	case df > 1e8:
		return normalQuantile(p)
	}
	return student(df).Quantile(p)
}

func normalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// tAbove is P(T > t), accurate far out in the tail.
func tAbove(t, df float64) float64 {
	if math.IsNaN(t) || !(df > 0) {
		return math.NaN()
	}
	return student(df).CDF(-t)
}

// tTwoSided is P(|T| > |t|).
func tTwoSided(t, df float64) float64 { return 2 * tAbove(math.Abs(t), df) }

// fAbove is P(F > f). The library's Survival is 1 - CDF and stops at 1e-16, where
// real tables go on to 1e-26. NaN where there is no such F.
func fAbove(f, df1, df2 float64) float64 {
	if math.IsNaN(f) || f < 0 || !(df1 > 0) || !(df2 > 0) {
		return math.NaN()
	}
	if math.IsInf(f, 1) {
		return 0
	}
	return mathext.RegIncBeta(df2/2, df1/2, df2/(df2+df1*f))
}

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
