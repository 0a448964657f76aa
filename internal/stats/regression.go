package stats

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Fit is a least squares fit.
type Fit struct {
	Grade
	N, DF      int
	Coef, SE   []float64
	Covariance [][]float64
	RSS        float64
	Sigma      float64 // residual standard deviation
	RSquared   float64 // about the mean of y
}

// LeastSquares fits y by the columns, which include the constant if one is
// wanted, by Householder QR. It is refused where a column follows from the others
// or no degree of freedom is left.
func LeastSquares(columns [][]float64, y []float64) Fit {
	n, p := len(y), len(columns)
	f := Fit{Grade: Grade{Status: OK}, N: n, DF: n - p}
	if f.DF < 0 || p == 0 {
		f.refuse(TooFewValues, "%d values for %d coefficients", n, p)
		return f
	}
	x := mat.NewDense(n, p, nil)
	for j, c := range columns {
		x.SetCol(j, c)
	}
	var qr mat.QR
	qr.Factorize(x)
	var r mat.Dense
	qr.RTo(&r)
	for j, c := range columns {
		if norm := mat.Norm(mat.NewVecDense(n, c), 2); !(math.Abs(r.At(j, j)) > 1e-11*norm) {
			f.refuse(Collinear, "column %d follows from the ones before it", j)
			return f
		}
	}
	var beta mat.VecDense
	if err := qr.SolveVecTo(&beta, false, mat.NewVecDense(n, y)); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			f.refuse(Collinear, "%v", err)
			return f
		}
	}
	f.Coef = beta.RawVector().Data
	f.residuals(x, y)
	f.spread(&r, p)
	return f
}

func (f *Fit) residuals(x *mat.Dense, y []float64) {
	var fitted mat.VecDense
	fitted.MulVec(x, mat.NewVecDense(len(f.Coef), f.Coef))
	m, total := Mean(y), 0.0
	for i, v := range y {
		d := v - fitted.AtVec(i)
		f.RSS += d * d
		total += (v - m) * (v - m)
	}
	f.Sigma = math.Sqrt(f.RSS / float64(f.DF))
	f.RSquared = 1 - f.RSS/total
}

// spread fills in the covariance sigma^2 (R'R)^-1.
func (f *Fit) spread(r *mat.Dense, p int) {
	tri := mat.NewTriDense(p, mat.Upper, nil)
	for i := range p {
		for j := i; j < p; j++ {
			tri.SetTri(i, j, r.At(i, j))
		}
	}
	var inv mat.TriDense
	if err := inv.InverseTri(tri); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			f.refuse(Collinear, "%v", err)
			return
		}
	}
	for i := range p {
		row := make([]float64, p)
		for j := range p {
			for k := max(i, j); k < p; k++ {
				row[j] += inv.At(i, k) * inv.At(j, k)
			}
			row[j] *= f.Sigma * f.Sigma
		}
		f.Covariance = append(f.Covariance, row)
		f.SE = append(f.SE, math.Sqrt(row[i]))
	}
}

// interval is the t interval of one coefficient.
func (f Fit) interval(j int, level float64) Interval {
	half := tQuantile(0.5+level/2, float64(f.DF)) * f.SE[j]
	return Interval{Low: f.Coef[j] - half, High: f.Coef[j] + half, Level: level}
}

// p is the two-sided p of one coefficient against 0.
func (f Fit) p(j int) float64 { return tTwoSided(f.Coef[j]/f.SE[j], float64(f.DF)) }
