package stats

import (
	"fmt"
	"math"
)

// SlowTail holds the rate of the slowest share of a run by each of the meanings
// that circulate. They differ by 40 % on one and the same log, so figures with
// different method ids are never compared (SameMethod).
//
// The trade term has no standard definition (statement from knowledge of the
// trade, no product consulted). Tail mean by count: expected shortfall, Acerbi &
// Tasche (2002) J. Banking & Finance 26:1487-1503 (memory).
type SlowTail struct {
	Share        float64 // 0.01 or 0.001
	Percentile   Number  // low.percentile: 1 over the type-7 percentile of frame time; the default
	MeanCount    Number  // low.mean_count: 1 over the mean of the slowest share of frames, last frame in part
	MeanTime     Number  // low.mean_time: rate during the slowest frames that fill the share of the time
	BoundaryTime Number  // low.boundary_time: 1 over the time-weighted percentile
	MeanCeil     Number  // low.mean_ceil: as MeanCount with whole frames, share rounded up; for imported figures
}

func (f frames) slowTail(share float64, opt Options) SlowTail {
	n := len(f.order)
	rate := func(id string, nanosPerFrame float64) Number {
		x := number(id, "frames/s", n, 1e9/nanosPerFrame, Param{Name: "share", Value: share})
		gradeTail(&x, share*float64(n), opt)
		return x
	}
	return SlowTail{
		Share:        share,
		Percentile:   rate("low.percentile", f.quantile(1-share, 7)),
		MeanCount:    rate("low.mean_count", f.meanOfSlowest(share*float64(n))),
		MeanTime:     rate("low.mean_time", f.meanOfSlowestTime(share)),
		BoundaryTime: rate("low.boundary_time", float64(timeWeighted(f.ascending, f.total, 1-share))),
		MeanCeil:     rate("low.mean_ceil", f.meanOfSlowest(math.Max(1, math.Ceil(share*float64(n)-1e-9)))),
	}
}

// slowestMean is the tail mean by count as a time in ms.
func (f frames) slowestMean(share float64, opt Options) Number {
	n := len(f.order)
	x := number("low.mean_count", "ms", n, f.meanOfSlowest(share*float64(n))/1e6, Param{Name: "share", Value: share})
	gradeTail(&x, share*float64(n), opt)
	return x
}

// meanOfSlowest averages the slowest w frames, the last one in part, in ns.
func (f frames) meanOfSlowest(w float64) float64 {
	n := len(f.order)
	k := int(math.Min(math.Floor(w), float64(n)))
	total := float64(f.sumOfSlowest(k))
	if k < n {
		total += float64((w - float64(k)) * float64(f.rank(n-1-k)))
	}
	return total / w
}

// sumOfSlowest adds up the slowest k frames: all above the fastest of them, and of
// those that take as long as it what is left.
func (f frames) sumOfSlowest(k int) (sum int64) {
	if k == 0 {
		return 0
	}
	fastest, left := f.rank(len(f.order)-k), int64(k)
	for _, t := range f.order {
		if t > fastest {
			sum += t
			left--
		}
	}
	return sum + left*fastest
}

// meanOfSlowestTime is the time per frame, in ns, over the slowest frames that
// together fill the share of the run, the last one in part.
func (f frames) meanOfSlowestTime(share float64) float64 {
	budget := share * float64(f.total)
	var used int64
	count := 0.0
	for i := len(f.ascending) - 1; i >= 0; i-- {
		t := f.ascending[i]
		if float64(used+t) >= budget {
			return budget / (count + (budget-float64(used))/float64(t))
		}
		used += t
		count++
	}
	return budget / count
}

// SameMethod refuses a comparison of two numbers whose method, unit or parameters
// differ, and is nil when they agree.
func SameMethod(a, b Number) error {
	if a.Method != b.Method || a.Unit != b.Unit {
		return fmt.Errorf("compare %s in %s with %s in %s: different definitions", a.Method, a.Unit, b.Method, b.Unit)
	}
	if len(a.Params) != len(b.Params) {
		return fmt.Errorf("compare two %s: different parameters", a.Method)
	}
	for i, p := range a.Params {
		if q := b.Params[i]; p != q {
			return fmt.Errorf("compare two %s: %s is %g on one side, %s is %g on the other", a.Method, p.Name, p.Value, q.Name, q.Value)
		}
	}
	return nil
}
