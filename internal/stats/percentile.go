package stats

import (
	"fmt"
	"math"
	"strconv"
)

// HF is one of the nine quantile definitions of Hyndman and Fan. Type 7 is the
// default here because R, NumPy and the inclusive spreadsheet percentile give it,
// so that a reader can recompute our number from the log; type 8 is the
// median-unbiased one the authors recommend.
//
// Source: Hyndman & Fan (1996) Am. Stat. 50:361-365 (memory); R quantile (opened).
type HF int

// Valid reports whether t is 1 to 9.
func (t HF) Valid() bool { return 1 <= t && t <= 9 }

// fuzz keeps a product such as 0.7*10 from falling below its integer, as R does.
const fuzz = 4 * 0x1p-52

// position returns the 1-based index j below the quantile and the weight h of
// value j+1, for n values.
func (t HF) position(n int, p float64) (j, h float64) {
	var a, b float64
	switch t {
	case 1, 2, 3:
		return t.step(float64(n) * p)
	case 4:
		a, b = 0, 1
	case 5:
		a, b = 0.5, 0.5
	case 6:
		a, b = 0, 0
	case 7:
		a, b = 1, 1
	case 8:
		a, b = 1./3, 1./3
	case 9:
		a, b = 3./8, 3./8
	}
	at := a + float64(p*(float64(n)+1-a-b))
	j = math.Floor(at + fuzz)
	h = at - j
	if math.Abs(h) < fuzz {
		h = 0
	}
	return j, h
}

// step is position for the discontinuous types.
func (t HF) step(at float64) (j, h float64) {
	if t == 3 {
		at -= 0.5
	}
	j = math.Floor(at + fuzz)
	above := at > j
	switch {
	case t == 3 && (at != j || math.Mod(j, 2) != 0):
		return j, 1
	case t == 1 && above:
		return j, 1
	case t == 2 && above:
		return j, 1
	case t == 2:
		return j, 0.5
	}
	return j, 0
}

// Quantile returns the p-quantile of values in ascending order; NaN for no
// values, for p outside 0..1 and for an unknown type.
func (t HF) Quantile(ascending []float64, p float64) float64 {
	return t.quantile(len(ascending), func(i int) float64 { return ascending[i] }, p)
}

// quantile is Quantile of n values, which rank gives by their place, from 0, in
// ascending order.
func (t HF) quantile(n int, rank func(int) float64, p float64) float64 {
	if n == 0 || !(0 <= p && p <= 1) || !t.Valid() {
		return math.NaN()
	}
	j, h := t.position(n, p)
	at := func(i float64) float64 { return rank(int(math.Max(1, math.Min(float64(n), i))) - 1) }
	low := at(j)
	if h == 0 {
		return low
	}
	high := at(j + 1)
	if h == 1 || low == high {
		return high
	}
	return float64((1-h)*low) + float64(h*high)
}

// timeWeighted returns the smallest frame time t such that frames of at most t
// fill the share p of the run.
//
// Source: weighted empirical distribution, length-biased sampling, Cox (1969)
// (memory).
func timeWeighted(ascending []int64, total int64, p float64) int64 {
	need := p * float64(total)
	var sum int64
	for _, t := range ascending {
		sum += t
		if float64(sum) >= need {
			return t
		}
	}
	return ascending[len(ascending)-1]
}

// quantile gives a quantile of the frame time in ns.
func (f frames) quantile(p float64, t HF) float64 {
	return t.quantile(len(f.order), func(i int) float64 { return float64(f.rank(i)) }, p)
}

func percentileID(p float64) string {
	return "p" + strconv.FormatFloat(math.Round(p*1e6)/1e4, 'f', -1, 64)
}

// percentile gives one percentile of the frame time in ms.
func (f frames) percentile(p float64, opt Options) Number {
	id := fmt.Sprintf("frametime.%s.hf%d", percentileID(p), opt.Quantile)
	n := number(id, "ms", len(f.order), f.quantile(p, opt.Quantile)/1e6,
		Param{Name: "p", Value: p}, Param{Name: "hyndman_fan_type", Value: float64(opt.Quantile)})
	gradeTail(&n, math.Min(p, 1-p)*float64(len(f.order)), opt)
	return n
}

// weightedPercentile gives one time-weighted percentile of the frame time in ms.
func (f frames) weightedPercentile(p float64, opt Options) Number {
	t := timeWeighted(f.ascending, f.total, p)
	n := number("frametime.tw."+percentileID(p), "ms", len(f.order), float64(t)/1e6, Param{Name: "p", Value: p})
	gradeTail(&n, math.Min(p, 1-p)*float64(len(f.order)), opt)
	return n
}

// gradeTail judges a figure that rests on the given number of values in its tail.
func gradeTail(n *Number, inTail float64, opt Options) {
	const slack = 1e-9 // 50*(1-0.9) is 4.999999999999999
	switch {
	case inTail < 1-slack:
		n.withhold(TailEmpty, "%.3g of a value lies in this tail", inTail)
	case inTail < opt.ThinTail-slack:
		n.flag(TailTooThin, "%.3g values lie in this tail, fewer than %g", inTail, opt.ThinTail)
	}
}
