package timing

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Log is a timing log that was read.
type Log struct {
	Durations  []int64 // nanoseconds, in the order of the rows, each above zero
	Layout     Layout
	Rows       int    // rows of data, without header and comments
	Marks      []Mark // in a fixed order
	FirstStamp *int64 // nanoseconds on the log's own clock; nil without time stamps
	LastStamp  *int64
}

// Mark is something about a log that leaves its durations sound.
type Mark struct {
	// Code is stable: "no_final_newline", "blank_lines", "rounded",
	// "unit_contradicts_name", "kind_contradicts_name", "dropped_rows", "stall".
	Code  string
	Line  int // of the first, from 1; 0 when it is the whole log
	Count int // how many rows or lines it concerns; 0 when it is the whole log
	Text  string
}

// Elapsed is the sum of the durations in nanoseconds; it always fits.
func (l *Log) Elapsed() int64 {
	var sum int64
	for _, t := range l.Durations {
		sum += t
	}
	return sum
}

// Parse reads a timing log. The error is *Ambiguous when the operator must say
// more or something else, *Refused when the data cannot be used.
func Parse(data []byte, spec Spec) (*Log, error) {
	spec, err := spec.clean()
	if err != nil {
		return nil, err
	}
	t, err := openText(data, spec.Comment)
	if err != nil {
		return nil, err
	}
	s, err := sniff(t, spec)
	if err != nil {
		return nil, err
	}
	index, kinds, err := s.choose(spec)
	if err != nil {
		return nil, err
	}
	l := s.layout
	l.Column = index + 1
	if l.Header == yes {
		l.Name = l.Names[index]
	}
	s.layout = l
	if s.layout.Decimal = spec.Decimal; spec.Decimal == "" {
		s.layout.Decimal = s.decimal(index)
	}
	units, err := s.units(index, spec)
	if err != nil {
		return nil, err
	}
	return s.settle(index, kinds, units, spec)
}

// decimal finds the decimal mark of a column: from the sample, and when that
// holds whole numbers only from the first row that shows one.
func (s *sketch) decimal(index int) string {
	switch c := &s.cols[index]; {
	case c.commas > c.dots:
		return ","
	case c.dots > 0 || c.commas > 0:
		return "."
	}
	r := s.t.rows()
	var dst [][]byte
	for {
		row, ok := r.next()
		if !ok {
			return "."
		}
		dst, _ = split(dst[:0], row, s.layout.sepByte())
		if index >= len(dst) {
			continue
		}
		_, rest, ok := scanNumber(dst[index], 0)
		if ok && len(rest) > 0 && (rest[0] == ',' || rest[0] == '.') {
			return string(rest[:1])
		}
	}
}

// units lists the units a column could be in: the chosen one, the one in its
// cells, the one in its name, or all.
func (s *sketch) units(index int, spec Spec) ([]Unit, error) {
	c := &s.cols[index]
	switch {
	case spec.Unit != "":
		return []Unit{spec.Unit}, nil
	case c.suffix != "" && c.meaning.unit != "" && c.suffix != c.meaning.unit:
		return nil, &Ambiguous{
			Code: "unit", Columns: []string{s.layout.label(index)},
			Why: fmt.Sprintf("column %s is in %s by its name and in %s by its cells", s.layout.label(index), c.meaning.unit, c.suffix),
			Add: "if the cells are right, " + advise(choice{"unit", string(c.suffix)}),
		}
	case c.stated() != "":
		return []Unit{c.stated()}, nil
	}
	return allUnits, nil
}

// try is one complete reading and what came of it.
type try struct {
	layout Layout
	log    *Log
	err    error
}

// settle reads the log in every way that is left and takes the only one that is
// possible. A refusal that no other unit could mend does not rule a reading out:
// damage in the data must not make the choice.
func (s *sketch) settle(index int, kinds []Kind, units []Unit, spec Spec) (*Log, error) {
	var possible []try
	var first error
	good := 0
	for _, k := range kinds {
		for _, u := range units {
			t := try{layout: s.layout}
			t.layout.Kind, t.layout.Unit = k, u
			if err := s.setStamp(&t.layout, index, spec); err != nil {
				return nil, err
			}
			t.log, t.err = read(s.t, t.layout)
			if t.err == nil {
				good++
			} else if first == nil {
				first = t.err
			}
			if r := (*Refused)(nil); errors.As(t.err, &r) && r.scale {
				continue
			}
			possible = append(possible, t)
		}
	}
	switch {
	case good == 0:
		return nil, first
	case len(possible) == 1:
		return possible[0].log, nil
	}
	return nil, s.whichReading(index, possible)
}

// whichReading lists what each possible reading would make of the log.
func (s *sketch) whichReading(index int, possible []try) error {
	e := &Ambiguous{Code: "unit", Columns: []string{s.layout.label(index)}}
	var ways []string
	kinds, units := map[string]bool{}, map[string]bool{}
	var cs []choice
	add := func(seen map[string]bool, key, value string) {
		if !seen[value] {
			seen[value] = true
			cs = append(cs, choice{key, value})
		}
	}
	for _, p := range possible {
		add(units, "unit", string(p.layout.Unit))
	}
	unitChoices := cs
	cs = nil
	for _, p := range possible {
		add(kinds, "kind", string(p.layout.Kind))
	}
	kindChoices := cs
	for _, p := range possible {
		way := string(p.layout.Unit)
		if len(kinds) > 1 {
			way = string(p.layout.Kind) + "s in " + way
		}
		if p.log != nil {
			way += fmt.Sprintf(" (%s, %s in all)", counted(len(p.log.Durations), "frame"), span(p.log.Elapsed()))
		}
		ways = append(ways, way)
	}
	e.Why = fmt.Sprintf("column %s could be %s", s.layout.label(index), oneOf(ways))
	switch {
	case len(kinds) == 1:
		e.Add = advise(unitChoices...)
	case len(units) == 1:
		e.Code, e.Add = "kind", advise(kindChoices...)
	default:
		e.Code, e.Add = "kind", advise(kindChoices...)+"; and "+advise(unitChoices...)
	}
	return e
}

// setStamp decides which column of time stamps the durations are checked against.
func (s *sketch) setStamp(l *Layout, index int, spec Spec) error {
	l.Stamp, l.StampUnit = 0, ""
	if l.Kind == Timestamp || spec.Stamp == none {
		return nil
	}
	if spec.Stamp != "" {
		i, err := s.find("stamp", spec.Stamp)
		if err != nil {
			return err
		}
		l.Stamp, l.StampUnit = i+1, spec.StampUnit
		if l.StampUnit == "" {
			l.StampUnit = s.stampUnit(i, index, l.Unit)
		}
		if l.StampUnit == "" {
			return &Ambiguous{
				Code: "unit", Columns: []string{l.label(i)}, Why: "nothing says the unit of the time stamps in column " + l.label(i),
				Add: advise(choice{"stamp_unit", "s"}, choice{"stamp_unit", "ms"}, choice{"stamp_unit", "us"}, choice{"stamp_unit", "ns"}),
			}
		}
		return nil
	}
	for i := range s.cols {
		if i == index || !s.isStamp(i, l.Decimal) {
			continue
		}
		u := spec.StampUnit
		if u == "" {
			u = s.stampUnit(i, index, l.Unit)
		}
		if u != "" {
			l.Stamp, l.StampUnit = i+1, u
			return nil
		}
	}
	return nil
}

// isStamp reports whether a column holds time stamps by its name and its sample.
func (s *sketch) isStamp(i int, decimal string) bool {
	c := &s.cols[i]
	if c.class != nameStamp && c.class != nameTime || !c.numeric() || !c.rising() || c.missing > 0 {
		return false
	}
	return decimal == "." && c.commas == 0 || decimal == "," && c.dots == 0
}

// stampUnit is the unit a stamp column states, or the one in which the sample's
// stamps span what its durations add up to, within a factor of 30; "" when there
// is none.
func (s *sketch) stampUnit(stamp, index int, unit Unit) Unit {
	c, d := &s.cols[stamp], &s.cols[index]
	if c.stated() != "" || len(c.values) < 2 || len(c.values) != len(d.values) {
		return c.stated()
	}
	var sum uint64
	for i := range d.values {
		if v, _, ok := d.values[i].scaled(unit.exponent()); ok && v > 0 && sum < 1<<63 {
			sum += uint64(v)
		}
	}
	for _, u := range allUnits {
		a, _, okA := c.values[0].scaled(u.exponent())
		b, _, okB := c.values[len(c.values)-1].scaled(u.exponent())
		if !okA || !okB || b <= a {
			continue
		}
		if span := uint64(b) - uint64(a); span/30 <= sum && sum/30 <= span {
			return u
		}
	}
	return ""
}

// span says nanoseconds for a person: "99.6 s", "27.7 h".
func span(ns int64) string {
	steps := []struct {
		ns   float64
		unit string
	}{{86400e9, "days"}, {3600e9, "h"}, {1e9, "s"}, {1e6, "ms"}, {1e3, "us"}, {1, "ns"}}
	for _, s := range steps {
		if v := float64(ns) / s.ns; v >= 1 {
			out := strconv.FormatFloat(v, 'f', 3, 64)
			if v >= 10 {
				out = strconv.FormatFloat(v, 'f', 1, 64)
			}
			return strings.TrimSuffix(strings.TrimRight(out, "0"), ".") + " " + s.unit
		}
	}
	return strconv.FormatInt(ns, 10) + " ns"
}
