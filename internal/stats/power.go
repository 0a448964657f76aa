package stats

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

// overChi integrates g(s) times the density of s = sqrt(chi2/df) from 0 to upper.
func overChi(df, upper float64, g func(s float64) float64) float64 {
	lg, _ := math.Lgamma(df / 2)
	constant := math.Ln2 + df/2*math.Log(df/2) - lg
	width := 12 / math.Sqrt(2*df)
	low, high := math.Max(0, 1-width), math.Min(upper, 1+width)
	if high <= low {
		return 0
	}
	rule := legendre()
	var sum float64
	for i, x := range rule.at {
		s := low + (high-low)*x
		sum += rule.weight[i] * g(s) * math.Exp(constant+(df-1)*math.Log(s)-df*s*s/2)
	}
	return (high - low) * sum
}

// quadrature is a rule for integrals over 0..1.
type quadrature struct{ at, weight []float64 }

// legendre is the rule of 96 points, computed once.
var legendre = sync.OnceValue(func() quadrature {
	q := quadrature{at: make([]float64, 96), weight: make([]float64, 96)}
	quad.Legendre{}.FixedLocations(q.at, q.weight, 0, 1)
	return q
})

// design is how the standard error and its degrees of freedom follow from the
// number of repeats: two groups of n, or n pairs.
type design struct{ paired bool }

func (d design) se(n, sd float64) float64 {
	if d.paired {
		return sd / math.Sqrt(n)
	}
	return sd * math.Sqrt(2/n)
}

func (d design) df(n float64) float64 {
	if d.paired {
		return n - 1
	}
	return 2 * (n - 1)
}

// PowerT is the power of a two-sample t test with n values in each group, true
// difference delta and standard deviation sd, at significance alpha. As R's
// power.t.test it counts only the tail on the side of delta. n need not be whole.
//
// The noncentral t probability is integrated over the distribution of the sample
// standard deviation.
func PowerT(n, delta, sd, alpha float64, bothSides bool) float64 {
	if bothSides {
		alpha /= 2
	}
	return design{}.powerT(n, delta, sd, alpha)
}

func (d design) powerT(n, delta, sd, tail float64) float64 {
	df := d.df(n)
	critical := tQuantile(1-tail, df)
	shift := math.Abs(delta) / d.se(n, sd)
	return overChi(df, math.Inf(1), func(s float64) float64 { return normalCDF(shift - critical*s) })
}

// PowerTOST is the probability that two one-sided tests at alpha find equivalence
// within +-margin when the true difference is delta, with n values in each group.
func PowerTOST(n, margin, delta, sd, alpha float64) float64 {
	return design{}.powerTOST(n, margin, delta, sd, alpha)
}

func (d design) powerTOST(n, margin, delta, sd, alpha float64) float64 {
	df, se := d.df(n), d.se(n, sd)
	critical := tQuantile(1-alpha, df)
	return overChi(df, margin/se/critical, func(s float64) float64 {
		return math.Max(0, normalCDF((margin-delta)/se-critical*s)-normalCDF((-margin-delta)/se+critical*s))
	})
}

// PlanOptions are the error rates of a plan; zero fields mean the default.
type PlanOptions struct {
	Alpha      float64 // 0.05
	Power      float64 // 0.9
	MaxRepeats int     // 10000 in each group; more is called impracticable
	Paired     bool    // n pairs, and the spread is that of the log differences
}

func (o PlanOptions) filled() PlanOptions {
	defaultTo(&o.Alpha, 0.05)
	defaultTo(&o.Power, 0.9)
	defaultTo(&o.MaxRepeats, 10000)
	return o
}

// RepeatsToDetect is the smallest number of repeats in each group that finds a
// relative difference (0.01 for 1 %) with the planned power, when repeats scatter
// with the given standard deviation of the log. Id plan.t.
func RepeatsToDetect(sdLog, difference float64, opt PlanOptions) Number {
	opt = opt.filled()
	delta := math.Log1p(difference)
	return plan("plan.t", sdLog, difference, opt, func(n float64) float64 {
		return design{opt.Paired}.powerT(n, delta, sdLog, opt.Alpha/2)
	})
}

// RepeatsForEquivalence is the smallest number of repeats in each group that
// finds equivalence within the relative margin with the planned power, when the
// true ratio is exp(trueLog). Id plan.tost.
func RepeatsForEquivalence(sdLog, margin, trueLog float64, opt PlanOptions) Number {
	opt = opt.filled()
	bound := math.Log1p(margin)
	return plan("plan.tost", sdLog, margin, opt, func(n float64) float64 {
		return design{opt.Paired}.powerTOST(n, bound, trueLog, sdLog, opt.Alpha)
	})
}

func plan(id string, sdLog, difference float64, opt PlanOptions, power func(n float64) float64) Number {
	x := number(id, "repeats", 0, math.NaN(),
		Param{Name: "sd_log", Value: sdLog}, Param{Name: "difference", Value: difference},
		Param{Name: "alpha", Value: opt.Alpha}, Param{Name: "power", Value: opt.Power})
	if !(sdLog > 0) || !(difference > 0) || math.IsInf(sdLog, 1) {
		x.withhold(SpreadUnknown, "the spread of the repeats and the difference must be positive")
		return x
	}
	low, high := bracket(sdLog/math.Log1p(difference), opt)
	for power(float64(high)) < opt.Power {
		if low, high = high, 2*high; low >= opt.MaxRepeats {
			x.withhold(TooManyRepeats, "more than %d repeats in each group", opt.MaxRepeats)
			return x
		}
	}
	if low > 1 && power(float64(low)) >= opt.Power {
		low, high = 1, low
	}
	for high-low > 1 {
		if mid := (low + high) / 2; power(float64(mid)) < opt.Power {
			low = mid
		} else {
			high = mid
		}
	}
	x.Value = float64(high)
	return x
}

// bracket guesses two numbers of repeats around the planned one from the normal
// approximation; the search does not rely on it.
func bracket(spread float64, opt PlanOptions) (low, high int) {
	z := normalQuantile(1-opt.Alpha/2) + normalQuantile(opt.Power)
	n := math.Min(2*math.Pow(z*spread, 2), float64(opt.MaxRepeats))
	return max(1, int(n*0.8)), max(2, int(n*1.1)+2)
}

// MinimumResolvable is the relative difference (0.01 for 1 %) that the design
// finds with the planned power: two groups of the given sizes whose logs scatter
// with the pooled standard deviation.
func MinimumResolvable(sdLog float64, n1, n2 int, opt PlanOptions) Number {
	opt = opt.filled()
	x := number("plan.minimum_resolvable", "1", n1+n2, math.NaN(),
		Param{Name: "sd_log", Value: sdLog}, Param{Name: "alpha", Value: opt.Alpha}, Param{Name: "power", Value: opt.Power})
	if n1 < 1 || n2 < 1 || n1+n2 < 3 || opt.Paired && n1 < 2 || !(sdLog > 0) {
		x.withhold(SpreadUnknown, "%d and %d runs show no spread to plan from", n1, n2)
		return x
	}
	df, se := float64(n1+n2-2), sdLog*math.Sqrt(1/float64(n1)+1/float64(n2))
	if opt.Paired {
		df, se = float64(n1-1), sdLog/math.Sqrt(float64(n1))
	}
	x.Value = math.Expm1((tQuantile(1-opt.Alpha/2, df) + tQuantile(opt.Power, df)) * se)
	return x
}
