package stats

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"sort"
	"strings"
	"testing"
)

// reference is testdata/check/reference.json, made by an R script from series of
// integers (R 4.2.2, opened). It remembers which leaves a test compared.
type reference struct {
	tree    any
	visited map[string]int
}

// readCheck reads one file of published or computed values.
func readCheck(t testing.TB, name string) any {
	t.Helper()
	b, err := os.ReadFile("../../testdata/check/" + name)
	if err != nil {
		t.Fatal(err)
	}
	var tree any
	if err := json.Unmarshal(b, &tree); err != nil {
		t.Fatal(err)
	}
	return tree
}

func lookup(t testing.TB, tree any, path ...any) any {
	t.Helper()
	for i, step := range path {
		var ok bool
		switch s := step.(type) {
		case string:
			var m map[string]any
			if m, ok = tree.(map[string]any); ok {
				tree, ok = m[s]
			}
		case int:
			var l []any
			if l, ok = tree.([]any); ok && s < len(l) {
				tree = l[s]
			}
		}
		if !ok {
			t.Fatalf("no %v in the check data", path[:i+1])
		}
	}
	return tree
}

// lookupFloats reads a list of numbers.
func lookupFloats(t testing.TB, tree any, path ...any) []float64 {
	t.Helper()
	var out []float64
	for _, v := range lookup(t, tree, path...).([]any) {
		out = append(out, v.(float64))
	}
	return out
}

// near compares a number with a leaf, within tol relative to it.
func (r *reference) near(t *testing.T, tol, got float64, path ...any) {
	t.Helper()
	r.within(t, tol, 0, got, path...)
}

// within compares with a relative and an absolute tolerance.
func (r *reference) within(t *testing.T, tol, abs, got float64, path ...any) {
	t.Helper()
	want := lookup(t, r.tree, path...).(float64)
	r.visited[key(path)]++
	if !(math.Abs(got-want) <= tol*math.Abs(want)+abs) {
		t.Errorf("%s = %.15g, reference %.15g", key(path), got, want)
	}
}

// exact compares integers and data.
func (r *reference) exact(t *testing.T, got float64, path ...any) {
	t.Helper()
	r.near(t, 0, got, path...)
}

// number compares a Number, which must not be refused.
func (r *reference) number(t *testing.T, tol float64, got Number, path ...any) {
	t.Helper()
	if !got.Usable() {
		t.Errorf("%s: %s is refused: %s", key(path), got.Method, got.Reason)
	}
	r.near(t, tol, got.Value, path...)
}

// list compares each element of a list, and its length.
func (r *reference) list(t *testing.T, tol, abs float64, got []float64, path ...any) {
	t.Helper()
	want := lookup(t, r.tree, path...).([]any)
	if len(want) != len(got) {
		t.Errorf("%s has %d values, reference %d", key(path), len(got), len(want))
		return
	}
	for i := range got {
		r.within(t, tol, abs, got[i], append(path[:len(path):len(path)], i)...)
	}
}

// truth compares a boolean.
func (r *reference) truth(t *testing.T, got bool, path ...any) {
	t.Helper()
	r.visited[key(path)]++
	if want := lookup(t, r.tree, path...).(bool); got != want {
		t.Errorf("%s = %v, reference %v", key(path), got, want)
	}
}

// absent compares a null with a number that does not exist.
func (r *reference) absent(t *testing.T, got Number, path ...any) {
	t.Helper()
	r.visited[key(path)]++
	if want := lookup(t, r.tree, path...); want != nil || got.Usable() {
		t.Errorf("%s = %v, reference %v", key(path), got, want)
	}
}

func key(path []any) string {
	parts := make([]string, len(path))
	for i, p := range path {
		parts[i] = fmt.Sprint(p)
	}
	return strings.Join(parts, "/")
}

// leaves lists every number, boolean and null. Texts are left out: they describe.
func leaves(tree any, at []any) []string {
	var out []string
	switch v := tree.(type) {
	case map[string]any:
		for k, w := range v {
			out = append(out, leaves(w, append(at[:len(at):len(at)], k))...)
		}
	case []any:
		for i, w := range v {
			out = append(out, leaves(w, append(at[:len(at):len(at)], i))...)
		}
	case string:
	default:
		out = append(out, key(at))
	}
	return out
}

// TestReference compares every leaf of reference.json and fails when one was not
// looked at, so that no value is passed over in silence.
func TestReference(t *testing.T) {
	ref := &reference{tree: readCheck(t, "reference.json"), visited: map[string]int{}}
	sections := []struct {
		name  string
		check func(*testing.T, *reference)
	}{
		{"generator", checkGenerator},
		{"one run", checkRun},
		{"dependence", checkDependence},
		{"groups", checkGroups},
		{"suite", checkSuite},
		{"outliers", checkOutliers},
		{"warm-up", checkWarmup},
		{"power", checkPower},
		{"factorial", checkFactorial},
		{"drift", checkDrift},
		{"change points", checkChangepoint},
		{"thermal", checkThermal},
		{"alignment", checkAlignment},
	}
	ran := 0
	for _, s := range sections {
		t.Run(s.name, func(t *testing.T) { ran++; s.check(t, ref) })
	}
	if ran < len(sections) {
		t.Skip("not all sections were selected: the leaves are not counted")
	}
	var missed []string
	all := leaves(ref.tree, nil)
	for _, leaf := range all {
		if ref.visited[leaf] == 0 {
			missed = append(missed, leaf)
		}
	}
	sort.Strings(missed)
	t.Logf("%d of %d leaves compared", len(all)-len(missed), len(all))
	if len(missed) > 0 || len(all) < 565 {
		t.Errorf("%d of %d leaves were not compared: %s", len(missed), len(all), strings.Join(missed, ", "))
	}
}
