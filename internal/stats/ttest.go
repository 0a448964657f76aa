package stats

import "math"

// TTest is a comparison of two means with its interval, whatever the variant.
type TTest struct {
	Method     string // "t.welch", "t.pooled" or "t.paired"
	Difference float64
	SE         float64
	DF         float64
	T          float64
	P          float64 // both sides
	Interval   Interval
}

// Welch compares two means without assuming equal spread; Difference is against
// minus base.
//
// Source: Welch (1947) Biometrika 34:28-35 (memory); R t.test (opened).
func Welch(base, against Summary, level float64) TTest {
	va, vb := base.SD*base.SD/float64(base.N), against.SD*against.SD/float64(against.N)
	t := TTest{Method: "t.welch", Difference: against.Mean - base.Mean, SE: math.Sqrt(va + vb)}
	t.DF = (va + vb) * (va + vb) / (va*va/float64(base.N-1) + vb*vb/float64(against.N-1))
	return t.finish(level)
}

// Pooled compares two means under the assumption of equal spread.
//
// Source: NIST/SEMATECH e-Handbook 1.3.5.3 (public copy).
func Pooled(base, against Summary, level float64) TTest {
	t := TTest{Method: "t.pooled", Difference: against.Mean - base.Mean, DF: float64(base.N + against.N - 2)}
	t.SE = PooledSD(base, against) * math.Sqrt(1/float64(base.N)+1/float64(against.N))
	return t.finish(level)
}

// PooledSD is the standard deviation common to two groups.
func PooledSD(a, b Summary) float64 {
	na, nb := float64(a.N-1), float64(b.N-1)
	ss := 0.0
	if a.N > 1 {
		ss += na * a.SD * a.SD
	}
	if b.N > 1 {
		ss += nb * b.SD * b.SD
	}
	return math.Sqrt(ss / (na + nb))
}

// Paired compares values taken in pairs, such as interleaved runs; the two lists
// have one length.
func Paired(base, against []float64, level float64) TTest {
	d := make([]float64, len(base))
	for i := range d {
		d[i] = against[i] - base[i]
	}
	s := Summarize(d)
	t := TTest{Method: "t.paired", Difference: s.Mean, SE: s.SD / math.Sqrt(float64(s.N)), DF: float64(s.N - 1)}
	return t.finish(level)
}

func (t TTest) finish(level float64) TTest {
	t.T = t.Difference / t.SE
	t.P = tTwoSided(t.T, t.DF)
	t.Interval = t.At(level)
	return t
}

// At is the interval of the difference at another level.
func (t TTest) At(level float64) Interval {
	half := tQuantile(0.5+level/2, t.DF) * t.SE
	return Interval{Low: t.Difference - half, High: t.Difference + half, Level: level}
}

// Fieller is the interval of mean(against)/mean(base) on the raw scale. It agrees
// with ratio.welch_log to 1e-5 where repeats scatter by less than 1 %, and serves
// as a cross-check of it, not as output. G must be below 1 for the interval to be
// bounded.
type Fieller struct {
	Ratio, DF, T, G float64
	Interval        Interval
}

// FiellerRatio computes the interval at the given level.
//
// Source: Fieller (1954) JRSS B 16:175-185 (memory).
func FiellerRatio(base, against Summary, level float64) Fieller {
	x, y := base.Mean, against.Mean
	vx, vy := base.SD*base.SD/float64(base.N), against.SD*against.SD/float64(against.N)
	th := y / x
	f := Fieller{Ratio: th}
	num := vy + th*th*vx
	f.DF = num * num / (vy*vy/float64(against.N-1) + th*th*th*th*vx*vx/float64(base.N-1))
	f.T = tQuantile(0.5+level/2, f.DF)
	f.G = f.T * f.T * vx / (x * x)
	den := x*x - f.T*f.T*vx
	root := f.T * math.Sqrt(x*x*vy+y*y*vx-f.T*f.T*vx*vy)
	f.Interval = Interval{Low: (x*y - root) / den, High: (x*y + root) / den, Level: level}
	return f
}
