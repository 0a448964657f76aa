package stats

// Warmup is where a sequence of repeats settles.
type Warmup struct {
	Grade
	MSER     []float64 // for each number of dropped repeats, 0 to n/2
	Truncate int       // repeats to drop at the start
}

// FindWarmup drops the start of a sequence of ten or more repeats so that the
// marginal standard error of the rest is least (MSER). It refuses when half the
// sequence would go. The rule must be the same on both sides of a comparison.
//
// Source: White (1997) Simulation 69:323-334 (memory).
func FindWarmup(x []float64) Warmup {
	w := Warmup{Grade: Grade{Status: OK}}
	n := len(x)
	if n < 10 || !finite(x) {
		w.refuse(TooFewValues, "%d finite repeats, at least 10 are needed", n)
		return w
	}
	for d := 0; d <= n/2; d++ {
		rest := x[d:]
		m := Mean(rest)
		var ss float64
		for _, v := range rest {
			ss += (v - m) * (v - m)
		}
		k := float64(len(rest))
		w.MSER = append(w.MSER, ss/(k*k))
		if w.MSER[d] < w.MSER[w.Truncate] {
			w.Truncate = d
		}
	}
	if w.Truncate == n/2 {
		w.refuse(NeverSettled, "half of the %d repeats would have to go", n)
	}
	return w
}
