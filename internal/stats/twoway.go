package stats

import "math"

// Cell is one combination of two factors with the runs made there.
type Cell struct {
	A, B   int       // places of the levels, from 0
	X, Z   float64   // the factors as measured in this cell: the configured memory rate, the mean clock under load
	Rates  []float64 // one for each run
	Blocks []int     // the session of each run, or nil
}

// TwoWayTable is the analysis of variance of a two-way layout, on the scale of
// the values given. In an unbalanced layout the two orders of the factors differ
// and both are given; otherwise they are the same.
type TwoWayTable struct {
	Grade
	N                 int
	Block             Term // of the sessions; DF 0 without blocks
	A, B, AB, Error   Term // A before B
	AAfterB, BBeforeA Term // the other order
	TotalSS           float64
	Sigma             float64
	Balanced          bool
	Missing           [][2]int // combinations of levels without a run
	LevelsA, LevelsB  int
	Repeats           int // least runs in a cell
}

// TwoWay analyses the values of the cells: y for each run, as logs of rates for
// scaling. Sums of squares are sequential, after the sessions if blocks are given.
//
// Source: two-way layout, NIST/SEMATECH e-Handbook 7.4.3.7 (memory, every number
// reproduced); R aov (opened); Jain (1991) chs. 16-22 (memory).
func TwoWay(cells []Cell, y [][]float64) TwoWayTable {
	d := newLayout(cells, y)
	t := TwoWayTable{Grade: Grade{Status: OK}, N: len(d.y), LevelsA: len(d.levelsA), LevelsB: len(d.levelsB),
		Missing: d.missing(), Repeats: d.repeats, Balanced: d.balanced()}
	if t.LevelsA < 2 || t.LevelsB < 2 {
		t.refuse(OneLevel, "%d and %d levels, each factor needs at least 2", t.LevelsA, t.LevelsB)
		return t
	}
	block, a, b, ab := d.blockColumns(), d.columnsA(), d.columnsB(), d.cellColumns()
	first := sequential(d.y, block, a, b, ab)
	second := sequential(d.y, block, b, a, ab)
	t.Error = Term{Name: "error", DF: t.N - 1, SS: first.left, F: math.NaN(), P: math.NaN()}
	for _, s := range first.terms {
		t.Error.DF -= s.DF
	}
	t.Error.MS = t.Error.SS / float64(t.Error.DF)
	t.Block, t.A, t.B, t.AB = first.terms[0], first.terms[1], first.terms[2], first.terms[3]
	t.BBeforeA, t.AAfterB = second.terms[1], second.terms[2]
	for name, term := range map[string]*Term{"block": &t.Block, "A": &t.A, "B": &t.B, "A:B": &t.AB, "A after B": &t.AAfterB, "B before A": &t.BBeforeA} {
		term.Name = name
		term.against(t.Error)
	}
	t.TotalSS, t.Sigma = first.total, math.Sqrt(t.Error.MS)
	t.judge()
	return t
}

func (t *TwoWayTable) judge() {
	switch {
	case t.Error.DF < 1:
		t.refuse(NoRepeats, "no combination was run twice, nothing is known about the spread")
	case t.A.DF < t.LevelsA-1 || t.B.DF < t.LevelsB-1 || t.AAfterB.DF < t.LevelsA-1:
		t.refuse(FactorsConfounded, "the factors, or a factor and the sessions, changed together and cannot be told apart")
	case t.Repeats < 3:
		t.flag(FewRepeats, "%d runs in a cell, at least 3 are wanted", t.Repeats)
	}
	if len(t.Missing) > 0 {
		t.flag(CellMissing, "%d of %d combinations were not run", len(t.Missing), t.LevelsA*t.LevelsB)
	}
	if !t.Balanced {
		t.flag(Unbalanced, "the cells hold different numbers of runs, both orders of the factors are given")
	}
}

// sequentialFit is what terms explain in the order given.
type sequentialFit struct {
	terms       []Term
	total, left float64
}

// sequential explains y, centred, by one set of columns after the other. Each
// column is made orthogonal to those before it, twice to keep full accuracy; what
// follows from them adds no degree of freedom.
func sequential(y []float64, terms ...[][]float64) sequentialFit {
	ones := make([]float64, len(y))
	for i := range ones {
		ones[i] = 1
	}
	basis := [][]float64{unit(ones)}
	rest := without(y, basis)
	f := sequentialFit{total: dot(rest, rest)}
	f.left = f.total
	for _, columns := range terms {
		var t Term
		for _, c := range columns {
			q := without(without(c, basis), basis)
			if math.Sqrt(dot(q, q)) < 1e-9*math.Sqrt(dot(c, c)) {
				continue
			}
			q = unit(q)
			basis = append(basis, q)
			t.DF++
			t.SS += dot(q, rest) * dot(q, rest)
			rest = without(rest, basis[len(basis)-1:])
		}
		f.terms = append(f.terms, t)
	}
	f.left = dot(rest, rest)
	return f
}

func without(v []float64, basis [][]float64) []float64 {
	out := append([]float64(nil), v...)
	for _, q := range basis {
		c := dot(q, out)
		for i := range out {
			out[i] -= c * q[i]
		}
	}
	return out
}

func unit(v []float64) []float64 {
	out, norm := make([]float64, len(v)), math.Sqrt(dot(v, v))
	for i := range v {
		out[i] = v[i] / norm
	}
	return out
}

func dot(a, b []float64) float64 {
	var s float64
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}
