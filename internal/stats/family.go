package stats

import (
	"math"
	"slices"
)

// Holm adjusts p-values for the number of tests in a family so that the chance of
// any false claim stays at the level the adjusted values are held against. The
// order of the input is kept.
//
// Source: Holm (1979) Scand. J. Stat. 6:65-70 (memory); R p.adjust (opened).
func Holm(p []float64) []float64 {
	return adjust(p, func(rank int) float64 { return float64(len(p) - rank) }, false)
}

// BenjaminiHochberg adjusts p-values for the false discovery rate.
//
// Source: Benjamini & Hochberg (1995) JRSS B 57:289-300 (memory); R p.adjust
// (opened).
func BenjaminiHochberg(p []float64) []float64 {
	return adjust(p, func(rank int) float64 { return float64(len(p)) / float64(rank+1) }, true)
}

// Bonferroni multiplies each p-value by the size of the family.
func Bonferroni(p []float64) []float64 {
	out := make([]float64, len(p))
	for i, v := range p {
		out[i] = math.Min(1, v*float64(len(p)))
	}
	return out
}

// adjust multiplies the p-value of each rank (0 the smallest) and makes the result
// monotone: upwards from the smallest, or downwards from the largest.
func adjust(p []float64, factor func(rank int) float64, fromLargest bool) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	out := make([]float64, len(p))
	bound := 0.0
	if fromLargest {
		bound = 1
	}
	for step := range order {
		rank := step
		if fromLargest {
			rank = len(p) - 1 - step
		}
		v := math.Min(1, factor(rank)*p[order[rank]])
		if fromLargest {
			bound = math.Min(bound, v)
		} else {
			bound = math.Max(bound, v)
		}
		out[order[rank]] = bound
	}
	return out
}

// FamilyMember is a comparison inside a published table.
type FamilyMember struct {
	Comparison
	AdjustedP           float64   // Holm, of the test for a difference; NaN when refused
	AdjustedEquivalence float64   // Holm, of the test for equivalence; NaN when refused
	Simultaneous        *Interval // Bonferroni, of the ratio; nil when refused
}

// Family adjusts the comparisons of one table: Holm over the tests for a
// difference, separately over those for equivalence, and the verdicts that follow.
// The interval of each stays; the simultaneous ones go beside them. Refused
// comparisons stay refused and do not count.
func Family(table []Comparison) []FamilyMember {
	out := make([]FamilyMember, len(table))
	var p, q []float64
	var members []int
	for i, c := range table {
		out[i] = FamilyMember{Comparison: c, AdjustedP: math.NaN(), AdjustedEquivalence: math.NaN()}
		if c.Test != nil {
			members = append(members, i)
			p, q = append(p, c.Test.P), append(q, c.Equivalence.P)
		}
	}
	p, q = Holm(p), Holm(q)
	for k, i := range members {
		m := &out[i]
		m.AdjustedP, m.AdjustedEquivalence = p[k], q[k]
		m.Simultaneous = m.Test.ratioInterval(1 - m.Alpha/float64(len(members)))
		m.decide(q[k] < m.Alpha, p[k] < m.Alpha, *m.Simultaneous)
	}
	return out
}
