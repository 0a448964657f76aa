package stats

import (
	"fmt"
	"math"
	"testing"
)

// Check 3. NIST StRD, linear regression, Norris and Longley (opened).
func TestStRDRegression(t *testing.T) {
	tree := readCheck(t, "strd_regression.json")
	x, y := observations(t, lookup(t, tree, "norris", "y_x"))
	f := LeastSquares(append([][]float64{ones(len(y))}, x...), y)
	for key, got := range map[string]float64{"B0": f.Coef[0], "B1": f.Coef[1], "se_B0": f.SE[0], "se_B1": f.SE[1], "residual_sd": f.Sigma, "r2": f.RSquared} {
		agree(t, "Norris "+key, 1e-11, got, parse(t, lookup(t, tree, "norris", "certified", key)))
	}
	x, y = observations(t, lookup(t, tree, "longley", "y_x"))
	f = LeastSquares(append([][]float64{ones(len(y))}, x...), y)
	for j := range f.Coef {
		agree(t, fmt.Sprint("Longley B", j), 1e-9, f.Coef[j], parse(t, lookup(t, tree, "longley", "certified", "B", j)))
		agree(t, fmt.Sprint("Longley se B", j), 1e-9, f.SE[j], parse(t, lookup(t, tree, "longley", "certified", "se", j)))
	}
	agree(t, "Longley residual sd", 1e-10, f.Sigma, parse(t, lookup(t, tree, "longley", "certified", "residual_sd")))
	agree(t, "Longley R squared", 1e-10, f.RSquared, parse(t, lookup(t, tree, "longley", "certified", "r2")))
}

// observations reads rows of y and its x.
func observations(t *testing.T, rows any) (x [][]float64, y []float64) {
	for _, row := range rows.([]any) {
		r := row.([]any)
		y = append(y, parse(t, r[0]))
		if x == nil {
			x = make([][]float64, len(r)-1)
		}
		for j := range x {
			x[j] = append(x[j], parse(t, r[j+1]))
		}
	}
	return x, y
}

func TestLeastSquaresRefusals(t *testing.T) {
	y := []float64{1, 2, 3, 4}
	if f := LeastSquares([][]float64{ones(4), {2, 2, 2, 2}}, y); !f.Has(Collinear) {
		t.Errorf("two constants: %+v", f)
	}
	if f := LeastSquares([][]float64{ones(1), {1}}, y[:1]); !f.Has(TooFewValues) {
		t.Errorf("one value: %+v", f)
	}
	if f := LeastSquares([][]float64{ones(4), {0, 0, 0, 0}}, y); !f.Has(Collinear) {
		t.Errorf("zeros: %+v", f)
	}
}

// Check 4. NIST StRD, nonlinear regression, Misra1a and BoxBOD (opened). Both are
// y = b1 (1 - exp(-b2 x)): a response from 0 with the time constant 1/b2.
func TestStRDResponse(t *testing.T) {
	tree := readCheck(t, "strd_regression.json")
	for _, name := range []string{"misra1a", "boxbod"} {
		x, y := observations(t, lookup(t, tree, name, "y_x"))
		start := 0.0
		r := fitResponse(x[0], y, &start, 1, 3600)
		if !r.ok {
			t.Fatalf("%s: no fit", name)
		}
		b2 := 1 / r.tau
		sigma := math.Sqrt(r.rss / float64(len(y)-2))
		for key, got := range map[string]float64{"b1": r.final, "b2": b2, "se_b1": r.se[0], "se_b2": r.se[1] * b2 * b2, "rss": r.rss, "residual_sd": sigma} {
			agree(t, name+" "+key, 1e-7, got, parse(t, lookup(t, tree, name, "certified", key)))
		}
	}
}
