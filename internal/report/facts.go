package report

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/figure"
	"witnessmark/internal/rig"
)

// line is one fact with what each side has of it.
type line struct {
	key    string
	cells  []string
	differ bool
}

// configuration is what the runs were taken under: what differs, then all.
func (r report) configuration() figure.Section {
	s := figure.Section{Heading: "Configuration"}
	lines := r.facts()
	var differ, all [][]string
	for _, l := range lines {
		row := append([]string{l.key}, l.cells...)
		all = append(all, row)
		if l.differ {
			differ = append(differ, row)
		}
	}
	columns := []figure.Column{{Name: "fact"}}
	for _, l := range r.labels {
		columns = append(columns, figure.Column{Name: l})
	}
	between := "between the sides or within one"
	if r.alone() {
		between = "between the runs"
	}
	if len(differ) == 0 {
		s.Parts = append(s.Parts, figure.Part{Text: "No fact differs " + between + "."})
	} else {
		s.Parts = append(s.Parts, figure.Part{Table: &figure.Table{Caption: "Facts that differ " + between + ", read before each run", Columns: columns, Rows: differ}})
	}
	s.Parts = append(s.Parts, figure.Part{More: &figure.More{
		Summary: fmt.Sprintf("All %d facts", len(all)),
		Parts:   []figure.Part{{Table: &figure.Table{Caption: "All facts, read before each run", Columns: columns, Rows: all}}},
	}})
	return s
}

// facts lays the facts before all runs beside each other, those that pass from
// moment to moment left out, and adds what is known beside the rig's own facts.
func (r report) facts() (out []line) {
	sides := make([]map[string]map[string]int, len(r.Sides)) // fact, value, runs
	keys := map[string]bool{}
	for i, s := range r.Sides {
		sides[i] = map[string]map[string]int{}
		for _, run := range s.Runs {
			for k, v := range factsOf(run) {
				keys[k] = true
				if sides[i][k] == nil {
					sides[i][k] = map[string]int{}
				}
				sides[i][k][v]++
			}
		}
	}
	for k := range keys {
		l := line{key: k}
		values := map[string]bool{}
		for i, s := range r.Sides {
			missing := len(s.Runs)
			for v, n := range sides[i][k] {
				values[v] = true
				missing -= n
			}
			if missing > 0 {
				values[compare.NotThere] = true
			}
			l.cells = append(l.cells, cell(sides[i][k], missing))
		}
		l.differ = len(values) > 1
		out = append(out, l)
	}
	slices.SortFunc(out, func(a, b line) int { return strings.Compare(a.key, b.key) })
	return out
}

// factsOf is everything that is known of a run's configuration, as text.
func factsOf(run compare.Run) map[string]string {
	out := map[string]string{
		string(compare.RigName): run.Rig, "setup": orWords(run.Setup, "none declared"),
		string(compare.WorkloadContent): orWords(run.Content, "not declared"), string(compare.WorkloadVersion): orWords(run.WorkloadVersion, "none"),
	}
	for _, f := range run.Before.Configuration() {
		out[string(f.Key)] = f.String()
	}
	for k, v := range run.Settings {
		out[string(rig.Of("workload.setting", k, ""))] = v
	}
	for k, v := range run.Noted {
		out["noted."+k] = v
	}
	return out
}

// cell is the values of a fact on a side, with the number of runs where there is
// more than one value.
func cell(values map[string]int, missing int) string {
	if len(values) == 0 {
		return compare.NotThere
	}
	type seen struct {
		value string
		n     int
	}
	var list []seen
	for v, n := range values {
		list = append(list, seen{v, n})
	}
	if missing > 0 {
		list = append(list, seen{compare.NotThere, missing})
	}
	if len(list) == 1 {
		return list[0].value
	}
	slices.SortFunc(list, func(a, b seen) int {
		if a.n != b.n {
			return b.n - a.n
		}
		return strings.Compare(a.value, b.value)
	})
	var parts []string
	for _, s := range list {
		parts = append(parts, fmt.Sprintf("%s in %s", s.value, count(s.n, "run", "runs")))
	}
	return strings.Join(parts, ", ")
}
