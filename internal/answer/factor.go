package answer

import (
	"maps"
	"slices"

	"witnessmark/internal/compare"
	"witnessmark/internal/rig"
)

// Factor works out what a comparison means to vary from how its sides were
// chosen: the facts that both were chosen by different values of, the rig when it
// is another, and what two setups both declare, differently. Sides that differ in
// nothing of this have no factor: what nobody meant to vary is never one, and a
// fact that one side's setup is silent on may have moved by itself.
func Factor(base, against Selection, b, a []compare.Run) compare.Terms {
	var t compare.Terms
	for _, k := range slices.Sorted(maps.Keys(union(base.Facts, against.Facts))) {
		if !same(base.Facts[k], against.Facts[k]) {
			t.Vary = append(t.Vary, k)
		}
	}
	if !same(base.Labels["rig"], against.Labels["rig"]) {
		t.Vary = append(t.Vary, compare.RigName)
	}
	if len(t.Vary) > 0 {
		t.Rule = compare.BySelection
	}
	if !same(base.Labels["setup"], against.Labels["setup"]) {
		for _, k := range bySetup(b, a) {
			if !slices.Contains(t.Vary, k) {
				t.Vary = append(t.Vary, k)
			}
		}
		if t.Rule == "" && len(t.Vary) > 0 {
			t.Rule = compare.BySetup
		}
	}
	if t.Rule == "" {
		t.Rule = compare.ByNobody
	}
	return t
}

func bySetup(b, a []compare.Run) []rig.Key {
	base, against := declared(b), declared(a)
	var out []rig.Key
	for _, k := range slices.Sorted(maps.Keys(union(base, against))) {
		if len(base[k]) > 0 && len(against[k]) > 0 && !same(base[k], against[k]) {
			out = append(out, rig.Key(k))
		}
	}
	return out
}

// declared gives what the runs' setups expect, each fact with its different words.
func declared(runs []compare.Run) map[string][]string {
	m := map[string][]string{}
	for _, r := range runs {
		for k, v := range r.Declared {
			if !slices.Contains(m[k], v) {
				m[k] = append(m[k], v)
			}
		}
	}
	return m
}

func union[K comparable](a, b map[K][]string) map[K][]string {
	m := maps.Clone(a)
	if m == nil {
		m = map[K][]string{}
	}
	maps.Copy(m, b)
	return m
}

// same compares two lists as sets.
func same(a, b []string) bool {
	in := func(x, y []string) bool {
		return !slices.ContainsFunc(x, func(s string) bool { return !slices.Contains(y, s) })
	}
	return in(a, b) && in(b, a)
}
