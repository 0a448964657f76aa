package stats

import "math"

// response is y = final - (final - start) exp(-t/tau) fitted by variable
// projection: for a given tau the curve is linear in the rest, so that only tau is
// searched and no starting values are needed.
type response struct {
	start, final, tau float64
	rss               float64
	se                []float64 // final, start, tau; without start when it is fixed
	fixed             bool
	ok                bool
}

func (r response) at(t float64) float64 { return r.final - (r.final-r.start)*math.Exp(-t/r.tau) }

func (r response) residuals(t, y []float64) []float64 {
	out := make([]float64, len(t))
	for i := range t {
		out[i] = y[i] - r.at(t[i])
	}
	return out
}

func (r response) rSquared(y []float64) float64 {
	m, total := Mean(y), 0.0
	for _, v := range y {
		total += (v - m) * (v - m)
	}
	return 1 - r.rss/total
}

// fitResponse searches log tau between the bounds: a coarse grid, golden section
// around its best place, then Gauss-Newton for the last digits. A fixed start
// leaves two parameters. It is not ok when the best tau lies at a bound.
func fitResponse(t, y []float64, start *float64, low, high float64) response {
	const grid = 160
	step := math.Log(high/low) / grid
	best, value := 0, math.Inf(1)
	for i := range grid + 1 {
		if r := project(t, y, start, low*math.Exp(step*float64(i))); r.rss < value {
			best, value = i, r.rss
		}
	}
	if best == 0 || best == grid {
		return response{}
	}
	a, b := math.Log(low)+step*float64(best-1), math.Log(low)+step*float64(best+1)
	r := project(t, y, start, math.Exp(golden(a, b, func(l float64) float64 { return project(t, y, start, math.Exp(l)).rss })))
	r = r.polish(t, y)
	r.standardErrors(t, y)
	return r
}

// golden finds a minimum of f between a and b.
func golden(a, b float64, f func(float64) float64) float64 {
	ratio := (math.Sqrt(5) - 1) / 2
	c, d := b-ratio*(b-a), a+ratio*(b-a)
	fc, fd := f(c), f(d)
	for b-a > 1e-9 {
		if fc < fd {
			b, d, fd = d, c, fc
			c = b - ratio*(b-a)
			fc = f(c)
		} else {
			a, c, fc = c, d, fd
			d = a + ratio*(b-a)
			fd = f(d)
		}
	}
	return (a + b) / 2
}

// project gives the best curve for one tau.
func project(t, y []float64, start *float64, tau float64) response {
	r := response{tau: tau, fixed: start != nil, rss: math.Inf(1)}
	e := make([]float64, len(t))
	for i, v := range t {
		e[i] = math.Exp(-v / tau)
	}
	if start != nil {
		var xy, xx float64
		for i := range t {
			xy += (1 - e[i]) * (y[i] - *start)
			xx += (1 - e[i]) * (1 - e[i])
		}
		if !(xx > 0) {
			return r
		}
		r.start, r.final = *start, *start+xy/xx
	} else {
		me, my := Mean(e), Mean(y)
		var xy, xx float64
		for i := range t {
			xy += (e[i] - me) * (y[i] - my)
			xx += (e[i] - me) * (e[i] - me)
		}
		if !(xx > 1e-20) {
			return r
		}
		r.final = my - xy/xx*me
		r.start = r.final + xy/xx
	}
	rest := r.residuals(t, y)
	r.rss, r.ok = dot(rest, rest), true
	return r
}

// jacobian has the columns final, start (unless fixed) and tau.
func (r response) jacobian(t []float64) [][]float64 {
	f, s, k := make([]float64, len(t)), make([]float64, len(t)), make([]float64, len(t))
	for i, v := range t {
		e := math.Exp(-v / r.tau)
		f[i], s[i] = 1-e, e
		k[i] = -(r.final - r.start) * e * v / (r.tau * r.tau)
	}
	if r.fixed {
		return [][]float64{f, k}
	}
	return [][]float64{f, s, k}
}

// polish takes Gauss-Newton steps while they lower the residual.
func (r response) polish(t, y []float64) response {
	for range 20 {
		fit := LeastSquares(r.jacobian(t), r.residuals(t, y))
		if !fit.Usable() {
			return r
		}
		next := r
		next.final += fit.Coef[0]
		if !r.fixed {
			next.start += fit.Coef[1]
		}
		change := fit.Coef[len(fit.Coef)-1]
		next.tau += change
		rest := next.residuals(t, y)
		if next.rss = dot(rest, rest); !(next.tau > 0) || !(next.rss <= r.rss*(1+1e-12)) {
			return r
		}
		if r = next; math.Abs(change) < 1e-14*r.tau {
			return r
		}
	}
	return r
}

func (r *response) standardErrors(t, y []float64) {
	fit := LeastSquares(r.jacobian(t), r.residuals(t, y))
	if !fit.Usable() || fit.DF < 1 {
		r.ok = false
		return
	}
	r.se = fit.SE
}
