package stats

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
)

// printed checks a value against a published string, at its last printed digit.
func printed(t *testing.T, what string, got float64, published any) {
	t.Helper()
	s, ok := published.(string)
	if !ok {
		t.Fatalf("%s: %v is not a printed number", what, published)
	}
	want, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	mantissa, exponent := strings.ToLower(s), 0
	if m, e, ok := strings.Cut(mantissa, "e"); ok {
		mantissa = m
		exponent, _ = strconv.Atoi(e)
	}
	decimals := 0
	if _, frac, ok := strings.Cut(mantissa, "."); ok {
		decimals = len(frac)
	}
	half := 0.5 * math.Pow(10, float64(exponent-decimals))
	if !(math.Abs(got-want) <= half*(1+1e-9)) {
		t.Errorf("%s = %.15g, published %s", what, got, s)
	}
}

// agree checks within a relative tolerance.
func agree(t *testing.T, what string, tol, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g", what, got, want)
	}
}

func parse(t *testing.T, v any) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(v.(string), 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// Check 1. NIST StRD univariate summary statistics, certified values (opened).
func TestStRDUnivariate(t *testing.T) {
	tree := readCheck(t, "strd_univariate.json")
	for _, set := range lookup(t, tree, "datasets").([]any) {
		name := lookup(t, set, "name").(string)
		x := univariate(t, set)
		if n := int(lookup(t, set, "n").(float64)); n != len(x) {
			t.Fatalf("%s: %d values, certified for %d", name, len(x), n)
		}
		tol := map[string]float64{"NumAcc3": 1e-9, "NumAcc4": 1e-8}
		sd := 1e-13
		if s, ok := tol[name]; ok {
			sd = s
		}
		agree(t, name+" mean", 1e-13, Mean(x), parse(t, lookup(t, set, "certified", "mean")))
		agree(t, name+" sd", sd, SD(x), parse(t, lookup(t, set, "certified", "sd")))
		agree(t, name+" r1", max(sd, 1e-12), Autocorrelation(x, 1), parse(t, lookup(t, set, "certified", "lag1")))
	}
}

func univariate(t *testing.T, set any) []float64 {
	var x []float64
	m := set.(map[string]any)
	if digits, ok := m["data_string"].(string); ok {
		for _, d := range digits {
			x = append(x, float64(d-'0'))
		}
		return x
	}
	for _, v := range m["data"].([]any) {
		x = append(x, parse(t, v))
	}
	return x
}

// Check 16. NIST/SEMATECH e-Handbook 7.2.6.2, 90th percentile of 12 wafers
// (public copy); all nine types from R 4.2.2 (opened).
func TestQuantileTypesHandbook(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "percentile")
	x := lookupFloats(t, tree, "data")
	p := lookup(t, tree, "p").(float64)
	asc := ascendingFloats(x)
	for hf := HF(1); hf <= 9; hf++ {
		name := fmt.Sprintf("type%d", hf)
		agree(t, name, 1e-12, hf.Quantile(asc, p), lookup(t, tree, "R", name).(float64))
	}
	for name, v := range lookup(t, tree, "published").(map[string]any) {
		hf, _ := strconv.Atoi(strings.TrimPrefix(name, "type"))
		printed(t, name, HF(hf).Quantile(asc, p), v)
	}
}
