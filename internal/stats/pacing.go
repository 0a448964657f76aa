package stats

import "math"

// Pacing tells how rough the sequence of frame times is, which their
// distribution cannot: the same times in another order can stutter.
//
// Source: von Neumann (1941) Ann. Math. Stat. 12:367-395 (memory); moving range,
// NIST/SEMATECH e-Handbook 6.3.2.2 (public copy).
type Pacing struct {
	MADLog     Number // pacing.mad_log: mean absolute log step, pure number; the default, comparable between fast and slow
	MAD        Number // pacing.mad: mean absolute step, ms
	RMSSD      Number // pacing.rmssd: root mean square step, ms
	VonNeumann Number // pacing.von_neumann: near 2 for random order, to 0 for slow drift, to 4 for alternation
}

func (f frames) pacing(ms []float64, mean float64) Pacing {
	var absolute, squared, relative, spread float64
	last := math.Log(ms[0])
	for k, v := range ms {
		spread += (v - mean) * (v - mean)
		if k == 0 {
			continue
		}
		d, l := v-ms[k-1], math.Log(v)
		absolute += math.Abs(d)
		squared += d * d
		relative += math.Abs(l - last)
		last = l
	}
	n := len(ms)
	steps := float64(n - 1)
	p := Pacing{
		MADLog:     number("pacing.mad_log", "1", n, relative/steps),
		MAD:        number("pacing.mad", "ms", n, absolute/steps),
		RMSSD:      number("pacing.rmssd", "ms", n, math.Sqrt(squared/steps)),
		VonNeumann: number("pacing.von_neumann", "1", n, squared/spread),
	}
	if f.ascending[0] == f.longest {
		p.VonNeumann.withhold(ZeroVariance, "all frames take the same time")
	}
	return p
}
