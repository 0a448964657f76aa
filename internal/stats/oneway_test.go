package stats

import (
	"math"
	"testing"
)

// Check 2. NIST StRD, analysis of variance, certified values (opened).
func TestStRDAnova(t *testing.T) {
	tolerance := map[string]float64{"SiRstv": 1e-11, "SmLs01": 1e-12, "AtmWtAg": 1e-8, "SmLs04": 1e-8, "SmLs07": 1e-3}
	for _, set := range lookup(t, readCheck(t, "strd_anova.json"), "datasets").([]any) {
		name := lookup(t, set, "name").(string)
		tol, ok := tolerance[name]
		if !ok {
			tol = 1e-8
		}
		var groups [][]float64
		for _, g := range lookup(t, set, "groups").([]any) {
			var x []float64
			for _, v := range g.([]any) {
				x = append(x, parse(t, v))
			}
			groups = append(groups, x)
		}
		a := OneWay(groups)
		for key, got := range map[string]float64{
			"F": a.Between.F, "ss_between": a.Between.SS, "ms_between": a.Between.MS,
			"ss_within": a.Within.SS, "ms_within": a.Within.MS, "r2": a.RSquared, "residual_sd": math.Sqrt(a.Within.MS),
		} {
			agree(t, name+" "+key, tol, got, parse(t, lookup(t, set, "certified", key)))
		}
		for key, got := range map[string]int{"df_between": a.Between.DF, "df_within": a.Within.DF} {
			if want := int(lookup(t, set, "certified", key).(float64)); got != want {
				t.Errorf("%s %s = %d, certified %d", name, key, got, want)
			}
		}
	}
}

// Check 11. e-Handbook 7.4.3.3 to .5, resistors at three temperatures
// (public copy).
func TestOneWayHandbook(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "oneway")
	var groups [][]float64
	for _, g := range []string{"l1", "l2", "l3"} {
		groups = append(groups, lookupFloats(t, tree, "groups", g))
	}
	a := OneWay(groups)
	for key, got := range map[string]float64{"ss_treat": a.Between.SS, "ms_treat": a.Between.MS, "F": a.Between.F,
		"ss_error": a.Within.SS, "ms_error": a.Within.MS, "p": a.Between.P} {
		printed(t, key, got, lookup(t, tree, "published", key))
	}
	agree(t, "F", 1e-9, a.Between.F, lookup(t, tree, "R", "F").(float64))
	agree(t, "p", 1e-9, a.Between.P, lookup(t, tree, "R", "p").(float64))
	agree(t, "ss", 1e-9, a.Between.SS, lookup(t, tree, "R", "ss", 0).(float64))
	agree(t, "ss", 1e-9, a.Within.SS, lookup(t, tree, "R", "ss", 1).(float64))
	// The contrast of the third and first mean with the pooled error.
	contrast := TTest{Difference: a.Means[2] - a.Means[0], SE: math.Sqrt(a.Within.MS * 2 / 5), DF: float64(a.Within.DF)}.At(0.95)
	// The page rounds its standard error to 0.763 on the way.
	for i, got := range []float64{contrast.Low, contrast.High} {
		if want := parse(t, lookup(t, tree, "published", "ci95_mu3_minus_mu1", i)); math.Abs(got-want) > 2e-3 {
			t.Errorf("bound %v, published %v", got, want)
		}
	}
}
