package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// levels makes runs at the levels of one factor with a true law and a spread.
func levels(seed uint64, x []float64, repeats int, cv float64, law func(x float64) float64) (cells []Cell) {
	rng := rand.New(rand.NewPCG(seed, 0x1e5e1))
	for i, v := range x {
		c := Cell{A: i, X: v}
		for range repeats {
			c.Rates = append(c.Rates, law(v)*math.Exp(cv*rng.NormFloat64()))
		}
		cells = append(cells, c)
	}
	return cells
}

// The tests of this file hold one factor against laws that are known, worked out
// from their definitions; common practice, no source.

// amdahl is the rate when a share of the time scales with x, from base on.
func amdahl(share, base float64) func(float64) float64 {
	return func(x float64) float64 { return 100 / (1 - share + share*base/x) }
}

// With one value a run at two levels the fit is the arc between them, with the
// pooled standard error of the mean logs: worked out here from its definition.
func TestScaleOneIsTheArc(t *testing.T) {
	cells := levels(1, []float64{2400, 3200}, 5, 0.004, amdahl(0.6, 2400))
	o := ScaleOne(cells, ScalingOptions{NameA: "memory speed"})
	low, high := logs(cells[0].Rates), logs(cells[1].Rates)
	step := math.Log(3200.0 / 2400)
	want := (Mean(high) - Mean(low)) / step
	se := math.Sqrt((SD(low)*SD(low)+SD(high)*SD(high))/2) * math.Sqrt(2.0/5) / step
	if o.Status != OK || math.Abs(o.Factor.Elasticity.Value-want) > 1e-12 || math.Abs(o.Factor.SE-se) > 1e-12 || o.DF != 8 {
		t.Errorf("%+v, want %v +- %v", o, want, se)
	}
	if len(o.Factor.Arcs) != 1 || math.Abs(o.Factor.Arcs[0].Elasticity-want) > 1e-12 {
		t.Errorf("arcs %+v", o.Factor.Arcs)
	}
}

func TestScaleOneReads(t *testing.T) {
	wide, three := []float64{2400, 3200}, []float64{1600, 2400, 4800}
	for _, c := range []struct {
		name  string
		cells []Cell
		want  ReadingID
	}{
		{"mainly", levels(2, wide, 5, 0.004, amdahl(0.8, 2400)), ReadMainly},
		{"elsewhere", levels(3, wide, 5, 0.004, amdahl(0.02, 2400)), ReadLimitedElsewhere},
		{"partly", levels(4, wide, 5, 0.004, amdahl(0.3, 2400)), ReadPartly},
		{"noisy", levels(5, wide, 3, 0.08, amdahl(0.8, 2400)), ReadNotResolved},
		{"too fast", levels(6, wide, 5, 0.004, func(x float64) float64 { return x * x }), ReadSuspect},
		{"falls", levels(7, wide, 5, 0.004, func(x float64) float64 { return 1 / math.Sqrt(x) }), ReadSuspect},
		{"moves", levels(8, three, 6, 0.003, amdahl(0.8, 1600)), ReadLimitMoves},
	} {
		o := ScaleOne(c.cells, ScalingOptions{NameA: "memory speed"})
		if !slices.ContainsFunc(o.Readings, func(r Reading) bool { return r.ID == c.want }) {
			t.Errorf("%s: %+v, %+v", c.name, o.Readings, o.Factor)
		}
	}
}

func TestScaleOneRefuses(t *testing.T) {
	one := levels(9, []float64{2400}, 5, 0.004, amdahl(0.5, 2400))
	single := levels(9, []float64{2400, 3200}, 1, 0.004, amdahl(0.5, 2400))
	zero := []Cell{{A: 0, X: 0, Rates: []float64{1, 2}}, {A: 1, X: 2, Rates: []float64{1, 2}}}
	confounded := levels(9, []float64{2400, 3200}, 3, 0.004, amdahl(0.5, 2400))
	for i := range confounded {
		confounded[i].Blocks = []int{i, i, i}
	}
	for _, c := range []struct {
		cells []Cell
		code  Code
	}{{one, OneLevel}, {single, NoRepeats}, {zero, NotPositive}, {confounded, FactorsConfounded}, {nil, OneLevel}} {
		o := ScaleOne(c.cells, ScalingOptions{})
		if o.Usable() || !o.Has(c.code) || !math.IsNaN(o.Factor.Elasticity.Value) || o.Readings[0].ID != ReadNotResolved {
			t.Errorf("%s: %+v", c.code, o)
		}
	}
	uneven := levels(9, []float64{2400, 3200}, 4, 0.004, amdahl(0.5, 2400))
	uneven[1].Rates = uneven[1].Rates[:2]
	if o := ScaleOne(uneven, ScalingOptions{}); !o.Has(Unbalanced) || !o.Has(FewRepeats) {
		t.Errorf("%+v", o.Grade)
	}
}
