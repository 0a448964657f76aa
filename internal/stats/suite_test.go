package stats

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// suite of reference.json: R 4.2.2 t.test, p.adjust and formulas (opened).
func checkSuite(t *testing.T, ref *reference) {
	scale := []int64{1000, 1000, 1003, 1010, 1020, 1050, 1000, 1006}
	bases := []int64{144000, 98000, 61000, 210000, 75000, 133000, 88000, 179000}
	var members []SuiteMember
	var table []Comparison
	var p, ratios []float64
	for j := range bases {
		a := group(int64(1001+j), bases[j], bases[j]/400, 4)
		b := group(int64(2001+j), bases[j]*scale[j]/1000, bases[j]/400, 4)
		ref.list(t, 0, 0, a, "suite", "runs", j, "a")
		ref.list(t, 0, 0, b, "suite", "runs", j, "b")
		c := Compare(a, b, CompareOptions{})
		checkWelch(t, ref, c, "suite", "welch", j)
		members = append(members, SuiteMember{Workload: fmt.Sprint("scene ", j), Comparison: c})
		table, p, ratios = append(table, c), append(p, c.Test.P), append(ratios, c.Ratio.Value)
	}
	ref.list(t, 1e-9, 0, p, "suite", "p")
	ref.list(t, 1e-9, 0, Holm(p), "suite", "holm")
	ref.list(t, 1e-9, 0, BenjaminiHochberg(p), "suite", "bh")
	for i, m := range Family(table) {
		agree(t, "adjusted p in the table", 1e-12, m.AdjustedP, Holm(p)[i])
	}
	s := SummariseSuite(members, 0.95)
	at := func(got float64, key string) { ref.near(t, 1e-11, got, "suite", "geomean", key) }
	at(s.GeoMean.Value, "gm")
	at(s.SDLog, "sd_log")
	at(s.MeasurementSE, "se_measurement")
	ref.near(t, 1e-9, s.MeasurementDF, "suite", "geomean", "df_measurement")
	ref.list(t, 1e-11, 0, []float64{s.Workloads.Low, s.Workloads.High}, "suite", "geomean", "ci95_over_workloads")
	ref.list(t, 1e-11, 0, []float64{s.Measurement.Low, s.Measurement.High}, "suite", "geomean", "ci95_measurement")
	at(s.Min.Value, "min")
	at(s.Max.Value, "max")
	at(Mean(ratios), "arithmetic_mean_of_ratios") // the summary that is not used
}

// Check 19. p-values of Benjamini & Hochberg (1995) sec. 4 (memory); Holm and BH
// adjusted by R 4.2.2.
func TestHolmPublished(t *testing.T) {
	tree := lookup(t, readCheck(t, "published.json"), "holm")
	p := lookupFloats(t, tree, "p")
	for name, got := range map[string][]float64{"holm": Holm(p), "bh": BenjaminiHochberg(p)} {
		for i, want := range lookupFloats(t, tree, "R", name) {
			agree(t, fmt.Sprint(name, " ", i), 1e-12, got[i], want)
		}
	}
	small := lookupFloats(t, tree, "small", "p")
	for i, want := range lookupFloats(t, tree, "small", "holm") {
		agree(t, fmt.Sprint("small ", i), 1e-12, Holm(small)[i], want)
	}
	below := func(x []float64) float64 {
		n := 0
		for _, v := range x {
			if v <= 0.05 {
				n++
			}
		}
		return float64(n)
	}
	for key, got := range map[string]float64{"bonferroni_rejections": below(Bonferroni(p)), "bh_rejections": below(BenjaminiHochberg(p))} {
		if want := lookup(t, tree, "published", key).(float64); got != want {
			t.Errorf("%s = %v, published %v", key, got, want)
		}
	}
	if want := lookup(t, tree, "R", "holm_rejections").(float64); below(Holm(p)) != want {
		t.Errorf("Holm rejects %v, R %v", below(Holm(p)), want)
	}
}

// Check 20. Fleming & Wallace (1986): the geometric mean of normalised results
// does not depend on the reference machine, the arithmetic mean does (raw times
// from memory; the printed geometric mean of Z is not asserted, it does not
// follow from the times).
func TestGeometricMeanIsIndependentOfTheBase(t *testing.T) {
	tree := lookup(t, readCheck(t, "published.json"), "fleming_wallace")
	times := map[string][]float64{}
	for _, m := range []string{"R", "M", "Z"} {
		times[m] = lookupFloats(t, tree, "times", m)
	}
	for base := range times {
		for m := range times {
			var logsum, sum float64
			for i := range times[m] {
				r := times[m][i] / times[base][i]
				logsum += math.Log(r)
				sum += r
				if base == "R" && m != "R" {
					printedLoose(t, "normalised "+m, r, lookup(t, tree, "published_from_memory", "normalised_to_R", m, i))
				}
			}
			n := float64(len(times[m]))
			agree(t, m+" over "+base, 1e-12, math.Exp(logsum/n), lookup(t, tree, "R", "gm_norm_"+base, m).(float64))
			agree(t, m+" over "+base, 1e-12, sum/n, lookup(t, tree, "R", "am_norm_"+base, m).(float64))
			if m != base {
				printedLoose(t, m+" over "+base, sum/n, lookup(t, tree, "published_from_memory", "arithmetic_mean_norm_"+base, m))
			}
		}
	}
	gm := func(over, m string) float64 { return suiteOf(times[over], times[m]).GeoMean.Value }
	agree(t, "M over R by the suite", 1e-6, gm("R", "M"), lookup(t, tree, "R", "gm_norm_R", "M").(float64))
	agree(t, "Z over M by way of R", 1e-6, gm("M", "Z"), gm("R", "Z")/gm("R", "M"))
}

