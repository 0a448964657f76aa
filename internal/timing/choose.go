package timing

import (
	"fmt"
	"strconv"
	"strings"
)

// trust says how far a reading of a column rests on its name.
type trust int

const (
	byDefault trust = iota // nothing says otherwise
	byWeak                 // "time", and the numbers do not rise
	byName                 // "frame_ms", "duration", or a unit in the cells
)

// reading is one way to take a column.
type reading struct {
	kind  Kind
	trust trust
}

// risingRows is how many rows of a column called "time" must rise before it is
// taken for time stamps without a word from the operator.
const risingRows = 32

// readings lists what a column could be that nobody named.
func (c *column) readings() []reading {
	if c.passedOver() != "" {
		return nil
	}
	return c.kinds()
}

// kinds lists what a column could be, by its name and its sample.
func (c *column) kinds() []reading {
	if c.spoilt() {
		return []reading{{Duration, byName}}
	}
	rising := c.rising()
	dur, stamp := reading{Duration, byDefault}, reading{Timestamp, byDefault}
	switch c.role() {
	case nameDuration:
		return []reading{{Duration, byName}}
	case nameStamp:
		return []reading{stamp}
	case nameTime:
		if rising && c.numbers >= risingRows {
			return []reading{stamp}
		}
		dur.trust = byWeak
	default:
		if c.stated() != "" {
			dur.trust = byName
		}
	}
	switch {
	case !rising && c.mostlyPositive():
		return []reading{dur}
	case rising && c.firstPositive:
		dur.trust = byDefault
		return []reading{dur, stamp}
	case rising:
		return []reading{stamp}
	}
	return nil
}

// role is the class of the name, with a unit in the cells taken into account.
func (c *column) role() class {
	if c.suffix == "" {
		return c.class
	}
	switch c.class {
	case nameDuration, nameStamp, nameTime:
		return c.class
	}
	if c.timed {
		return nameDuration
	}
	return nameless
}

// doubtful says why a column is not read, even when the operator names it,
// unless the kind is given as well; or "".
func (c *column) doubtful() string {
	role := c.role()
	switch {
	case role == nameRate:
		return "is a rate by its name"
	case role == nameMaybeIndex && c.wholes == c.numbers && c.steps() > 1 && c.rising():
		return "numbers the rows"
	case c.counts() && c.stated() == "" && role != nameDuration && role != nameStamp && role != nameTime:
		return "counts the rows"
	}
	return ""
}

const notPositive = "is mostly not above zero"

// passedOver says why a column is not read unless the operator names it, or "".
func (c *column) passedOver() string {
	switch {
	case c.spoilt():
		return ""
	case c.numbers == 0 && c.missing == c.cells:
		return "holds no value"
	case !c.numeric():
		return "holds text"
	}
	if why := c.doubtful(); why != "" {
		return why
	}
	switch c.role() {
	case nameOther:
		return "is no time by its name"
	case nameIndex:
		return "numbers the rows by its name"
	}
	if !c.rising() && !c.mostlyPositive() && c.role() != nameDuration && c.role() != nameStamp {
		return notPositive
	}
	return ""
}

// example is a cell for an error, without its quotes.
func (c *column) example() string { return strings.Trim(c.first, `"`) }

// choose picks the column, and the kinds it could be.
func (s *sketch) choose(spec Spec) (index int, kinds []Kind, err error) {
	if spec.Column == "" {
		return s.guessColumn(spec)
	}
	if index, err = s.find("column", spec.Column); err != nil {
		return 0, nil, err
	}
	c := &s.cols[index]
	if c.numbers == 0 && 2*c.missing < c.cells {
		return 0, nil, s.wrongColumn(index, "holds text, such as "+c.first)
	}
	if spec.Kind != "" {
		return index, []Kind{spec.Kind}, nil
	}
	if c.numbers == 0 {
		return index, []Kind{Duration}, nil // for the reader to refuse
	}
	if why := c.doubtful(); why != "" {
		e := s.wrongColumn(index, why)
		e.Add = "if it does hold times, " + advise(choice{"kind", string(Duration)}, choice{"kind", string(Timestamp)}) + "; otherwise " + e.Add
		return 0, nil, e
	}
	for _, r := range c.kinds() {
		kinds = append(kinds, r.kind)
	}
	if len(kinds) == 0 {
		kinds = []Kind{Duration}
	}
	return index, kinds, nil
}

// find gives the index of a column chosen by position or by name.
func (s *sketch) find(key, chosen string) (int, error) {
	l := s.layout
	if n, err := strconv.Atoi(chosen); err == nil {
		if n >= 1 && n <= l.Fields {
			return n - 1, nil
		}
		return 0, s.notFound(key, fmt.Sprintf("there is no column %d: the rows have %s", n, counted(l.Fields, "field")))
	}
	if l.Header != yes {
		return 0, s.notFound(key, fmt.Sprintf("there is no column %s: the log has no header", quoted([]byte(chosen))))
	}
	switch i := indexName(l.Names, chosen); i {
	case -1:
		return 0, s.notFound(key, fmt.Sprintf("there is no column %s", quoted([]byte(chosen))), chosen)
	case -2:
		return 0, s.notFound(key, fmt.Sprintf("there is more than one column %s", quoted([]byte(chosen))))
	default:
		return i, nil
	}
}

// notFound lists the columns, the nearest in name first in the hint.
func (s *sketch) notFound(key, why string, near ...string) *Ambiguous {
	e := &Ambiguous{Code: "column_not_found"}
	var cs []choice
	for i := range s.cols {
		e.Columns = append(e.Columns, s.layout.label(i))
		if s.cols[i].numeric() {
			cs = append(cs, choice{key, s.layout.reference(i)})
		}
	}
	e.Why = why + "; the log has " + listed(e.Columns)
	if len(near) > 0 {
		if i := nearest(s.layout.Names, near[0]); i >= 0 {
			e.Add = "the nearest is " + quoted([]byte(s.layout.Names[i])) + ": "
			cs = []choice{{key, s.layout.reference(i)}}
		}
	}
	e.Add += advise(cs...)
	if len(cs) == 0 {
		e.Add = refusedHints["no_numbers"]
	}
	return e
}

// wrongColumn is the error for a column that was chosen and cannot be meant.
func (s *sketch) wrongColumn(index int, why string) *Ambiguous {
	e := &Ambiguous{Code: "wrong_column", Columns: []string{s.layout.label(index)}}
	e.Why = "column " + s.layout.label(index) + " " + why
	var cs []choice
	for i := range s.cols {
		if i != index && len(s.cols[i].readings()) > 0 {
			cs = append(cs, choice{"column", s.layout.reference(i)})
		}
	}
	if e.Add = advise(cs...); len(cs) == 0 {
		e.Add = "look at the log: no other column holds numbers that could be times"
	}
	return e
}

// guessColumn takes the only column that can be meant. A name that says duration
// goes before everything; short of that every possible column counts.
func (s *sketch) guessColumn(spec Spec) (int, []Kind, error) {
	possible := map[trust][]int{}
	kinds := make([][]Kind, len(s.cols))
	for i := range s.cols {
		best := byDefault
		for _, r := range s.cols[i].readings() {
			if spec.Kind == "" || r.kind == spec.Kind {
				kinds[i] = append(kinds[i], r.kind)
				best = max(best, r.trust)
			}
		}
		if len(kinds[i]) > 0 {
			possible[best] = append(possible[best], i)
		}
	}
	candidates := possible[byName]
	if len(candidates) == 0 {
		candidates = possible[byWeak]
	}
	if len(candidates) == 0 {
		candidates = possible[byDefault]
	}
	switch len(candidates) {
	case 0:
		return s.lastColumn(spec)
	case 1:
		return candidates[0], kinds[candidates[0]], nil
	}
	return 0, nil, s.whichColumn(candidates, kinds, spec)
}

// lastColumn takes the one column that is left when none looks like a time, for
// the reader to refuse its numbers: those of a lone column of zeros, say.
func (s *sketch) lastColumn(spec Spec) (int, []Kind, error) {
	var numeric, open []int
	for i := range s.cols {
		c := &s.cols[i]
		if !c.numeric() {
			continue
		}
		numeric = append(numeric, i)
		if why := c.passedOver(); why == "" || why == notPositive {
			open = append(open, i)
		}
	}
	switch {
	case len(open) == 1 && spec.Kind == "":
		return open[0], []Kind{Duration}, nil
	case len(open) == 1:
		return open[0], []Kind{spec.Kind}, nil
	case len(numeric) == 1 && spec.Kind != "":
		return numeric[0], []Kind{spec.Kind}, nil
	}
	return 0, nil, s.noColumn()
}

func (s *sketch) whichColumn(candidates []int, kinds [][]Kind, spec Spec) error {
	e := &Ambiguous{Code: "column"}
	var cs []choice
	for _, i := range candidates {
		as := string(kinds[i][0]) + "s"
		if len(kinds[i]) > 1 {
			as = "durations or timestamps"
		}
		e.Columns = append(e.Columns, fmt.Sprintf("%s (%s from %s)", s.layout.label(i), as, s.cols[i].example()))
		cs = append(cs, choice{"column", s.layout.reference(i)})
	}
	e.Why = counted(len(candidates), "column") + " could hold the times: " + listed(e.Columns)
	e.Add = advise(cs...)
	if spec.Unit == "" && s.cols[candidates[0]].stated() == "" {
		e.Add += ", and the unit"
	}
	return e
}

// noColumn tells a log without numbers from one whose numbers are something else.
func (s *sketch) noColumn() error {
	e := &Ambiguous{Code: "no_column"}
	var cs []choice
	for i := range s.cols {
		c := &s.cols[i]
		e.Columns = append(e.Columns, s.layout.label(i)+" "+c.passedOver())
		if c.numeric() {
			cs = append(cs, choice{"column", s.layout.reference(i)})
		}
	}
	if len(cs) == 0 {
		return s.noNumbers()
	}
	e.Why = "no column could hold times: " + listed(e.Columns)
	e.Add = "if one does, " + advise(cs...) + ", and the kind (" + choice{"kind", "duration"}.toml() + " or " + choice{"kind", "timestamp"}.flag() + ")"
	return e
}

// noNumbers refuses a log without a number; one whose only column holds NaN and
// the like is refused for that.
func (s *sketch) noNumbers() error {
	for i := range s.cols {
		if c := &s.cols[i]; c.missing > 0 && c.first == "" && len(s.cols) == 1 {
			return &Refused{Code: "not_a_number", Column: i + 1, Why: "no row holds a number"}
		}
	}
	return &Refused{Code: "no_numbers", Why: "no column of the log holds numbers"}
}

// listedMost is the most columns an error lists.
const listedMost = 16

func listed(ss []string) string {
	if len(ss) > listedMost {
		return strings.Join(ss[:listedMost], ", ") + fmt.Sprintf(" and %d more", len(ss)-listedMost)
	}
	return strings.Join(ss, ", ")
}

// nearest finds the name with the fewest edits to the one given, or -1 when more
// than half of it would have to change.
func nearest(names []string, to string) int {
	best, at := 1+len([]rune(to))/2, -1
	for i, n := range names {
		if d := edits(strings.ToLower(n), strings.ToLower(to)); d < best {
			best, at = d, i
		}
	}
	return at
}

// edits is the edit distance of Levenshtein (1966), from memory.
func edits(a, b string) int {
	x, y := []rune(a), []rune(b)
	if len(x) > 200 || len(y) > 200 {
		return max(len(x), len(y))
	}
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := range x {
		diagonal := row[0]
		row[0] = i + 1
		for j := range y {
			cost := 1
			if x[i] == y[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(y)]
}
