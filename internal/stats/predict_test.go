package stats

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Closed form for single values: mean +- t s sqrt(1+1/n), whether each is its own
// session or all are one. Data and interval worked out by hand with R's qt(0.975,
// 4) = 2.776445 (opened).
func TestPredictNextClosedForm(t *testing.T) {
	values := []float64{1, 2, 3, 4, 5}
	half := 2.776445105 * math.Sqrt(2.5*1.2)
	var each [][]float64
	for _, v := range values {
		each = append(each, []float64{v})
	}
	for _, sessions := range [][][]float64{each, {values}, {values, nil, {}}} {
		p := PredictNext(sessions, 0.95)
		if !p.Usable() || p.N != 5 || math.Abs(p.Interval.Low-(3-half)) > 1e-8 || math.Abs(p.Interval.High-(3+half)) > 1e-8 {
			t.Errorf("%+v", p)
		}
		if p.Has(OneSession) != (p.Sessions < 3) {
			t.Errorf("%d sessions: %q", p.Sessions, p.Reason)
		}
	}
}

func TestPredictNextRefuses(t *testing.T) {
	for _, c := range []struct {
		sessions [][]float64
		code     Code
	}{
		{nil, TooFewValues}, {[][]float64{{1, 2}}, TooFewValues}, {[][]float64{{1, 2, math.NaN()}}, TooFewValues},
		{[][]float64{{7, 7}, {7, 7}, {7}}, ZeroVariance},
	} {
		if p := PredictNext(c.sessions, 0); p.Usable() || !p.Has(c.code) {
			t.Errorf("%v: %+v", c.sessions, p.Grade)
		}
	}
}

// How often an interval misses a value of another session although nothing
// changed: as often as its level says for single values, and near it for sessions
// but when there are very few. Simulated, seeds fixed; the bounds are four standard
// errors of the count and what PredictNext says of itself.
func TestPredictNextFalseAlarms(t *testing.T) {
	const level, runs = 0.99, 5000
	for _, c := range []struct {
		name            string
		sessions, each  int
		between, within float64
		low, high       float64 // allowed misses, of 1
	}{
		{"single runs, 8", 8, 1, 1, 0.5, 0.0045, 0.0156},
		{"single runs, 40", 40, 1, 1, 0.5, 0.0045, 0.0156},
		{"8 sessions of 5, alike", 8, 5, 0, 1, 0.002, 0.0156},
		{"8 sessions of 5, unlike", 8, 5, 2, 1, 0.0045, 0.018},
		{"3 sessions of 5, unlike", 3, 5, 2, 1, 0.0045, 0.036},
		{"20 sessions of 5, half each", 20, 5, 1, 1, 0.0045, 0.0165},
	} {
		rng := rand.New(rand.NewPCG(20310302, uint64(c.sessions*100+c.each)))
		missed := 0
		for range runs {
			value := func(session float64) float64 { return session + c.within*rng.NormFloat64() }
			var past [][]float64
			for range c.sessions {
				at, s := c.between*rng.NormFloat64(), []float64{}
				for range c.each {
					s = append(s, value(at))
				}
				past = append(past, s)
			}
			if p := PredictNext(past, level); !p.Interval.Contains(value(c.between * rng.NormFloat64())) {
				missed++
			}
		}
		if share := float64(missed) / runs; share < c.low || share > c.high {
			t.Errorf("%s: misses %.4f of the time, not %.3f", c.name, share, 1-level)
		} else {
			t.Logf("%s: misses %.4f", c.name, share)
		}
	}
}

// With one cell the nested test is the one-way analysis of variance, which the
// certified sets hold (TestOneWayHandbook); with cells that differ by a constant it
// is that of the pooled sums of squares: 2 cells alike give the same F, and twice
// the degrees of freedom.
func TestSessionsInside(t *testing.T) {
	one := [][]float64{{1, 1.2, 0.9}, {1.4, 1.5, 1.7}, {0.8, 1.1, 1.0}}
	shifted := make([][]float64, len(one))
	for i, s := range one {
		for _, v := range s {
			shifted[i] = append(shifted[i], v+7)
		}
	}
	a := OneWay(one)
	if n := SessionsInside([][][]float64{one}); math.Abs(n.F-a.Between.F) > 1e-12 || math.Abs(n.P-a.Between.P) > 1e-12 || n.DF1 != 2 || n.DF2 != 6 {
		t.Errorf("%+v, want %+v", n, a.Between)
	}
	if n := SessionsInside([][][]float64{one, append(shifted, nil), nil}); math.Abs(n.F-a.Between.F) > 1e-9 || n.DF1 != 4 || n.DF2 != 12 || n.P >= a.Between.P {
		t.Errorf("%+v", n)
	}
	for _, cells := range [][][][]float64{nil, {{{1, 2, 3}}}, {{{1}, {2}, {3}}}} {
		if n := SessionsInside(cells); !math.IsNaN(n.P) {
			t.Errorf("%v: %+v", cells, n)
		}
	}
}
