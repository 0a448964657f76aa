package stats

import (
	"math"
	"slices"
)

// ESDStep is one step of the generalized extreme Studentized deviate test.
type ESDStep struct {
	Index  int // of the value, in the data as given
	Value  float64
	R      float64
	Lambda float64 // critical value
}

// GESD runs the generalized ESD test for up to r outliers. The number of outliers
// is the largest step whose R exceeds its lambda, not the step before the first
// that does not: outliers can mask each other. It stops early where no spread is
// left.
//
// Source: Rosner (1983) Technometrics 25:165-172 by way of the NIST/SEMATECH
// e-Handbook 1.3.5.17.3 (public copy).
func GESD(x []float64, r int, alpha float64) (steps []ESDStep, outliers int) {
	n := len(x)
	left, index := slices.Clone(x), make([]int, n)
	for i := range index {
		index[i] = i
	}
	for i := 1; i <= r && len(left) > 2; i++ {
		at, deviation := farthest(left)
		sd := SD(left)
		if sd == 0 {
			break
		}
		t := tQuantile(1-alpha/(2*float64(n-i+1)), float64(n-i-1))
		s := ESDStep{Index: index[at], Value: left[at], R: deviation / sd}
		s.Lambda = float64(n-i) * t / math.Sqrt((float64(n-i-1)+t*t)*float64(n-i+1))
		steps = append(steps, s)
		if s.R > s.Lambda {
			outliers = i
		}
		left, index = slices.Delete(left, at, at+1), slices.Delete(index, at, at+1)
	}
	return steps, outliers
}

// farthest returns the first value farthest from the mean and its distance.
func farthest(x []float64) (at int, deviation float64) {
	m := Mean(x)
	for i, v := range x {
		if d := math.Abs(v - m); d > deviation {
			at, deviation = i, d
		}
	}
	return at, deviation
}

// Grubbs returns the statistic G of the value farthest from the mean, its index,
// and the critical value at alpha for a test on both sides or on one.
//
// Source: Grubbs (1969) by way of the NIST/SEMATECH e-Handbook 1.3.5.17.1
// (public copy).
func Grubbs(x []float64, alpha float64, bothSides bool) (g float64, index int, critical float64) {
	n := float64(len(x))
	at, deviation := farthest(x)
	tail := alpha / n
	if bothSides {
		tail /= 2
	}
	t := tQuantile(1-tail, n-2)
	return deviation / SD(x), at, (n - 1) / math.Sqrt(n) * math.Sqrt(t*t/(n-2+t*t))
}

// MAD is the median absolute deviation from the median, not scaled. Times 1.4826
// it estimates the standard deviation of normal values.
func MAD(x []float64) float64 { return Median(deviations(x)) }

// deviations returns the absolute distances from the median.
func deviations(x []float64) []float64 {
	m := Median(x)
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = math.Abs(v - m)
	}
	return out
}

// ModifiedZ returns 0.6745 (x - median)/MAD for each value; nil when the MAD is 0.
//
// Source: Iglewicz & Hoaglin (1993) (memory).
func ModifiedZ(x []float64) []float64 {
	m, mad := Median(x), MAD(x)
	if mad == 0 {
		return nil
	}
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = 0.6745 * (v - m) / mad
	}
	return out
}

// OutlierOptions are the settings of FindOutliers; zero fields mean the default.
type OutlierOptions struct {
	Alpha     float64 // 0.05
	Limit     float64 // 3.5 standard deviations or modified z, for fewer than seven values
	HistorySD float64 // the rig's own, on the scale of the values; 0 when unknown
	HistoryDF int     // its degrees of freedom, 20 or more to be used
}

// Outliers lists repeats that stand apart. They are flagged, never removed:
// publish with and without them.
type Outliers struct {
	Grade
	Method   string
	N        int
	Indices  []int     // ascending
	Steps    []ESDStep // of the generalized ESD test
	G        float64   // of Grubbs' test
	Critical float64   // of the rule in use
}

// FindOutliers applies the rule for the number of values: generalized ESD from
// 15, Grubbs from 7, the rig's historical spread below, the modified z as weak
// evidence from 5. The bounds 15, 7 and 5 are design choices. Give it logs of
// rates.
func FindOutliers(y []float64, opt OutlierOptions) Outliers {
	defaultTo(&opt.Alpha, 0.05)
	defaultTo(&opt.Limit, 3.5)
	o := Outliers{Grade: Grade{Status: OK}, N: len(y)}
	switch n := len(y); {
	case !finite(y):
		o.refuse(NotPositive, "a value is not a finite number")
	case n >= 15:
		o.byESD(y, opt)
	case n >= 7:
		o.byGrubbs(y, opt)
	case n >= 2 && opt.HistorySD > 0 && opt.HistoryDF >= 20:
		o.Method, o.Critical = "outlier.history", opt.Limit*opt.HistorySD
		o.beyond(deviations(y))
	case n >= 5:
		o.byModifiedZ(y, opt)
	default:
		o.Method = "outlier.none"
		o.refuse(TooFewValues, "no test has power with %d values, and no history of 20 degrees of freedom is given", n)
	}
	slices.Sort(o.Indices)
	return o
}

func (o *Outliers) byESD(y []float64, opt OutlierOptions) {
	o.Method = "outlier.gesd"
	var count int
	o.Steps, count = GESD(y, len(y)/5, opt.Alpha)
	for _, s := range o.Steps[:count] {
		o.Indices = append(o.Indices, s.Index)
	}
}

func (o *Outliers) byGrubbs(y []float64, opt OutlierOptions) {
	o.Method = "outlier.grubbs"
	if SD(y) == 0 {
		return
	}
	var at int
	if o.G, at, o.Critical = Grubbs(y, opt.Alpha, true); o.G > o.Critical {
		o.Indices = []int{at}
	}
}

func (o *Outliers) byModifiedZ(y []float64, opt OutlierOptions) {
	o.Method, o.Critical = "outlier.modified_z", opt.Limit
	z := ModifiedZ(y)
	if z == nil {
		o.refuse(ZeroVariance, "more than half of the values are equal")
		return
	}
	for i := range z {
		z[i] = math.Abs(z[i])
	}
	o.beyond(z)
	o.flag(WeakEvidence, "a rule of thumb for %d values without a history of the rig", len(y))
}

func (o *Outliers) beyond(distance []float64) {
	for i, d := range distance {
		if d > o.Critical {
			o.Indices = append(o.Indices, i)
		}
	}
}
