package stats

import "math"

// Equivalence is the outcome of two one-sided tests: is the difference inside the
// bounds? A refusal of "different" is not equivalence; only this is.
type Equivalence struct {
	Low, High      float64 // bounds of the difference
	TLower, TUpper float64
	PLower, PUpper float64
	P              float64 // the larger of both
	Interval       Interval
	Equivalent     bool // P < alpha, the same as the 1-2 alpha interval lying inside the bounds
}

// TOST tests at significance alpha whether the difference lies between low and high.
//
// Source: Schuirmann (1987) J. Pharmacokin. Biopharm. 15:657-680 (memory); Lakens
// (2017) Soc. Psychol. Personal. Sci. 8:355-362 (public copy).
func (t TTest) TOST(low, high, alpha float64) Equivalence {
	e := Equivalence{Low: low, High: high, TLower: (t.Difference - low) / t.SE, TUpper: (t.Difference - high) / t.SE}
	e.PLower, e.PUpper = tAbove(e.TLower, t.DF), tAbove(-e.TUpper, t.DF)
	e.P = math.Max(e.PLower, e.PUpper)
	e.Interval = t.At(1 - 2*alpha)
	e.Equivalent = e.P < alpha
	return e
}
