package setup

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Setup is the state that an operator declares for a rig.
type Setup struct {
	File   string // the name it was parsed under
	Source []byte // the file's exact bytes
	Label  string // such as memory-rated; runs are selected by it
	Rig    string // the rig it is for; "" for any

	Expect map[string]Expectation // by fact key
	Weigh  map[string]Weight      // by fact key: how a flag on it weighs, whatever the catalogue says
	Noted  map[string]Value       // what only a person knows

	lines map[string]int // where each fact key stands
}

// Weight is how heavily a flag bears on a result.
type Weight string

const (
	Note    Weight = "note"    // worth knowing; the result stands
	Caution Weight = "caution" // the result may mislead
	Void    Weight = "void"    // do not use the result
)

var setupSchema = schema{
	{"", []string{"label", "rig", "expect", "weigh", "noted"}},
	{expectTable, []string{"value", "tolerance", "min", "max", "one_of"}},
}

// expectTable is the schema's name for the table that states one fact.
const expectTable = "expect.KEY"

const readingSetup = "setup file"

// ParseSetup reads a setup file; name is how errors call it. The error is one
// line with a position, and has a Hint. Whether the facts exist is for Check.
func ParseSetup(name string, data []byte) (*Setup, error) {
	root, bad := grow(data)
	if bad != nil {
		return nil, bad.fault(readingSetup, name)
	}
	r := &reader{schema: setupSchema, stray: "; facts stand below [expect]"}
	r.known(root, "")
	s := &Setup{
		File:   name,
		Source: bytes.Clone(data),
		Label:  r.name(root, "label"),
		Rig:    r.name(root, "rig"),
		Noted:  r.scalars(root, "noted"),
		lines:  map[string]int{},
	}
	s.Expect = r.expect(root, s.lines)
	s.Weigh = r.weigh(root, s.lines)
	if root.table["label"] == nil {
		r.missing(root, "label", `add label = "memory-rated"; runs are selected by it`)
	}
	if err := r.err(readingSetup, name); err != nil {
		return nil, err
	}
	return s, nil
}

// Line returns the line that gives the fact key in [expect], else in [weigh]; 0
// when the file names it in neither.
func (s *Setup) Line(key string) int { return s.lines[key] }

// Check holds the fact keys of [expect] and [weigh] against a catalogue, given
// as a function that knows a key or returns the nearest one it does know. The
// error is that of the first unknown key by line.
func (s *Setup) Check(known func(key string) (nearest string, ok bool)) error {
	r := &reader{}
	for _, key := range slices.Sorted(maps.Keys(s.lines)) {
		near, ok := known(key)
		if ok {
			continue
		}
		hint := "the rig's facts are listed by: agent facts"
		if near != "" {
			hint = fmt.Sprintf("the nearest known fact is %q", near)
		}
		if parent, word, ok := cutLast(key); ok {
			if _, ok := known(parent); ok {
				words := setupSchema.of(expectTable)
				best, _ := nearest(word, words)
				hint = fmt.Sprintf("%q is a fact, and a table for it takes %s; the nearest is %q", parent, strings.Join(words, ", "), best)
			}
		}
		r.wrong(&node{line: s.lines[key]}, hint, "unknown fact %q", key)
	}
	return r.err(readingSetup, s.File)
}

// CheckUnits holds [expect] against the units of a catalogue, given as a function
// of the key: a fact with a unit is a number, and a text declared of it, as in
// "16 GiB", could never hold. The error is that of the first such line.
func (s *Setup) CheckUnits(unitOf func(key string) string) error {
	r := &reader{}
	for _, key := range slices.Sorted(maps.Keys(s.Expect)) {
		unit := unitOf(key)
		if unit == "" {
			continue
		}
		e := s.Expect[key]
		for _, v := range append([]Value{e.Value}, e.OneOf...) {
			if _, number := v.number(); v.Kind != None && !number {
				r.wrong(&node{line: e.Line}, "write the number alone, in "+unit, "%q is a number in %s, not %s", key, unit, v.Kind)
			}
		}
	}
	return r.err(readingSetup, s.File)
}

func cutLast(key string) (parent, word string, ok bool) {
	i := strings.LastIndexByte(key, '.')
	if i < 0 {
		return "", "", false
	}
	return key[:i], key[i+1:], true
}

func (r *reader) expect(root *node, lines map[string]int) map[string]Expectation {
	table := r.sub(root, "expect")
	if table == nil {
		return nil
	}
	expect := map[string]Expectation{}
	r.flatten(table, r.statesFact, func(key string, n *node) {
		lines[key] = n.line
		expect[key] = r.expectation(key, n)
	})
	return expect
}

// statesFact tells a table about one fact, as in { min = 4100 }, from a table
// that only holds the next word of a dotted key, as memory.speed = 3200 makes.
func (r *reader) statesFact(n *node) bool {
	if n.shape != isTable || len(n.keys) == 0 {
		return true
	}
	words := r.schema.of(expectTable)
	return slices.ContainsFunc(n.keys, func(k string) bool {
		return slices.Contains(words, k) && (k == "one_of" || n.table[k].shape != isTable)
	})
}

func (r *reader) weigh(root *node, lines map[string]int) map[string]Weight {
	table := r.sub(root, "weigh")
	if table == nil {
		return nil
	}
	weigh := map[string]Weight{}
	r.flatten(table, func(n *node) bool { return n.shape != isTable }, func(key string, n *node) {
		if _, given := lines[key]; !given {
			lines[key] = n.line
		}
		if n.shape != isValue || n.value.Kind != Text {
			r.wrong(n, "one of note, caution, void in quotes", "the weight of %q is %s, not a word", key, n)
			return
		}
		at := newTable(n.line)
		at.add(key, n)
		weigh[key] = Weight(r.oneOf(at, key, string(Note), string(Caution), string(Void)))
	})
	return weigh
}
