package stats

import (
	"math"
	"math/rand/v2"
	"slices"
)

// StationaryVariance is the exact variance, given the values, of the mean of a
// stationary bootstrap sample whose blocks have the mean length 1/p; NaN for no
// values.
//
// Source: Politis & Romano (1994) JASA 89:1303-1313 (memory).
func StationaryVariance(x []float64, p float64) float64 {
	n := len(x)
	if n == 0 || !(0 <= p && p <= 1) {
		return math.NaN()
	}
	r := autocovariance(x, n-1)
	sum := r[0]
	for i := 1; i < n; i++ {
		share := float64(i) / float64(n)
		sum += 2 * r[i] * ((1-share)*math.Pow(1-p, float64(i)) + share*math.Pow(1-p, float64(n-i)))
	}
	return sum / float64(n)
}

// BlockVariance is the exact variance, given the values, of the mean of a block
// bootstrap sample with blocks of fixed length: all n blocks of the series closed
// to a circle, or only the n-length+1 that do not wrap (moving). NaN where no block
// has that length.
//
// Source: Kunsch (1989) Ann. Stat. 17:1217-1241 (memory).
func BlockVariance(x []float64, length int, circular bool) float64 {
	n := len(x)
	if length < 1 || length > n {
		return math.NaN()
	}
	starts := n - length + 1
	if circular {
		starts = n
	}
	means := make([]float64, starts)
	for j := range means {
		for i := range length {
			means[j] += x[(j+i)%n]
		}
		means[j] /= float64(length)
	}
	m := Mean(means)
	var ss float64
	for _, v := range means {
		ss += (v - m) * (v - m)
	}
	return ss / float64(starts) / (float64(n) / float64(length))
}

// resampleStationary fills out with one stationary bootstrap sample: it follows
// the series, wrapping at its end, and jumps to a uniform place with probability p.
func resampleStationary(out, x []float64, p float64, rng *rand.Rand) {
	at := 0
	for i := range out {
		if i == 0 || rng.Float64() < p {
			at = rng.IntN(len(x))
		} else if at++; at == len(x) {
			at = 0
		}
		out[i] = x[at]
	}
}

// WithinRunOptions are the settings of WithinRun; zero fields mean the default.
type WithinRunOptions struct {
	Replicates int     // 2000
	Level      float64 // 0.95
	Seed       uint64  // the same seed gives the same interval
}

// WithinRunInterval is an interval for one stationary scene of one run.
type WithinRunInterval struct {
	Estimate Number
	Interval *Interval // nil when refused
	Block    BlockLength
}

// WithinRun estimates how far a statistic of one stationary scene would move, by
// the stationary bootstrap with the Politis-White block length. The result is
// always flagged: it says nothing about another run and never serves to compare
// two configurations. It is refused where the block length is.
func WithinRun(scene []float64, statistic func([]float64) float64, opt WithinRunOptions) WithinRunInterval {
	defaultTo(&opt.Replicates, 2000)
	defaultTo(&opt.Level, 0.95)
	w := WithinRunInterval{Block: PolitisWhite(scene)}
	w.Estimate = number("withinrun.stationary_bootstrap", "", len(scene), math.NaN(),
		Param{Name: "replicates", Value: float64(opt.Replicates)},
		Param{Name: "block_length", Value: w.Block.StationaryUncapped, Unit: "values"},
		Param{Name: "seed", Value: float64(opt.Seed)})
	if !w.Block.Usable() {
		w.Estimate.inherit(w.Block.Grade)
		return w
	}
	w.Estimate.Value = statistic(scene)
	w.Estimate.flag(SingleRun, "from one run, not for comparing configurations")
	rng := rand.New(rand.NewPCG(opt.Seed, 0x57a7))
	p := 1 / math.Max(1, w.Block.Stationary.Value)
	sample := make([]float64, len(scene))
	draws := make([]float64, opt.Replicates)
	for i := range draws {
		resampleStationary(sample, scene, p, rng)
		draws[i] = statistic(sample)
	}
	w.Interval = percentileInterval(draws, opt.Level)
	return w
}

func percentileInterval(draws []float64, level float64) *Interval {
	slices.Sort(draws)
	tail := (1 - level) / 2
	return &Interval{Low: HF(7).Quantile(draws, tail), High: HF(7).Quantile(draws, 1-tail), Level: level}
}
