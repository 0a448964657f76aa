package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/figure"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

func moment(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05") }

// flags is every flag of the runs, those that are alike in one row.
func (r report) flags() figure.Section {
	s := figure.Section{Heading: "Flags"}
	t := figure.Table{Caption: "Flags of these runs", Columns: []figure.Column{
		{Name: "fact"}, {Name: "weight"}, {Name: "kind"}, {Name: "expected"}, {Name: "seen"}, {Name: "evidence", Prose: true}, {Name: "runs", Prose: true},
	}}
	var order []drift.Flag
	of := map[drift.Flag][]string{}
	for _, run := range r.all() {
		for _, f := range run.Flags {
			if of[f] == nil {
				order = append(order, f)
			}
			of[f] = append(of[f], short(run.ID))
		}
	}
	slices.SortStableFunc(order, func(a, b drift.Flag) int { return int(b.Weight) - int(a.Weight) })
	for _, f := range order {
		unit := ""
		if f.Unit != "" {
			unit = " " + string(f.Unit)
		}
		t.Rows = append(t.Rows, []string{string(f.Fact), f.Weight.String(), string(f.Kind), measured(f.Expected, unit), measured(f.Seen, unit), f.Evidence,
			count(len(of[f]), "run", "runs") + ": " + strings.Join(of[f], ", ")})
	}
	if len(t.Rows) == 0 {
		s.Parts = append(s.Parts, figure.Part{Text: "None of these runs has a flag."})
	} else {
		s.Parts = append(s.Parts, figure.Part{Table: &t})
	}
	for i, side := range r.Sides {
		if left := leftOut(side.Left); left != "" {
			s.Parts = append(s.Parts, figure.Part{Text: "Chosen for " + r.labels[i] + " and left out: " + left + "."})
		}
	}
	return s
}

// measured is a flag's value, with the unit where it is a number.
func measured(v rig.Value, unit string) string {
	if _, ok := v.Number(); ok {
		return v.String() + unit
	}
	return v.String()
}

// runs names every run with what proves it.
func (r report) runs() figure.Section {
	s := figure.Section{Heading: "Runs and receipts"}
	runs := figure.Table{Caption: "Runs, in the order they were made", Columns: []figure.Column{
		{Name: "run", Code: true}, {Name: "side"}, {Name: "rig"}, {Name: "workload"}, {Name: "setup"}, {Name: "started (UTC)", Short: true}, {Name: "standing"}, {Name: "remark"},
	}}
	records := figure.Table{Caption: "Records and receipts", Columns: []figure.Column{
		{Name: "run", Code: true}, {Name: "record, SHA-256", Code: true}, {Name: "receipt", Prose: true},
	}}
	type placed struct {
		run  compare.Run
		side int
	}
	var order []placed
	for i, side := range r.Sides {
		for _, run := range side.Runs {
			order = append(order, placed{run, i})
		}
	}
	rig.Straighten(order, func(p *placed) (*time.Time, *rig.BootClock) { return p.run.Moment() })
	slices.SortStableFunc(order, func(a, b placed) int { return a.run.Started.Compare(b.run.Started) })
	heads := []string{}
	for _, p := range order {
		remark := ""
		if p.run.Played != "" {
			remark = "played: " + p.run.Played
		}
		runs.Rows = append(runs.Rows, []string{p.run.ID, r.labels[p.side], p.run.Rig, strings.TrimSpace(p.run.Workload + " " + p.run.WorkloadVersion),
			orWords(p.run.Setup, "none"), moment(p.run.Started), orWords(string(p.run.Standing), "not judged"), remark})
		k, ok := r.Kept[p.run.ID]
		if !ok {
			records.Rows = append(records.Rows, []string{p.run.ID, "", "none"})
			continue
		}
		origin, _, _ := strings.Cut(k.Head, "\n")
		records.Rows = append(records.Rows, []string{p.run.ID, k.RecordSHA256,
			fmt.Sprintf("entry %d of the trail %s, kept %s UTC, under a signed head over %s", k.Index, origin, moment(k.At), count(int(k.TreeSize), "entry", "entries"))})
		if k.Head != "" && !slices.Contains(heads, k.Head) {
			heads = append(heads, k.Head)
		}
	}
	s.Parts = append(s.Parts, figure.Part{Table: &runs}, figure.Part{Table: &records})
	if len(heads) > 0 {
		more := figure.More{Summary: count(len(heads), "signed head of the trail", "signed heads of the trail")}
		for i, h := range heads {
			more.Parts = append(more.Parts, figure.Part{Pre: &figure.Pre{Label: fmt.Sprintf("Signed head %d", i+1), Text: h}})
		}
		s.Parts = append(s.Parts, figure.Part{More: &more})
	}
	return s
}

// methods says how the numbers came about. What is no published constant but a
// choice stands there with its value.
func (r report) methods() figure.Section {
	s := figure.Section{Heading: "Method"}
	var c compare.Comparison
	if r.alone() {
		c = *r.Alone
	} else {
		c = r.Comparisons[0]
	}
	o := c.Options
	list := []string{"The run is the unit of evidence: frames inside a run are never counted as repeats."}
	if !r.alone() {
		how := "Ratio: Welch's t test on the logarithms of the runs' values (ratio.welch_log)"
		if o.Paired {
			how = "Ratio: paired t test on the logarithms of interleaved runs (ratio.paired_log)"
		}
		list = append(list,
			fmt.Sprintf("%s; level %s.", how, compare.Percent(1-o.Alpha)),
			fmt.Sprintf("Verdict, in this order: no practical difference, if two one-sided tests at %s hold with the margin of %s; different, if the interval excludes 1; else not resolved. Only the first figure of a workload has a verdict; the intervals of the others hold each by itself.",
				compare.Percent(o.Alpha), compare.Percent(o.Margin)),
			"Several workloads: Holm over the tests of one table.",
			"Controlled: every fact outside the factor, and what follows from it, is known and equal within tolerance on both sides. Missing is not equal.",
		)
	}
	list = append(list, fmt.Sprintf("A new session begins with a boot, or after %s without a run. Where sessions differ by more than the runs in them, their means are used.", span(o.SessionGap)),
		"The numbers say how these machines repeat, not how others of their kind would do.",
		"The margin, the session gap, the window and the bounds of the alignment are choices of the laboratory or the design, not published constants.")
	s.Parts = append(s.Parts, figure.Part{List: list}, figure.Part{Table: r.parameters(o)})
	if t := definitions(c); len(t.Rows) > 0 {
		s.Parts = append(s.Parts, figure.Part{Table: t})
	}
	return s
}

func span(d time.Duration) string {
	switch {
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d >= time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%g s", d.Seconds())
}

func (r report) parameters(o compare.Options) *figure.Table {
	t := &figure.Table{Caption: "Parameters", Columns: []figure.Column{{Name: "parameter"}, {Name: "value", Short: true}}}
	add := func(name, value string) { t.Rows = append(t.Rows, []string{name, value}) }
	add("level of intervals", compare.Percent(1-o.Alpha))
	add("session gap", span(o.SessionGap))
	if r.alone() {
		return t
	}
	add("margin of practical difference", compare.Percent(o.Margin))
	add("power of the plan of repeats", compare.Percent(o.Power))
	add("paired", map[bool]string{true: "yes", false: "no"}[o.Paired])
	add("window of sustained gaps", span(o.Moments.Window))
	add("step between windows", span(o.Moments.Step))
	for _, k := range slices.Sorted(maps.Keys(o.Within)) {
		add("tolerance of "+string(k), fmt.Sprint(o.Within[k].Absolute))
	}
	for _, k := range o.Follows {
		add("declared to follow from the factor", string(k))
	}
	return t
}

// definitions names the method of every figure.
func definitions(c compare.Comparison) *figure.Table {
	t := &figure.Table{Caption: "Definitions of the figures", Columns: []figure.Column{{Name: "figure"}, {Name: "method", Code: true}, {Name: "better"}}}
	seen := map[string]bool{}
	for _, w := range c.Workloads {
		for _, f := range w.Figures {
			if !seen[f.Name] && f.Method != "" {
				seen[f.Name] = true
				t.Rows = append(t.Rows, []string{wordsFor(f.Name), f.Method, better(f.Better)})
			}
		}
	}
	return t
}

func better(d stats.Direction) string {
	switch d {
	case stats.HigherBetter:
		return "higher"
	case stats.LowerBetter:
		return "lower"
	}
	return string(d)
}
