package stats

import "math"

// Term is one row of an analysis of variance.
type Term struct {
	Name string
	DF   int
	SS   float64
	MS   float64
	F    float64 // NaN for the error
	P    float64 // NaN for the error
}

func (t *Term) against(e Term) {
	t.MS = t.SS / float64(t.DF)
	t.F = t.MS / e.MS
	t.P = math.NaN()
	if !math.IsNaN(t.F) {
		t.P = fAbove(t.F, float64(t.DF), float64(e.DF))
	}
}

// OneWayTable is a one-way analysis of variance.
type OneWayTable struct {
	N               int
	Between, Within Term
	RSquared        float64
	Means           []float64
}

// OneWay computes the analysis of variance of the groups, which may differ in
// size. F is NaN where there is one group or nothing varies; with no repeat in any
// group the error has no degree of freedom.
func OneWay(groups [][]float64) OneWayTable {
	flat, shift := shifted(groups)
	t := OneWayTable{Between: Term{Name: "between"}, Within: Term{Name: "within", F: math.NaN(), P: math.NaN()}}
	var all []float64
	for _, g := range flat {
		all = append(all, g...)
	}
	grand := Mean(all)
	for _, g := range flat {
		m := Mean(g)
		t.Means = append(t.Means, m+shift)
		t.Between.SS += float64(len(g)) * (m - grand) * (m - grand)
		for _, v := range g {
			t.Within.SS += (v - m) * (v - m)
		}
	}
	t.N = len(all)
	t.Between.DF, t.Within.DF = len(groups)-1, t.N-len(groups)
	t.Within.MS = t.Within.SS / float64(t.Within.DF)
	t.Between.against(t.Within)
	t.RSquared = t.Between.SS / (t.Between.SS + t.Within.SS)
	return t
}

// shifted subtracts the first value from all: close values subtract exactly, so
// that digits common to all of them cost nothing.
func shifted(groups [][]float64) ([][]float64, float64) {
	var shift float64
	for _, g := range groups {
		if len(g) > 0 {
			shift = g[0]
			break
		}
	}
	out := make([][]float64, len(groups))
	for i, g := range groups {
		out[i] = make([]float64, len(g))
		for j, v := range g {
			out[i][j] = v - shift
		}
	}
	return out, shift
}
