package timing

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

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

// try is one complete reading and what came of it. Of its log the durations are
// those of the last try, since all are read into the same room.
type try struct {
	layout Layout
	log    *Log
	sum    int64 // of the durations
	err    error
}

// settle reads the log in every way that is left and takes the only one that is
// possible. A refusal that no other unit could mend does not rule a reading out:
// damage in the data must not make the choice.
func (s *sketch) settle(index int, kinds []Kind, units []Unit, spec Spec, took int64) (*Log, error) {
	var possible []try
	var first error
	good, last := 0, (*Log)(nil)
	room := s.t.room()
	for _, k := range kinds {
		for _, u := range units {
			t := try{layout: s.layout}
			t.layout.Kind, t.layout.Unit = k, u
			if err := s.setStamp(&t.layout, index, spec); err != nil {
				return nil, err
			}
			t.log, t.err = read(s.t, t.layout, room)
			last = t.log
			if t.err == nil {
				good++
				t.sum = t.log.Elapsed()
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
	case len(possible) > 1:
		fit := within(possible, took)
		if len(fit) > 1 {
			return nil, s.whichReading(index, possible)
		}
		fit[0].log.Marks = append(fit[0].log.Marks, Mark{
			Code: "chosen_by_run",
			Text: fmt.Sprintf("read as %ss in %s, since %s would be longer than the run", fit[0].layout.Kind, fit[0].layout.Unit, span(shortestBut(possible, fit[0]))),
		})
		possible = fit
	}
	only := possible[0]
	if only.log != last { // in whose place the durations of another try are
		_, err := read(s.t, only.layout, only.log.Durations)
		return only.log, err
	}
	return only.log, nil
}

// within leaves out readings that would have taken longer than the run did, when
// one is left: where none is, the run's length says nothing of the log.
func within(all []try, took int64) (fit []try) {
	left := false
	for _, t := range all {
		if t.log != nil && t.sum > took {
			continue
		}
		left = left || t.log != nil
		fit = append(fit, t)
	}
	if took <= 0 || !left {
		return all
	}
	return fit
}

// shortestBut gives the least total of the other readings.
func shortestBut(all []try, one try) (least int64) {
	for _, t := range all {
		if t.log != nil && t.log != one.log && (least == 0 || t.sum < least) {
			least = t.sum
		}
	}
	return least
}

// whichReading lists what each possible reading would make of the log.
func (s *sketch) whichReading(index int, possible []try) error {
	var kinds, units []choice
	for _, p := range possible {
		kinds = addChoice(kinds, "kind", string(p.layout.Kind))
		units = addChoice(units, "unit", string(p.layout.Unit))
	}
	var ways []string
	for _, p := range possible {
		way := string(p.layout.Unit)
		if len(kinds) > 1 {
			way = string(p.layout.Kind) + "s in " + way
		}
		if p.log != nil {
			way += fmt.Sprintf(" (%s, %s in all)", counted(len(p.log.Durations), "frame"), span(p.sum))
		}
		ways = append(ways, way)
	}
	e := &Ambiguous{
		Code: "kind", Columns: []string{s.layout.label(index)},
		Why: fmt.Sprintf("column %s could be %s", s.layout.label(index), oneOf(ways)),
	}
	switch {
	case len(kinds) == 1:
		e.Code, e.Add = "unit", advise(units...)
	case len(units) == 1:
		e.Add = advise(kinds...)
	default:
		e.Add = advise(kinds...) + "; and " + advise(units...)
	}
	return e
}

// addChoice appends a choice that is not there yet.
func addChoice(cs []choice, key, value string) []choice {
	c := choice{key, value}
	if slices.Contains(cs, c) {
		return cs
	}
	return append(cs, c)
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
