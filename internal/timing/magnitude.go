package timing

import (
	"fmt"
	"math/bits"
)

// Two groups of durations are taken for two units when nothing lies between them
// over so many powers of two, when the smaller group is at least such a share of
// the rows, and when the ratio of their means is a step between units within such
// a factor. Design choices, no source: one long frame is a stall, and a real
// workload's frames seldom leave a gap of a hundred in the middle.
const (
	emptyPowers = 6
	leastShare  = 100 // of the rows, as their hundredth
	unitFactor  = 2.5
)

// group is the durations whose lengths in bits lie in one stretch.
type group struct {
	count    int
	sum      float64
	from, to int // lengths in bits, both included
}

func (g group) mean() float64 { return g.sum / float64(g.count) }

// magnitudes sorts durations into the groups that wide gaps part.
func magnitudes(durations []int64) (groups []group) {
	var count [65]int
	var sum [65]float64
	for _, d := range durations {
		n := bits.Len64(uint64(d))
		count[n]++
		sum[n] += float64(d)
	}
	gap := emptyPowers
	for n := range count {
		if count[n] == 0 {
			gap++
			continue
		}
		if gap >= emptyPowers {
			groups = append(groups, group{from: n})
		}
		g := &groups[len(groups)-1]
		g.count, g.sum, g.to = g.count+count[n], g.sum+sum[n], n
		gap = 0
	}
	return groups
}

// magnitudeMark notes durations that fall into two groups one unit apart, as a
// log does whose program changed from milliseconds to seconds on the way.
func (r *reader) magnitudeMark(t *text) Mark {
	ts := r.log.Durations
	if r.layout.Kind != Duration {
		return Mark{} // mixed time stamps go backwards
	}
	groups := magnitudes(ts)
	for i := 1; i < len(groups); i++ {
		few, rest := groups[i-1], groups[i]
		word := "shorter"
		if few.count > rest.count {
			few, rest, word = rest, few, "longer"
		}
		step := unitStep(groups[i].mean() / groups[i-1].mean())
		if step == 0 || few.count*leastShare < len(ts) || word == "longer" && few.count < 3 {
			continue
		}
		return Mark{
			Code: "mixed_magnitudes", Line: t.lineOfRow(r.firstIn(few), r.layout.Header == yes), Count: few.count,
			Text: fmt.Sprintf("%d of %d durations are about %d times %s than the rest, and none lies between: two units may be mixed", few.count, len(ts), step, word),
		}
	}
	return Mark{}
}

// unitStep gives the step between two units that the ratio is near to, or 0.
func unitStep(ratio float64) int {
	for _, step := range []int{1000, 1_000_000, 1_000_000_000} {
		if s := float64(step); ratio > s/unitFactor && ratio < s*unitFactor {
			return step
		}
	}
	return 0
}

func (r *reader) firstIn(g group) int {
	for i, d := range r.log.Durations {
		if n := bits.Len64(uint64(d)); n >= g.from && n <= g.to {
			return i
		}
	}
	return 0
}
