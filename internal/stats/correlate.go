package stats

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// onGrid averages the log of the frame time on screen, in ms, over cells of dt:
// by integral, exact for frames longer and shorter than a cell.
func (f frames) onGrid(dt int64) []float64 {
	out := make([]float64, f.total/dt)
	var begin int64
	for _, t := range f.order {
		l := math.Log(float64(t) / 1e6)
		for at := begin; at < begin+t; {
			cell := at / dt
			if cell >= int64(len(out)) {
				break
			}
			end := min(begin+t, (cell+1)*dt)
			out[cell] += l * float64(end-at) / float64(dt)
			at = end
		}
		begin += t
	}
	return out
}

// highPass subtracts the centred mean over half cells to each side, fewer at the
// ends.
func highPass(x []float64, half int) []float64 {
	sum := make([]float64, len(x)+1)
	for i, v := range x {
		sum[i+1] = sum[i] + v
	}
	out := make([]float64, len(x))
	for i, v := range x {
		lo, hi := max(0, i-half), min(len(x), i+half+1)
		out[i] = v - (sum[hi]-sum[lo])/float64(hi-lo)
	}
	return out
}

// correlogram is the Pearson correlation of x[j] and y[j+lag] over their overlap,
// for lags from first on; NaN where they share too little.
type correlogram struct {
	first int
	r     []float64
}

// overlap is the range of x that has a partner in y at the lag.
func overlap(nx, ny, lag int) (from, to int) {
	return max(0, -lag), max(max(0, -lag), min(nx, ny-lag))
}

func crossCorrelate(x, y []float64, first, last, least int) correlogram {
	x, y = centred(x), centred(y)
	c := correlogram{first: first, r: make([]float64, last-first+1)}
	products := crossProducts(x, y)
	sx, sxx, sy, syy := running(x), runningSquares(x), running(y), runningSquares(y)
	for k := range c.r {
		lag := first + k
		from, to := overlap(len(x), len(y), lag)
		n := float64(to - from)
		if to-from < max(least, 2) {
			c.r[k] = math.NaN()
			continue
		}
		ax, ay := sx[to]-sx[from], sy[to+lag]-sy[from+lag]
		vx, vy := sxx[to]-sxx[from]-ax*ax/n, syy[to+lag]-syy[from+lag]-ay*ay/n
		c.r[k] = (products(lag) - ax*ay/n) / math.Sqrt(vx*vy)
	}
	return c
}

// crossProducts returns the sum of x[j] y[j+lag] over all j, by the convolution
// theorem.
func crossProducts(x, y []float64) func(lag int) float64 {
	size := 1
	for size < len(x)+len(y) {
		size *= 2
	}
	fft := fourier.NewFFT(size)
	px, py := make([]float64, size), make([]float64, size)
	copy(px, x)
	copy(py, y)
	cx, cy := fft.Coefficients(nil, px), fft.Coefficients(nil, py)
	for i := range cx {
		cx[i] = complex(real(cx[i]), -imag(cx[i])) * cy[i]
	}
	s := fft.Sequence(px, cx)
	return func(lag int) float64 { return s[((lag%size)+size)%size] / float64(size) }
}

func centred(x []float64) []float64 {
	m := Mean(x)
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = v - m
	}
	return out
}

func running(x []float64) []float64 {
	out := make([]float64, len(x)+1)
	for i, v := range x {
		out[i+1] = out[i] + v
	}
	return out
}

func runningSquares(x []float64) []float64 {
	out := make([]float64, len(x)+1)
	for i, v := range x {
		out[i+1] = out[i] + v*v
	}
	return out
}

type peak struct {
	lag       int
	r, offset float64
	second    float64
	secondLag int
}

// peak finds the largest correlation, its place between grid points by a parabola,
// and the largest one more than width away.
func (c correlogram) peak(width int) peak {
	at := -1
	for k, r := range c.r {
		if !math.IsNaN(r) && (at < 0 || r > c.r[at]) {
			at = k
		}
	}
	p := peak{r: math.NaN(), second: math.Inf(-1)}
	if at < 0 {
		return p
	}
	p.lag, p.r = c.first+at, c.r[at]
	if at > 0 && at < len(c.r)-1 {
		l, m, r := c.r[at-1], c.r[at], c.r[at+1]
		if o := (l - r) / (2 * (l - 2*m + r)); math.Abs(o) <= 1 {
			p.offset = o
		}
	}
	for k, r := range c.r {
		if abs(k-at) > width && r > p.second {
			p.second, p.secondLag = r, c.first+k
		}
	}
	return p
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}
