package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Spending says how the false-alarm rate alpha is used up as information comes in.
type Spending string

const (
	// SpendEvenly is alpha log(1+(e-1)t): near Pocock's equal bounds, so a large
	// difference ends a study early.
	SpendEvenly Spending = "pocock"
	// SpendLate is 2-2 Phi(z/sqrt t) on each side: near O'Brien and Fleming's
	// bounds, nothing much before the end.
	SpendLate Spending = "obrien_fleming"
)

// spent is how much of the rate alpha of one side is used up at the information
// fraction t in (0,1].
func (s Spending) spent(alpha, t float64) float64 {
	if s == SpendLate {
		return 2 * distuv.UnitNormal.Survival(distuv.UnitNormal.Quantile(1-alpha/2)/math.Sqrt(t))
	}
	return alpha * math.Log1p((math.E-1)*t)
}

// SpendingBounds gives, for looks at the information fractions t (ascending, the
// last at most 1), the bounds on |z| that together are crossed with probability
// alpha when there is no difference; of z, when oneSided.
//
// Each bound spends what the spending function allows by then; the probability
// of a first crossing is integrated over the path of the score, which has
// independent increments.
//
// Source: Lan & DeMets (1983) Biometrika 70:659-663 for spending functions;
// Armitage, McPherson & Rowe (1969) JRSS A 132:235-244 for the recursion (memory).
func SpendingBounds(t []float64, alpha float64, s Spending, oneSided bool) []float64 {
	path := newPath(oneSided)
	out := make([]float64, len(t))
	sides := 2.0
	if oneSided {
		sides = 1
	}
	used := 0.0
	for k, at := range t {
		total := sides * s.spent(alpha/sides, at)
		out[k] = path.bound(at, total-used)
		used = total
		path.advance(at, out[k])
	}
	return out
}

// path is the density of the score S = z sqrt(t) among studies not yet ended.
type path struct {
	oneSided bool
	t        float64
	x, f, w  []float64 // grid, density and Simpson weights; empty at the start, where S is 0
}

const pathGrid = 801 // odd, for Simpson's rule

func newPath(oneSided bool) *path { return &path{oneSided: oneSided} }

// crossing is the probability of going beyond b at the time t, having stayed
// within before.
func (p *path) crossing(t, b float64) float64 {
	edge := b * math.Sqrt(t)
	if len(p.x) == 0 {
		return p.sides(distuv.UnitNormal.Survival(b), distuv.UnitNormal.Survival(b))
	}
	step := math.Sqrt(t - p.t)
	var sum float64
	for i, x := range p.x {
		sum += p.w[i] * p.f[i] * p.sides(distuv.UnitNormal.Survival((edge-x)/step), distuv.UnitNormal.Survival((edge+x)/step))
	}
	return sum
}

func (p *path) sides(above, below float64) float64 {
	if p.oneSided {
		return above
	}
	return above + below
}

// bound finds the bound that is crossed with the probability; +Inf when less
// than any bound would spend.
func (p *path) bound(t, probability float64) float64 {
	const most = 12.0
	if p.crossing(t, most) >= probability {
		return math.Inf(1)
	}
	low, high := -most, most
	if !p.oneSided {
		low = 0
	}
	for range 100 {
		mid := (low + high) / 2
		if p.crossing(t, mid) > probability {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// advance moves the density to the time t, cut off at the bound.
func (p *path) advance(t, b float64) {
	top := math.Min(b, 8) * math.Sqrt(t)
	bottom := -top
	if p.oneSided {
		bottom = -8 * math.Sqrt(t)
	}
	x, w := simpson(bottom, top, pathGrid)
	f := make([]float64, pathGrid)
	sd := math.Sqrt(t - p.t)
	for i, y := range x {
		if len(p.x) == 0 {
			f[i] = distuv.UnitNormal.Prob(y/math.Sqrt(t)) / math.Sqrt(t)
			continue
		}
		for j, from := range p.x {
			f[i] += p.w[j] * p.f[j] * distuv.UnitNormal.Prob((y-from)/sd) / sd
		}
	}
	p.t, p.x, p.f, p.w = t, x, f, w
}

// simpson gives n equidistant points from a to b and their weights.
func simpson(a, b float64, n int) (x, w []float64) {
	h := (b - a) / float64(n-1)
	x, w = make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = a + h*float64(i)
		switch {
		case i == 0 || i == n-1:
			w[i] = h / 3
		case i%2 == 1:
			w[i] = 4 * h / 3
		default:
			w[i] = 2 * h / 3
		}
	}
	return x, w
}
