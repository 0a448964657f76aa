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
	table := figure.Part{Table: &figure.Table{Caption: "Facts that differ " + between + ", read before each run", Columns: columns, Rows: differ}}
	switch n := len(differ); {
	case n == 0:
		s.Parts = append(s.Parts, figure.Part{Text: "No fact differs " + between + "."})
	case n > 2*mostRows:
		s.Parts = append(s.Parts, figure.Part{More: &figure.More{Summary: fmt.Sprintf("%d facts that differ %s", n, between), Parts: []figure.Part{table}}})
	default:
		s.Parts = append(s.Parts, table)
	}
	s.Parts = append(s.Parts, figure.Part{More: &figure.More{
		Summary: fmt.Sprintf("All %d facts", len(all)),
		Parts:   []figure.Part{{Table: &figure.Table{Caption: "All facts, read before each run", Columns: columns, Rows: all}}},
	}})
	return s
}

// tally is how often each value of a fact was seen on one side, and in how many
// runs it could have been.
type tally struct {
	values map[string]int
	runs   int
}

// facts lays the facts before all runs beside each other, those that pass from
// moment to moment left out, and adds what is known beside the rig's own facts.
// What belongs to a workload has its name in front where there is more than one.
func (r report) facts() (out []line) {
	workloads := r.workloads()
	sides := make([]map[string]*tally, len(r.Sides))
	keys := map[string]string{} // to the workload, "" for facts of the machine
	for i, s := range r.Sides {
		sides[i] = map[string]*tally{}
		for _, run := range s.Runs {
			machine, workload := factsOf(run)
			for k, v := range machine {
				keys[k] = ""
				count1(sides[i], k, v)
			}
			for k, v := range workload {
				if len(workloads) > 1 {
					k = run.Workload + " " + k
				}
				keys[k] = run.Workload
				count1(sides[i], k, v)
			}
		}
	}
	for k, workload := range keys {
		l := line{key: k}
		values := map[string]bool{}
		for i, s := range r.Sides {
			missing := 0
			for _, run := range s.Runs {
				if workload == "" || run.Workload == workload {
					missing++
				}
			}
			could := missing > 0
			var seen map[string]int
			if t := sides[i][k]; t != nil {
				seen = t.values
				missing -= t.runs
			}
			for v := range seen {
				values[v] = true
			}
			if missing > 0 {
				values[compare.NotThere] = true
			}
			if could {
				l.cells = append(l.cells, cell(seen, missing))
			} else {
				l.cells = append(l.cells, "no run")
			}
		}
		l.differ = len(values) > 1
		out = append(out, l)
	}
	slices.SortFunc(out, func(a, b line) int { return strings.Compare(a.key, b.key) })
	return out
}

func count1(side map[string]*tally, key, value string) {
	if side[key] == nil {
		side[key] = &tally{values: map[string]int{}}
	}
	side[key].values[value]++
	side[key].runs++
}

// factsOf is everything that is known of a run's configuration, as text: of the
// machine, and of the workload.
func factsOf(run compare.Run) (machine, workload map[string]string) {
	machine = map[string]string{string(compare.RigName): run.Rig, "setup": orWords(run.Setup, "none declared")}
	for _, f := range run.Before.Configuration() {
		machine[string(f.Key)] = f.String()
	}
	for k, v := range run.Noted {
		machine["noted."+k] = v
	}
	workload = map[string]string{
		string(compare.WorkloadContent): orWords(run.Content, "not declared"), string(compare.WorkloadVersion): orWords(run.WorkloadVersion, "none"),
	}
	for k, v := range run.Settings {
		workload[string(rig.Of("workload.setting", k, ""))] = v
	}
	return machine, workload
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
