package stats

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// Average run lengths: how many points a chart takes, on average, to signal when
// the mean has shifted by so many sigma. At shift 0 that is the time between
// false alarms. All assume independent normal points and known limits.
//
// The integral equations are solved by Gauss-Legendre quadrature, as in Brook &
// Evans (1972) Biometrika 59:539-549 and Crowder (1987) Technometrics 29:401-407
// (published values: public copy).

const runLengthNodes = 100

// ShewhartRunLength is the average run length of limits at +-limit sigma.
func ShewhartRunLength(limit, shift float64) float64 {
	return 1 / (normalCDF(-limit-shift) + normalCDF(-limit+shift))
}

// CUSUMRunLength is that of a tabular CUSUM of both sides with reference k and
// decision interval h, both in sigma.
func CUSUMRunLength(k, h, shift float64) float64 {
	shift = math.Abs(shift)
	rate := 1 / oneSidedCUSUM(k, h, shift)
	if shift <= 1.2 { // beyond, the other side hardly ever signals and its equations are singular
		rate += 1 / oneSidedCUSUM(k, h, -shift)
	}
	return 1 / rate
}

// oneSidedCUSUM solves L(z) = 1 + L(0) P(reach 0) + integral of L over (0, h).
func oneSidedCUSUM(k, h, shift float64) float64 {
	n := runLengthNodes
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, 0, h)
	from := append([]float64{0}, x...)
	return solveRunLength(from, func(z float64, j int) float64 {
		if j == 0 {
			return normalCDF(k - z - shift)
		}
		return w[j-1] * normalDensity(x[j-1]+k-z-shift)
	})[0]
}

// EWMARunLength is that of an EWMA chart with weight lambda and asymptotic limits
// at +-limit of its sigma.
func EWMARunLength(lambda, limit, shift float64) float64 {
	n := runLengthNodes
	bound := limit * math.Sqrt(lambda/(2-lambda))
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, -bound, bound)
	step := func(z float64, j int) float64 {
		return w[j] / lambda * normalDensity((x[j]-(1-lambda)*z)/lambda-shift)
	}
	length := solveRunLength(x, step)
	sum := 1.0
	for j := range x {
		sum += step(0, j) * length[j]
	}
	return sum
}

// solveRunLength solves (I - K) L = 1 where K(i, j) = kernel(from[i], j).
func solveRunLength(from []float64, kernel func(z float64, j int) float64) []float64 {
	n := len(from)
	a, ones := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		ones.SetVec(i, 1)
		for j := range n {
			v := -kernel(from[i], j)
			if i == j {
				v++
			}
			a.Set(i, j, v)
		}
	}
	var l mat.VecDense
	if err := l.SolveVec(a, ones); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			ones.ScaleVec(math.Inf(1), ones)
			return ones.RawVector().Data
		}
	}
	return l.RawVector().Data
}

func normalDensity(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }
