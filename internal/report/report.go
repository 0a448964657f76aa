package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/figure"
	"witnessmark/internal/rig"
)

// Side is the runs that one selection chose.
type Side struct {
	Text string              // the selection as it was written
	Runs []compare.Run       // oldest first, at least one
	Left map[string][]string // chosen runs that did not enter, by reason
}

// Kept is what the collector holds of a run beside the run itself.
type Kept struct {
	RecordSHA256 string // in hex
	Index        int64  // of the trail's entry
	TreeSize     int64  // of the trail under the signed head
	At           time.Time
	Head         string // the signed note
}

// Input is what a report is made of.
type Input struct {
	Sides       []Side               // at least one
	Comparisons []compare.Comparison // of side i+1 with side 0
	Alone       *compare.Comparison  // the one side's figures, where there is only one
	Kept        map[string]Kept      // by run; a run without has no receipt yet
	Signals     map[string][]rig.Signal
	Made        time.Time
	By          string // the program and its version
}

// report is an Input with what all parts of the page need of it.
type report struct {
	Input
	labels []string // of the sides
}

// Page sets the page.
func Page(in Input) figure.Page {
	r := report{in, labels(in)}
	p := figure.Page{Title: r.title(), Made: in.Made, By: in.By, Played: r.played(), About: r.about()}
	p.Lead, p.Warn = r.lead()
	p.Sections = append(p.Sections, r.verdicts()...)
	p.Sections = append(p.Sections, r.controls()...)
	p.Sections = append(p.Sections, r.plates(), r.configuration(), r.flags(), r.methods(), r.runs())
	return p
}

// Figures gives the page's figures, to be published one by one.
func Figures(p figure.Page) (out []figure.Figure) {
	for _, s := range p.Sections {
		for _, part := range s.Parts {
			if part.Figure != nil {
				out = append(out, *part.Figure)
			}
		}
	}
	return out
}

// compared lists the comparisons; alone is whether there is none.
func (r report) alone() bool { return len(r.Sides) == 1 }

func (r report) all() (out []compare.Run) {
	for _, s := range r.Sides {
		out = append(out, s.Runs...)
	}
	return out
}

// title names the workloads and the sides.
func (r report) title() string {
	s := r.subject()
	if r.alone() {
		return s + ": " + r.labels[0]
	}
	return s + ": " + enumerate(r.labels[1:]) + " against " + r.labels[0]
}

// subject is the workloads with their versions.
func (r report) subject() string {
	var names []string
	for _, run := range r.all() {
		if n := strings.TrimSpace(run.Workload + " " + run.WorkloadVersion); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	if len(names) > 3 {
		return fmt.Sprintf("%s and %d more workloads", strings.Join(names[:2], ", "), len(names)-2)
	}
	return enumerate(names)
}

// enumerate joins words: "a", "a and b", "a, b and c".
func enumerate(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " and " + words[last]
}

// lead is the page's first line.
func (r report) lead() (line string, warn bool) {
	if r.alone() {
		line = fmt.Sprintf("described, not compared: %s of %s on %s", count(len(r.Sides[0].Runs), "run", "runs"), r.subject(), enumerate(rigs(r.Sides[0].Runs)))
		c := compare.Control(r.Sides[0].Runs, r.Sides[0].Runs, nil)
		if n := len(c.NotControlled); n > 0 {
			return fmt.Sprintf("%s; they are not of one configuration: %s", line, mixture(c.NotControlled)), true
		}
		return line, false
	}
	if len(r.Comparisons) == 1 {
		return r.Comparisons[0].Headline(), !r.Comparisons[0].Controlled.Controlled
	}
	var spoiled []string
	for i, c := range r.Comparisons {
		if !c.Controlled.Controlled {
			_, why, _ := strings.Cut(c.Headline(), ": ")
			spoiled = append(spoiled, r.labels[i+1]+": "+why)
		}
	}
	if len(spoiled) == 0 {
		return fmt.Sprintf("controlled: all %d comparisons with %s", len(r.Comparisons), r.labels[0]), false
	}
	return fmt.Sprintf("not controlled: %d of %d comparisons with %s; %s", len(spoiled), len(r.Comparisons), r.labels[0], strings.Join(spoiled, "; ")), true
}

// mixture names facts that differ within one side, a few of them.
func mixture(ds []compare.Difference) string {
	const few = 3
	var out []string
	for _, d := range ds[:min(few, len(ds))] {
		out = append(out, string(d.Fact)+" is "+d.Side(d.Base))
	}
	if more := len(ds) - few; more > 0 {
		out = append(out, count(more, "other fact differs", "other facts differ"))
	}
	return strings.Join(out, "; ")
}

func (r report) played() string {
	n := 0
	for _, run := range r.all() {
		if run.Played != "" {
			n++
		}
	}
	switch {
	case n == 0:
		return ""
	case n == len(r.all()):
		return "played: these runs were made up from a scenario and not measured."
	}
	return fmt.Sprintf("played: %d of these %d runs were made up from a scenario and not measured.", n, len(r.all()))
}

// about says which runs the page speaks of.
func (r report) about() (out []string) {
	for i, s := range r.Sides {
		name := "Runs"
		if !r.alone() {
			name = []string{"Against", "Base"}[b2i(i == 0)]
		}
		line := fmt.Sprintf("%s: %s, %s chosen by %s", name, r.labels[i], count(len(s.Runs), "run", "runs"), s.Text)
		if left := leftOut(s.Left); left != "" {
			line += "; left out: " + left
		}
		out = append(out, line+".")
	}
	return out
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func leftOut(left map[string][]string) string {
	var parts []string
	for why, ids := range left {
		parts = append(parts, fmt.Sprintf("%d %s (%s)", len(ids), why, strings.Join(ids, ", ")))
	}
	slices.Sort(parts)
	return strings.Join(parts, "; ")
}
