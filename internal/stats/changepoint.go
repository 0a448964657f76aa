package stats

import (
	"math"
	"math/rand/v2"
)

// ChangeOptions are the settings of FindChanges; zero fields mean the default.
type ChangeOptions struct {
	Penalty    float64 // 2 sigma^2 log n
	MinSegment int     // 3 points
	MaxN       int     // 2000 points: the method is exact and quadratic
	MaxR1      float64 // 0.3, of the residuals; above, the points are not independent
}

// Changes is the best partition of a series into segments of constant mean.
type Changes struct {
	Grade
	Starts  []int     // index of the first point after each change
	Means   []float64 // of the segments, one more than Starts
	Sigma   float64   // from the first differences, which a step hardly touches
	Penalty float64
	Cost    float64 // within-segment sum of squares plus penalties
	R1      float64 // lag-1 autocorrelation of the residuals
}

// FindChanges finds the changes of the mean by exact optimal partitioning.
//
// Source: Jackson et al. (2005) optimal partitioning (memory); Killick, Fearnhead
// & Eckley (2012) JASA 107:1590-1598 (memory).
func FindChanges(x []float64, opt ChangeOptions) Changes {
	defaultTo(&opt.MinSegment, 3)
	defaultTo(&opt.MaxN, 2000)
	defaultTo(&opt.MaxR1, 0.3)
	c := Changes{Grade: Grade{Status: OK}, Penalty: opt.Penalty}
	switch n := len(x); {
	case n < 2*opt.MinSegment || n < 4 || !finite(x):
		c.refuse(TooFewValues, "%d finite points, at least %d are needed", n, max(4, 2*opt.MinSegment))
		return c
	case n > opt.MaxN:
		c.refuse(TooManyValues, "%d points, the exact partition is meant for %d", n, opt.MaxN)
		return c
	}
	c.Sigma = sigmaOfDifferences(x)
	defaultTo(&c.Penalty, 2*c.Sigma*c.Sigma*math.Log(float64(len(x))))
	if c.Penalty <= 0 {
		c.refuse(ZeroVariance, "most neighbouring points are equal, the spread is unknown")
		return c
	}
	c.partition(x, opt.MinSegment)
	c.residuals(x, opt.MaxR1)
	return c
}

// sigmaOfDifferences estimates the spread around a mean that steps now and then.
func sigmaOfDifferences(x []float64) float64 {
	d := make([]float64, len(x)-1)
	for i := range d {
		d[i] = x[i+1] - x[i]
	}
	return 1.4826 * MAD(d) / math.Sqrt2
}

// partition minimises F(e) = min over s of F(s) + cost(s, e) + penalty.
func (c *Changes) partition(x []float64, least int) {
	n := len(x)
	cost := segmentCost(x)
	best, from := make([]float64, n+1), make([]int, n+1)
	best[0] = -c.Penalty
	for e := 1; e <= n; e++ {
		best[e] = math.Inf(1)
		for s := 0; s <= e-least; s++ {
			if v := best[s] + cost(s, e) + c.Penalty; v < best[e] {
				best[e], from[e] = v, s
			}
		}
	}
	c.Cost = best[n]
	for e := from[n]; e > 0; e = from[e] {
		c.Starts = append([]int{e}, c.Starts...)
	}
}

// segmentCost returns the sum of squares about the mean of x[s:e], in constant
// time; the series is centred first to keep its digits.
func segmentCost(x []float64) func(s, e int) float64 {
	m := Mean(x)
	sum, square := make([]float64, len(x)+1), make([]float64, len(x)+1)
	for i, v := range x {
		sum[i+1] = sum[i] + (v - m)
		square[i+1] = square[i] + (v-m)*(v-m)
	}
	return func(s, e int) float64 {
		d := sum[e] - sum[s]
		return square[e] - square[s] - d*d/float64(e-s)
	}
}

func (c *Changes) residuals(x []float64, maxR1 float64) {
	rest := make([]float64, 0, len(x))
	bounds := append(append([]int{0}, c.Starts...), len(x))
	for k := 1; k < len(bounds); k++ {
		segment := x[bounds[k-1]:bounds[k]]
		m := Mean(segment)
		c.Means = append(c.Means, m)
		for _, v := range segment {
			rest = append(rest, v-m)
		}
	}
	if c.R1 = Autocorrelation(rest, 1); c.R1 > maxR1 {
		c.flag(PointsDependent, "neighbouring points are correlated, r1 = %.2f is above %.2f", c.R1, maxR1)
	}
}

// Split is the best single change of the mean.
type Split struct {
	Start                 int // index of the first point after the change
	RSS0, RSS1            float64
	MeanBefore, MeanAfter float64
}

// BestSplit finds it by trying every place. It tells where, not whether.
func BestSplit(x []float64) Split {
	cost := segmentCost(x)
	n := len(x)
	s := Split{RSS0: cost(0, n), RSS1: math.Inf(1)}
	for k := 1; k < n; k++ {
		if v := cost(0, k) + cost(k, n); v < s.RSS1 {
			s.Start, s.RSS1 = k, v
		}
	}
	s.MeanBefore, s.MeanAfter = Mean(x[:s.Start]), Mean(x[s.Start:])
	return s
}

// CumulativeRange returns the range of the mean-adjusted cumulative sum, which a
// change of the mean widens, and the index of the first point after its extreme.
//
// Source: Taylor (2000) CUSUM bootstrap (memory).
func CumulativeRange(x []float64) (start int, width float64) {
	m := Mean(x)
	var sum, low, high, extreme float64
	for i, v := range x {
		sum += v - m
		low, high = math.Min(low, sum), math.Max(high, sum)
		if math.Abs(sum) > extreme {
			start, extreme = i+1, math.Abs(sum)
		}
	}
	return start, high - low
}

// ChangeConfidence is the share of random reorderings whose cumulative range is
// smaller than the observed one: how sure, not where. Id change.permutation; zero
// reorderings mean 1000.
func ChangeConfidence(x []float64, reorderings int, seed uint64) Number {
	defaultTo(&reorderings, 1000)
	n := number("change.permutation", "1", len(x), math.NaN(),
		Param{Name: "reorderings", Value: float64(reorderings)}, Param{Name: "seed", Value: float64(seed)})
	if len(x) < 4 || !finite(x) {
		n.withhold(TooFewValues, "%d finite points, at least 4 are needed", len(x))
		return n
	}
	_, observed := CumulativeRange(x)
	rng := rand.New(rand.NewPCG(seed, 0xc4a6e))
	shuffled := append([]float64(nil), x...)
	below := 0
	for range reorderings {
		rng.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		if _, w := CumulativeRange(shuffled); w < observed {
			below++
		}
	}
	n.Value = float64(below) / float64(reorderings)
	return n
}

// SpansChange reports whether a change of the rig lies between the two sides of a
// comparison: places of their runs in the rig's history against the starts of new
// segments. Sides that both have runs before and after the change do not span it.
func SpansChange(starts, base, against []int) bool {
	split := func(runs []int, at int) (before, after bool) {
		for _, r := range runs {
			before, after = before || r < at, after || r >= at
		}
		return before, after
	}
	for _, at := range starts {
		b1, b2 := split(base, at)
		a1, a2 := split(against, at)
		if (b1 || a1) && (b2 || a2) && !(b1 && b2 && a1 && a2) {
			return true
		}
	}
	return false
}
