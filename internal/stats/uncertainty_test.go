package stats

import (
	"math"
	"testing"
)

// Check 21. JCGM 100:2008 4.4.3, Table 1 (memory, the arithmetic reproduces all
// three printed values).
func TestTypeAGUM(t *testing.T) {
	tree := lookup(t, readCheck(t, "published.json"), "gum_4_4_3")
	u := TypeA(lookupFloats(t, tree, "data"), "degC", 0)
	for key, got := range map[string]float64{"mean": u.Value, "s": u.SD, "u": u.U} {
		printed(t, key, got, lookup(t, tree, "published", key))
		agree(t, key, 1e-12, got, lookup(t, tree, "R", key).(float64))
	}
}

func TestUncertaintyStatement(t *testing.T) {
	x := group(101, 144000, 300, 5)
	for i := range x {
		x[i] /= 1000
	}
	got := TypeA(x, "frames/s", 0).String()
	want := "144.08 frames/s, standard uncertainty 0.19 (type A, 5 runs, 4 degrees of freedom), expanded U = 0.53 (k = 2.78, 95 %), one rig, one session"
	if got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	two := TypeA([]float64{10, 11}, "s", 0)
	agree(t, "k for two runs", 1e-3, two.K, 12.706)
	if one := TypeA([]float64{10}, "s", 0); one.Usable() || !math.IsNaN(one.Expanded) {
		t.Errorf("one value: %+v", one)
	}
	if flat := TypeA([]float64{10, 10}, "s", 0); !flat.Has(NoVariation) {
		t.Errorf("equal values: %+v", flat)
	}
}

func TestCombineComponents(t *testing.T) {
	u, df := Combine([]Component{{U: 3, DF: 4}, {U: 4, DF: 9}})
	agree(t, "u", 1e-12, u, 5)
	agree(t, "df", 1e-12, df, 625/(81./4+256./9))
	u, df = Combine([]Component{{U: 3, DF: math.Inf(1)}})
	if u != 3 || !math.IsInf(df, 1) {
		t.Errorf("a known component: %v %v", u, df)
	}
	rounded := TypeA([]float64{100, 100, 100}, "points", 0, ResolutionComponent(1))
	agree(t, "resolution alone", 1e-12, rounded.U, 1/math.Sqrt(12))
	agree(t, "k of a known component", 1e-6, rounded.K, 1.959963984540054)
}

func TestRoundTo(t *testing.T) {
	for _, c := range []struct {
		value, u   float64
		want, with string
	}{
		{144.0753, 0.1915, "144.08", "0.19"},
		{144.0753, 0.0996, "144.08", "0.10"},
		{151234, 1234, "151200", "1200"},
		{0.0123456, 0.00012, "0.01235", "0.00012"},
		{12, 0, "12", "0"},
	} {
		if v, u := RoundTo(c.value, c.u); v != c.want || u != c.with {
			t.Errorf("%v +- %v is written %s +- %s, want %s +- %s", c.value, c.u, v, u, c.want, c.with)
		}
	}
}
