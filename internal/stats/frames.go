package stats

import (
	"math"
	"math/bits"
	"slices"
)

// frames holds the frame times of one run, prepared once, all in nanoseconds and
// positive.
type frames struct {
	order     []int64
	ascending []int64 // nil where nobody needs all of them in that order
	total     int64   // their exact sum
	longest   int64
}

// admit checks the frame times and prepares them. It repairs nothing.
func admit(nanos []int64, g *Grade, opt Options) (frames, bool) {
	f := frames{order: nanos}
	if len(nanos) < 2 {
		g.refuse(TooFewFrames, "%d frame times, at least 2 are needed", len(nanos))
		return f, false
	}
	for k, t := range nanos {
		if t <= 0 {
			g.refuse(NotPositive, "frame %d takes %d ns", k, t)
			return f, false
		}
		if f.total > math.MaxInt64-t {
			g.refuse(TooLong, "the frame times up to frame %d add up to more than 292 years", k)
			return f, false
		}
		f.total += t
		f.longest = max(f.longest, t)
	}
	if f.total < int64(opt.MinElapsed) {
		g.refuse(TooShort, "the frames last %.3f s in all, less than %v", float64(f.total)/1e9, opt.MinElapsed)
		return f, false
	}
	return f, true
}

// rank gives the time at a place, from 0, of the ascending order.
func (f frames) rank(i int) int64 {
	if f.ascending != nil {
		return f.ascending[i]
	}
	return ranked(f.order, f.longest, i)
}

// digit is how many bits of a time are looked at in one pass.
const digit = 11

// ranked gives the value at a place, from 0, of the ascending order of positive
// values, the greatest of which is known. It neither sorts nor copies them: from the
// highest digit on it counts how many share each, and goes on with those that share
// the one in which the place lies.
func ranked(values []int64, greatest int64, place int) (found int64) {
	shift := max(0, bits.Len64(uint64(greatest))-digit)
	for known := int64(0); ; { // bits of found, from the top
		var count [1 << digit]int
		for _, v := range values {
			if v&known == found {
				count[v>>shift&(1<<digit-1)]++
			}
		}
		d := 0
		for ; place >= count[d]; d++ {
			place -= count[d]
		}
		found |= int64(d) << shift
		if shift == 0 {
			return found
		}
		known |= ^(1<<shift - 1)
		shift = max(0, shift-digit)
	}
}

// milliseconds converts the frame times, in order.
func (f frames) milliseconds() []float64 {
	out := make([]float64, len(f.order))
	for i, t := range f.order {
		out[i] = float64(t) / 1e6
	}
	return out
}

// sorted returns positive values in ascending order. Frame times share their high
// digits, so a radix sort that skips those takes three passes over a long log.
func sorted(nanos []int64) []int64 {
	out := slices.Clone(nanos)
	if len(out) < 4096 {
		slices.Sort(out)
		return out
	}
	spare := make([]int64, len(out))
	for shift := uint(0); shift < 64; shift += digit {
		var count [1<<digit + 1]int
		for _, v := range out {
			count[(v>>shift)&(1<<digit-1)+1]++
		}
		if slices.Max(count[:]) == len(out) {
			continue
		}
		for i := 1; i < len(count); i++ {
			count[i] += count[i-1]
		}
		for _, v := range out {
			d := (v >> shift) & (1<<digit - 1)
			spare[count[d]] = v
			count[d]++
		}
		out, spare = spare, out
	}
	return out
}
