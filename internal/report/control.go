package report

import (
	"fmt"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/figure"
)

// controls is what was and was not controlled, for each comparison.
func (r report) controls() (out []figure.Section) {
	for i, c := range r.Comparisons {
		s := figure.Section{Heading: r.heading("What was controlled", i), Lead: c.Headline(), Warn: !c.Controlled.Controlled}
		s.Parts = append(s.Parts, figure.Part{Text: rule(c)})
		for _, t := range []struct {
			caption string
			ds      []compare.Difference
		}{
			{"The factor: meant to differ", c.Factor},
			{"Follows from the factor", c.Follows},
			{"Not controlled: differs, and does not follow from the factor", c.NotControlled},
			{"Not known: unread on one side or both", c.NotKnown},
		} {
			s.Parts = append(s.Parts, r.differing(t.caption, t.ds, i)...)
		}
		if n := len(c.Absent); n > 0 {
			var keys []string
			for _, d := range c.Absent {
				keys = append(keys, string(d.Fact))
			}
			s.Parts = append(s.Parts, figure.Part{More: &figure.More{
				Summary: count(n, "fact that no run has, taken as equal", "facts that no run has, taken as equal"), Parts: []figure.Part{{List: keys}},
			}})
		}
		s.Parts = append(s.Parts, figure.Part{Text: fmt.Sprintf("Every other fact of the %d runs is known and equal on both sides, within the tolerance that the catalogue of facts states.", c.Runs)})
		out = append(out, s)
	}
	return out
}

// rule says who named the factor.
func rule(c compare.Comparison) string {
	switch c.Rule {
	case compare.ByVary:
		return "The factor was named by the analyst."
	case compare.BySelection:
		return "The factor is what the two selections were chosen by."
	case compare.BySetup:
		return "The factor is what the setups of the two selections declare differently."
	}
	if c.Only != "" {
		return fmt.Sprintf("No factor was named. %s alone explains what differs.", c.Only)
	}
	return "No factor was named: nothing was meant to differ."
}

// mostRows is how many rows of what differs stand open; the rest is folded away.
const mostRows = 15

// differing is a table of differences, the heaviest open where there are many.
func (r report) differing(caption string, ds []compare.Difference, i int) []figure.Part {
	switch {
	case len(ds) == 0:
		return nil
	case len(ds) <= mostRows:
		return []figure.Part{{Table: r.differences(caption, ds, i)}}
	}
	first := heaviest(ds)[:mostRows]
	return []figure.Part{
		{Table: r.differences(fmt.Sprintf("%s; the %d heaviest of %d", caption, mostRows, len(ds)), first, i)},
		{More: &figure.More{Summary: fmt.Sprintf("All %d", len(ds)), Parts: []figure.Part{{Table: r.differences(caption, ds, i)}}}},
	}
}

func (r report) differences(caption string, ds []compare.Difference, i int) *figure.Table {
	t := &figure.Table{Caption: caption, Columns: []figure.Column{{Name: "fact"}, {Name: r.labels[0]}, {Name: r.labels[i+1]}, {Name: "remark", Prose: true}}}
	for _, d := range ds {
		name := string(d.Fact)
		if d.Workload != "" {
			name = d.Workload + " " + name
		}
		said := d.Why
		switch {
		case d.Class != "":
			said = strings.TrimSuffix(string(d.Class)+": no ratio is given while it is not controlled; "+said, "; ")
		case d.From != "":
			said = strings.TrimSuffix("from "+string(d.From)+"; "+said, "; ")
		}
		t.Rows = append(t.Rows, []string{name, d.Side(d.Base), d.Side(d.Against), said})
	}
	return t
}