// printedLoose allows the last digit of a remembered value to be one off.
func printedLoose(t *testing.T, what string, got float64, published any) {
	t.Helper()
	if want := parse(t, published); math.Abs(got-want) > 0.0101 {
		t.Errorf("%s = %v, published %v", what, got, published)
	}
}

// suiteOf makes a suite from one time a benchmark, repeated with a spread far
// below the digits of the check.
func suiteOf(base, against []float64) Suite {
	var members []SuiteMember
	for i := range base {
		b, a := base[i], against[i]
		c := Compare([]float64{b * (1 - 1e-8), b * (1 + 1e-8)}, []float64{a * (1 - 1e-8), a * (1 + 1e-8)}, CompareOptions{})
		members = append(members, SuiteMember{Comparison: c})
	}
	return SummariseSuite(members, 0)
}

func TestSuiteRefusals(t *testing.T) {
	good := Compare([]float64{100, 101, 102}, []float64{103, 104, 105}, CompareOptions{})
	slow := Compare([]float64{100, 101, 102}, []float64{103, 104, 105}, CompareOptions{Direction: LowerBetter})
	failed := Compare([]float64{100}, []float64{103}, CompareOptions{})
	for name, c := range map[string]struct {
		members []SuiteMember
		code    Code
	}{
		"empty":  {nil, TooFewValues},
		"mixed":  {[]SuiteMember{{Workload: "a", Comparison: good}, {Workload: "b", Comparison: slow}}, MixedDirections},
		"failed": {[]SuiteMember{{Workload: "a", Comparison: good}, {Workload: "b", Comparison: failed}}, BadSide},
		"weight": {[]SuiteMember{{Workload: "a", Comparison: good, Weight: 2}, {Workload: "b", Comparison: good}}, BadOption},
	} {
		if s := SummariseSuite(c.members, 0); s.Status != Refused || !s.Has(c.code) || s.GeoMean.Usable() || s.Measurement != nil {
			t.Errorf("%s: %+v", name, s)
		}
	}
	turned := SummariseSuite([]SuiteMember{{Comparison: good}, {Comparison: slow.Inverted()}}, 0)
	if turned.Status != OK || math.Abs(turned.GeoMean.Value-1) > 1e-12 {
		t.Errorf("a rate and a turned time: %+v", turned.GeoMean)
	}
	weighted := SummariseSuite([]SuiteMember{{Comparison: good, Weight: 3}, {Comparison: slow.Inverted(), Weight: 1}}, 0)
	if !weighted.Has(Weighted) || weighted.Workloads != nil || weighted.Measurement == nil {
		t.Errorf("weights: %+v", weighted)
	}
	agree(t, "weighted", 1e-12, weighted.GeoMean.Value, math.Sqrt(good.Ratio.Value))
	alone := SummariseSuite([]SuiteMember{{Comparison: good}}, 0)
	agree(t, "one workload keeps its interval", 1e-12, alone.Measurement.Low, good.Interval.Low)
}

// In a table of many workloads without a difference, hardly any table may name one.
func TestFamilyKeepsTheErrorRate(t *testing.T) {
	base := []float64{100, 100.4, 99.7, 100.1}
	table := []Comparison{Compare(base, []float64{100.5, 100.8, 100.4, 101.1}, CompareOptions{}), Compare([]float64{1}, base, CompareOptions{})}
	for range 6 {
		table = append(table, Compare(base, slices.Clone(base), CompareOptions{}))
	}
	out := Family(table)
	if !math.IsNaN(out[1].AdjustedP) || out[1].Simultaneous != nil {
		t.Errorf("a refused member has %+v", out[1].AdjustedP)
	}
	agree(t, "adjusted p", 1e-9, out[0].AdjustedP, math.Min(1, 7*table[0].Test.P))
	if table[0].Verdict != Different || out[0].Verdict != NotResolved {
		t.Errorf("p = %.3f is %s alone and %s among 7", table[0].Test.P, table[0].Verdict, out[0].Verdict)
	}
	wide, plain := out[0].Simultaneous, table[0].Interval
	if !(wide.Low < plain.Low && wide.High > plain.High) {
		t.Errorf("simultaneous %+v is not wider than %+v", wide, plain)
	}
}
