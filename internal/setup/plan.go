package setup

import (
	"bytes"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Plan is what an operator means to measure: cells, each a workload on a rig in
// a setup with a number of repeats.
type Plan struct {
	File   string // the name it was parsed under
	Source []byte // the file's exact bytes
	Name   string // "" when the file gives none

	StaleAfter time.Duration // older runs are stale; 0 for never
	Caution    bool          // runs under caution count
	Rounds     int           // visits that the repeats of a cell are spread over
	Cells      []Cell        // in the order of the file, lists crossed
}

// Cell is one line of a plan.
type Cell struct {
	Workload string
	Version  string // of the workload; "" for the newest that was run
	Rig      string
	Setup    string // label; "" for runs without a setup
	Repeats  int
	Line     int // in the file
}

// DefaultRounds visit every setup twice, once each way, so that neither side of a
// comparison comes before the other. A design choice.
const DefaultRounds = 2

// mostCells bounds what the lists of a plan may cross to.
const mostCells = 10_000

var planSchema = schema{
	{"", []string{"name", "stale_after", "include", "rounds", "repeats", "cell"}},
	{"cell", []string{"workload", "version", "rig", "setup", "repeats"}},
}

const readingPlan = "plan file"

// ParsePlan reads a plan file; name is how errors call it. The error is one line
// with a position, and has a Hint.
func ParsePlan(name string, data []byte) (*Plan, error) {
	root, bad := grow(data)
	if bad != nil {
		return nil, bad.fault(readingPlan, name)
	}
	r := &reader{schema: planSchema, stray: "; what is measured stands below [[cell]]"}
	r.known(root, "")
	p := &Plan{
		File: name, Source: bytes.Clone(data), Name: r.text(root, "name"),
		StaleAfter: r.span(root, "stale_after"),
		Caution:    r.oneOf(root, "include", "clean", "caution") == "caution",
		Rounds:     r.count(root, "rounds", DefaultRounds),
	}
	p.Cells = r.cells(root, r.count(root, "repeats", 0))
	if err := r.err(readingPlan, name); err != nil {
		return nil, err
	}
	return p, nil
}

// cells crosses the lists of every [[cell]].
func (r *reader) cells(root *node, repeats int) (out []Cell) {
	c := root.table["cell"]
	if c == nil {
		r.missing(root, "cell", "add [[cell]] on a line of its own, and below it workload, rig, setup and repeats")
		return nil
	}
	if c.shape != isList || len(c.list) == 0 || c.list[0].shape != isTable {
		r.wrong(c, "write [[cell]] on a line of its own and its keys below", "cell is %s, not a list of tables", c)
		return nil
	}
	lines := map[Cell]int{}
	for _, t := range c.list {
		if t.shape != isTable {
			r.wrong(t, "write [[cell]] on a line of its own and its keys below", "cell holds %s where a table belongs", t)
			return nil
		}
		for _, cell := range r.crossed(t, repeats) {
			key := cell
			key.Repeats, key.Line = 0, 0
			if at := lines[key]; at > 0 {
				r.wrong(t, fmt.Sprintf("line %d plans it too: keep one, or add up the repeats", at), "%s is planned twice", cell)
				return nil
			}
			if lines[key] = cell.Line; len(out) == mostCells {
				r.wrong(t, "split the plan", "the lists cross to more than %d cells", mostCells)
				return nil
			}
			out = append(out, cell)
		}
	}
	return out
}

// crossed gives the cells of one [[cell]]: rigs outermost, then setups.
func (r *reader) crossed(t *node, repeats int) (out []Cell) {
	faults := len(r.problems)
	r.known(t, "cell")
	version, n := r.text(t, "version"), r.count(t, "repeats", repeats)
	workloads, rigs, setups := r.names(t, "workload"), r.names(t, "rig"), r.names(t, "setup")
	if t.table["workload"] == nil {
		r.missing(t, "workload in [[cell]]", `add workload = "orrery", or a list of names`)
	}
	if t.table["rig"] == nil {
		r.missing(t, "rig in [[cell]]", `add rig = "heron", or a list of names`)
	}
	if t.table["repeats"] == nil && n == 0 {
		r.missing(t, "repeats in [[cell]]", "add repeats = 5, here or once above the first [[cell]]")
	}
	if t.table["setup"] == nil {
		setups = []string{""}
	}
	if len(r.problems) > faults {
		return nil
	}
	if len(workloads)*len(rigs)*len(setups) > mostCells {
		r.wrong(t, "split the plan", "the lists cross to more than %d cells", mostCells)
		return nil
	}
	for _, rig := range rigs {
		for _, s := range setups {
			for _, w := range workloads {
				out = append(out, Cell{Workload: w, Version: version, Rig: rig, Setup: s, Repeats: n, Line: t.line})
			}
		}
	}
	return out
}

// String names the cell: orrery 3 on heron in memory-rated.
func (c Cell) String() string {
	s := c.Workload
	if c.Version != "" {
		s += " " + c.Version
	}
	s += " on " + c.Rig
	if c.Setup != "" {
		s += " in " + c.Setup
	}
	return s
}

// names reads a name or a list of names, none twice.
func (r *reader) names(n *node, key string) (out []string) {
	c := n.table[key]
	if c == nil {
		return nil
	}
	if c.shape != isList {
		return []string{r.name(n, key)}
	}
	if len(c.list) == 0 {
		r.wrong(c, fmt.Sprintf("give at least one: %s = [\"...\"]", key), "%s is an empty list", key)
	}
	for _, e := range c.list {
		at := newTable(e.line)
		at.add(key, e)
		name := r.name(at, key)
		for _, before := range out {
			if name != "" && name == before {
				r.wrong(e, "keep one", "%s names %q twice", key, name)
			}
		}
		out = append(out, name)
	}
	return out
}

var spanOfDays = regexp.MustCompile(`^([0-9]{1,4})([dw])$`)

// span reads a span of time that may be in days or weeks; 0 when there is none.
func (r *reader) span(n *node, key string) time.Duration {
	c := n.table[key]
	if c == nil || c.shape != isValue || c.value.Kind != Text {
		return r.duration(n, key, 0)
	}
	if m := spanOfDays.FindStringSubmatch(strings.TrimSpace(c.value.Text)); m != nil {
		days, _ := strconv.Atoi(m[1]) // four digits
		if m[2] == "w" {
			days *= 7
		}
		if days > 0 {
			return time.Duration(days) * 24 * time.Hour
		}
	}
	d, err := time.ParseDuration(c.value.Text)
	if err != nil || d <= 0 {
		r.wrong(c, fmt.Sprintf(`write a number with its unit, such as %s = "90d", "2w" or "12h"`, key), "%s is %q, not a span of time above zero", key, c.value.Text)
	}
	return d
}
