package stats

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// autocovariance returns R_0..R_maxLag with divisor n about the mean of the full
// series.
func autocovariance(x []float64, maxLag int) []float64 {
	m := Mean(x)
	centred := make([]float64, len(x))
	for i, v := range x {
		centred[i] = v - m
	}
	maxLag = min(maxLag, len(x)-1)
	if len(x)*(maxLag+1) > 1<<22 {
		return autocovarianceFFT(centred, maxLag)
	}
	out := make([]float64, maxLag+1)
	for k := range out {
		var s float64
		for i := k; i < len(x); i++ {
			s += centred[i] * centred[i-k]
		}
		out[k] = s / float64(len(x))
	}
	return out
}

// autocovarianceFFT is autocovariance for long series, by the convolution theorem.
func autocovarianceFFT(centred []float64, maxLag int) []float64 {
	size := 1
	for size < len(centred)+maxLag+1 {
		size *= 2
	}
	padded := make([]float64, size)
	copy(padded, centred)
	fft := fourier.NewFFT(size)
	c := fft.Coefficients(nil, padded)
	for i, v := range c {
		c[i] = complex(real(v)*real(v)+imag(v)*imag(v), 0)
	}
	r := fft.Sequence(padded, c)[:maxLag+1]
	for k := range r {
		r[k] /= float64(size) * float64(len(centred))
	}
	return r
}

// BlockLength is the automatic block length of a block bootstrap for the mean of
// a stationary series, with the quantities it came from.
//
// Source: Politis & White (2004) Econometric Rev. 23:53-70 as corrected by Patton,
// Politis & White (2009) 28:372-375 (formulas from memory; the ratio of the two
// lengths agrees with a published pair, opened).
type BlockLength struct {
	Grade
	N, KN, MHat, M                       int
	G, G0                                float64
	StationaryUncapped, CircularUncapped float64
	Max                                  int
	Stationary, Circular                 Number
}

// PolitisWhite chooses the block length for x. It is refused when the
// correlogram does not die out or the length meets its cap: the series is then
// not one stationary scene.
func PolitisWhite(x []float64) BlockLength {
	n := len(x)
	b := BlockLength{Grade: Grade{Status: OK}, N: n}
	root := int(math.Ceil(math.Sqrt(float64(n))))
	b.KN = max(5, int(math.Ceil(math.Sqrt(math.Log10(float64(max(n, 2)))))))
	limit := root + b.KN
	b.Max = int(math.Ceil(math.Min(3*math.Sqrt(float64(n)), float64(n)/3)))
	if limit+b.KN >= n || !finite(x) {
		b.refuse(TooFewValues, "%d finite values, more than %d are needed", n, limit+b.KN)
		return b.withNumbers()
	}
	r := autocovariance(x, limit+b.KN)
	if r[0] == 0 {
		b.refuse(ZeroVariance, "all values are equal")
		return b.withNumbers()
	}
	b.chooseBandwidth(r, limit)
	for k := -b.M; k <= b.M; k++ {
		lag := math.Abs(float64(k))
		w := flatTop(lag / float64(b.M))
		b.G += w * lag * r[int(lag)]
		b.G0 += w * r[int(lag)]
	}
	length := func(d float64) float64 { return math.Cbrt(2*b.G*b.G/d) * math.Cbrt(float64(n)) }
	b.StationaryUncapped, b.CircularUncapped = length(2*b.G0*b.G0), length(4./3*b.G0*b.G0)
	if b.M >= limit {
		b.refuse(BlockCapped, "the correlogram does not die out within %d lags", limit)
	}
	if !(b.StationaryUncapped <= float64(b.Max)) {
		b.refuse(BlockCapped, "block length %.0f is above its cap of %d", b.StationaryUncapped, b.Max)
	}
	return b.withNumbers()
}

// chooseBandwidth finds the lag after which KN correlations in a row are small.
func (b *BlockLength) chooseBandwidth(r []float64, limit int) {
	small := 2 * math.Sqrt(math.Log10(float64(b.N))/float64(b.N))
	b.MHat = -1
	run := 0
	for k := 1; k < limit+b.KN && b.MHat < 0; k++ {
		if math.Abs(r[k]/r[0]) < small {
			run++
		} else {
			run = 0
		}
		if run == b.KN {
			b.MHat = k - b.KN
		}
	}
	if b.MHat < 0 {
		for k := 1; k <= limit; k++ {
			if math.Abs(r[k]/r[0]) > small {
				b.MHat = k
			}
		}
	}
	b.MHat = max(b.MHat, 1)
	b.M = min(2*b.MHat, limit)
}

func (b BlockLength) withNumbers() BlockLength {
	give := func(id string, v float64) Number {
		x := number(id, "values", b.N, math.Min(v, float64(b.Max)))
		x.inherit(b.Grade)
		if !x.Usable() {
			x.Value = math.NaN()
		}
		return x
	}
	b.Stationary = give("block.stationary", b.StationaryUncapped)
	b.Circular = give("block.circular", b.CircularUncapped)
	return b
}

// flatTop is the lag window of Politis and Romano.
func flatTop(s float64) float64 {
	if s <= 0.5 {
		return 1
	}
	return 2 * (1 - s)
}

// EffectiveSize says how many independent values a dependent series is worth, by
// two methods. It is a diagnostic, not a basis for an interval.
type EffectiveSize struct {
	Geyer Number // ess.geyer: n over the integrated autocorrelation time
	Tau   float64
	Pairs int    // pairs of lags in the initial positive sequence
	AR1   Number // ess.ar1: n (1-r1)/(1+r1)
}

// Effective computes the effective size of x by Geyer's initial positive
// sequence and by the AR(1) shortcut.
//
// Source: Geyer (1992) Stat. Sci. 7:473-483 (memory).
func Effective(x []float64) EffectiveSize {
	n := len(x)
	e := EffectiveSize{Tau: math.NaN()}
	refuse := func(code Code, words string) EffectiveSize {
		e.Geyer = refusedNumber("ess.geyer", "values", n, code, "%s", words)
		e.AR1 = refusedNumber("ess.ar1", "values", n, code, "%s", words)
		return e
	}
	if n < 3 || !finite(x) {
		return refuse(TooFewValues, "at least 3 finite values are needed")
	}
	r := autocovariance(x, n-1)
	if r[0] == 0 {
		return refuse(ZeroVariance, "all values are equal")
	}
	var sum float64
	for k := 0; 2*k+1 <= n-2; k++ {
		pair := r[2*k] + r[2*k+1]
		if pair <= 0 {
			break
		}
		sum += pair
		e.Pairs++
	}
	e.Tau = (2*sum - r[0]) / r[0]
	e.Geyer = number("ess.geyer", "values", n, float64(n)/e.Tau)
	if e.Tau <= 0 {
		e.Geyer.withhold(Alternating, "the series alternates, the autocorrelation time is not positive")
	}
	r1 := r[1] / r[0]
	e.AR1 = number("ess.ar1", "values", n, float64(n)*(1-r1)/(1+r1), Param{Name: "r1", Value: r1})
	return e
}

func finite(x []float64) bool {
	for _, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
