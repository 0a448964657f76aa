package report

import (
	"slices"
	"strings"

	"witnessmark/internal/compare"
)

// labels names the sides as shortly as tells them apart: by setup, rig, both, the
// factor's value, or at last by the selection itself.
func labels(in Input) []string {
	kinds := []func(i int) string{
		func(i int) string { return one(setups(in.Sides[i].Runs)) },
		func(i int) string { return one(rigs(in.Sides[i].Runs)) },
		func(i int) string { return joined(one(rigs(in.Sides[i].Runs)), one(setups(in.Sides[i].Runs))) },
		func(i int) string { return joined(one(rigs(in.Sides[i].Runs)), factorOf(in, i)) },
		func(i int) string { return in.Sides[i].Text },
	}
	if len(in.Sides) == 1 {
		return []string{strings.Join(append(rigs(in.Sides[0].Runs), setups(in.Sides[0].Runs)...), ", ")}
	}
	for _, k := range kinds {
		var out []string
		for i := range in.Sides {
			out = append(out, k(i))
		}
		if !slices.Contains(out, "") && distinct(out) {
			return out
		}
	}
	var out []string
	for i := range in.Sides {
		out = append(out, string(rune('A'+i%26))+": "+in.Sides[i].Text)
	}
	return out
}

func joined(a, b string) string {
	if a == "" || b == "" {
		return ""
	}
	return a + ", " + b
}

// one is the only name, or "" where there is none or more.
func one(names []string) string {
	if len(names) == 1 {
		return names[0]
	}
	return ""
}

func distinct(names []string) bool {
	s := slices.Sorted(slices.Values(names))
	return len(slices.Compact(s)) == len(names)
}

func rigs(runs []compare.Run) []string {
	return names(runs, func(r compare.Run) string { return r.Rig })
}

// setups is the labels of the runs' setups; a run without makes it more than one.
func setups(runs []compare.Run) []string {
	out := names(runs, func(r compare.Run) string { return r.Setup })
	return slices.DeleteFunc(out, func(s string) bool { return s == "" && len(out) == 1 })
}

func names(runs []compare.Run, of func(compare.Run) string) (out []string) {
	for _, r := range runs {
		if n := of(r); !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return out
}

// factorOf is the factor's value on side i, where every comparison names one fact.
func factorOf(in Input, i int) string {
	of := max(i-1, 0)
	if of >= len(in.Comparisons) || len(in.Comparisons[of].Factor) != 1 {
		return ""
	}
	d := in.Comparisons[of].Factor[0]
	side := d.Against
	if i == 0 {
		side = d.Base
	}
	if len(side) != 1 {
		return ""
	}
	return string(d.Fact) + " " + d.Side(side)
}
