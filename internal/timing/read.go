package timing

import (
	"bytes"
	"fmt"
	"math"
)

// A log below either is refused: design choices, no source.
const (
	leastDurations = 2
	leastElapsed   = int64(1e9) // nanoseconds
)

const openQuote = "has a quote that is not closed, or text after one that is"

// reader reads the rows of a log under one layout.
type reader struct {
	rows   *rows
	layout Layout
	sep    byte
	dec    byte
	quotes bool // a quote stands somewhere in the log
	fields [][]byte

	log     *Log
	sum     int64
	rounded Mark
	times   cells // the column that is read
	stamps  cells // the time stamps beside it
	before  int64 // the stamp before, when stamps are what is read
}

// cells is one column while it is read.
type cells struct {
	index    int // from 0, -1 for none
	exponent int
	unit     Unit
	started  bool
	suffix   Unit // the unit in the first cell, "" when it has none
	finest   int  // power of ten of the finest digit seen, in nanoseconds
}

// read reads every row. It decides nothing: the same text and layout give the
// same log. The durations are written into the room given, which [text.room] makes.
func read(t *text, l Layout, room []int64) (*Log, error) {
	r := &reader{
		rows: t.rows(), layout: l, sep: l.sepByte(), dec: l.Decimal[0],
		quotes:  bytes.IndexByte(t.data, '"') >= 0,
		log:     &Log{Layout: l, Durations: room[:0]},
		rounded: Mark{Code: "rounded"},
		times:   cells{index: l.Column - 1, exponent: l.Unit.exponent(), unit: l.Unit},
		stamps:  cells{index: l.Stamp - 1, exponent: l.StampUnit.exponent(), unit: l.StampUnit},
	}
	if l.Header == yes {
		r.rows.next()
		r.rows.started = false
	}
	for {
		row, ok := r.rows.next()
		if !ok {
			break
		}
		if err := r.row(row); err != nil {
			return nil, err
		}
	}
	if err := r.rows.err(); err != nil {
		return nil, err
	}
	if err := r.check(); err != nil {
		return nil, err
	}
	r.mark(t)
	return r.log, nil
}

// row takes one row in.
func (r *reader) row(line []byte) error {
	times, stamp, err := r.pick(line)
	if err != nil {
		return err
	}
	v, exact, err := r.value(&r.times, times)
	if err != nil {
		return err
	}
	if !exact {
		r.noteRounded()
	}
	if r.stamps.index >= 0 {
		if err := r.takeStamp(stamp); err != nil {
			return err
		}
	}
	r.log.Rows++
	if r.layout.Kind == Duration {
		if v <= 0 {
			return r.notPositive(times, v == 0 && !exact)
		}
		return r.append(v, times)
	}
	return r.step(v, exact, times)
}

// step takes a time stamp in: all but the first end a frame.
func (r *reader) step(v int64, exact bool, cell []byte) error {
	before := r.before
	r.before = v
	if r.log.Rows == 1 {
		first := v
		r.log.FirstStamp = &first
		return nil
	}
	switch t := v - before; {
	case v < before:
		return r.refuse(&r.times, "backwards", cell, "is before the time stamp of the row above")
	case v == before:
		e := r.refuse(&r.times, "not_positive", cell, "is the time stamp of the row above again: a frame of no length")
		e.scale = !exact
		return e
	case t < 0:
		return r.outOfRange(cell)
	default:
		return r.append(t, cell)
	}
}

func (r *reader) append(t int64, cell []byte) error {
	if r.sum > math.MaxInt64-t {
		e := r.outOfRange(cell)
		e.Text, e.Why = "", "the durations up to here add up past 292 years, the end of integer nanoseconds"
		return e
	}
	r.sum += t
	r.log.Durations = append(r.log.Durations, t)
	return nil
}

// takeStamp takes a time stamp that stands beside a duration. Stamps may repeat:
// their clock may be coarser than the frames.
func (r *reader) takeStamp(cell []byte) error {
	v, exact, err := r.value(&r.stamps, cell)
	if err != nil {
		return err
	}
	if !exact {
		r.noteRounded()
	}
	if r.log.FirstStamp == nil {
		first, last := v, v
		r.log.FirstStamp, r.log.LastStamp = &first, &last
	}
	if v < *r.log.LastStamp {
		return r.refuse(&r.stamps, "backwards", cell, "is before the time stamp of the row above")
	}
	*r.log.LastStamp = v
	return nil
}

func (r *reader) noteRounded() {
	if r.rounded.Count++; r.rounded.Count == 1 {
		r.rounded.Line = r.rows.line
	}
}

// pick finds the cells that are read and holds the row against the width.
func (r *reader) pick(line []byte) (times, stamp []byte, err error) {
	if r.sep == 0 && !r.quotes {
		return trim(line), nil, nil
	}
	if r.sep == ' ' || r.quotes {
		return r.pickSlow(line)
	}
	n, start := 0, 0
	for i, c := range line {
		if c != r.sep {
			continue
		}
		switch n {
		case r.times.index:
			times = line[start:i]
		case r.stamps.index:
			stamp = line[start:i]
		}
		n++
		start = i + 1
	}
	switch n {
	case r.times.index:
		times = line[start:]
	case r.stamps.index:
		stamp = line[start:]
	}
	if n+1 != r.layout.Fields {
		return r.pickSlow(line)
	}
	return trim(times), trim(stamp), nil
}

// pickSlow is pick for rows with quotes or blanks, or not of the right width.
func (r *reader) pickSlow(line []byte) (times, stamp []byte, err error) {
	var ok bool
	r.fields, ok = split(r.fields[:0], line, r.sep)
	got, want := len(r.fields), r.layout.Fields
	for got > want && len(r.fields[got-1]) == 0 {
		got--
	}
	switch {
	case !ok && r.rows.unended:
		return nil, nil, r.lineRefused("truncated", line, "ends inside a quoted field, without a line ending")
	case !ok:
		return nil, nil, r.lineRefused("quote", line, openQuote)
	case got < want && r.rows.unended:
		return nil, nil, r.lineRefused("truncated", line, fmt.Sprintf("is the last row: it has %s of %d and no line ending", counted(got, "field"), want))
	case got != want:
		return nil, nil, r.lineRefused("ragged", line, fmt.Sprintf("has %s, not %d", counted(got, "field"), want))
	}
	if r.stamps.index >= 0 {
		stamp = r.fields[r.stamps.index]
	}
	return r.fields[r.times.index], stamp, nil
}

// value reads a cell as nanoseconds.
func (r *reader) value(c *cells, cell []byte) (v int64, exact bool, err error) {
	n, rest, ok := scanNumber(cell, r.dec)
	var suffix Unit
	if ok && len(rest) > 0 {
		suffix, ok = cellUnit(rest)
	}
	cut := r.rows.unended && c.index == r.layout.Fields-1
	if ok && cut && cell[len(cell)-1] == r.dec {
		ok = false
	}
	if !ok {
		return 0, false, r.notNumber(c, cell, cut)
	}
	if suffix != c.unit || c.suffix != c.unit {
		if err := r.checkSuffix(c, suffix, cell, cut); err != nil {
			return 0, false, err
		}
	}
	if e := int(n.exp) + c.exponent; !c.started || e < c.finest {
		c.finest = e
	}
	c.started = true
	if v, exact, ok = n.scaled(c.exponent); !ok {
		e := r.refuse(c, "out_of_range", cell, "is past the end of integer nanoseconds, 292 years, in "+string(c.unit))
		e.scale = c == &r.times
		return 0, false, e
	}
	return v, exact, nil
}

// checkSuffix holds the unit written in a cell, "" for none, against the layout's
// and against the first cell's.
func (r *reader) checkSuffix(c *cells, suffix Unit, cell []byte, cut bool) error {
	switch {
	case !c.started:
		c.suffix = suffix
		if suffix == "" || suffix == c.unit {
			return nil
		}
		key := "unit"
		if c == &r.stamps {
			key = "stamp_unit"
		}
		return &Ambiguous{
			Code: "unit_in_cells", Columns: []string{r.layout.label(c.index)},
			Why: fmt.Sprintf("column %s is in %s by its cells, such as %s, not in %s", r.layout.label(c.index), suffix, quoted(cell), c.unit),
			Add: "leave the unit out, or " + advise(choice{key, string(suffix)}),
		}
	case suffix == c.suffix:
		return nil
	case suffix == "" && cut:
		return r.refuse(c, "truncated", cell, "is the last cell: it lacks the unit of the others, and a line ending")
	case suffix == "":
		return r.refuse(c, "mixed_units", cell, "has no unit, the first row has "+string(c.suffix))
	case c.suffix == "":
		return r.refuse(c, "mixed_units", cell, "has a unit, the first row has none")
	}
	return r.refuse(c, "mixed_units", cell, "is in "+string(suffix)+", the first row is in "+string(c.suffix))
}

// check is what can only be said at the end.
func (r *reader) check() error {
	n := len(r.log.Durations)
	switch {
	case n < leastDurations && r.layout.Kind == Timestamp:
		return &Refused{Code: "too_few", Why: fmt.Sprintf("the log holds %s, which give %s; two durations are the least", counted(r.log.Rows, "time stamp"), counted(n, "duration"))}
	case n < leastDurations:
		return &Refused{Code: "too_few", Why: fmt.Sprintf("the log holds %s; two are the least", counted(n, "duration"))}
	case r.sum < leastElapsed:
		return &Refused{
			Code: "too_short", scale: true,
			Why: fmt.Sprintf("%s add up to %s, read as %s; one second is the least", counted(n, "duration"), span(r.sum), r.layout.Unit),
		}
	}
	if r.layout.Kind == Timestamp {
		last := r.before
		r.log.LastStamp = &last
	}
	return nil
}

func (r *reader) refuse(c *cells, code string, cell []byte, why string) *Refused {
	e := &Refused{Code: code, Line: r.rows.line, Column: c.index + 1, Text: quoted(cell), Why: why}
	if c.index < len(r.layout.Names) {
		e.Name = r.layout.Names[c.index]
	}
	if c == &r.stamps {
		e.Next = "to leave the time stamps beside the durations unread, " + advise(choice{"stamp", none})
	}
	return e
}

func (r *reader) lineRefused(code string, line []byte, why string) *Refused {
	return &Refused{Code: code, Line: r.rows.line, Text: quoted(line), Why: why}
}

func (r *reader) notNumber(c *cells, cell []byte, cut bool) *Refused {
	switch {
	case cut && (len(cell) == 0 || !isMissing(cell)):
		return r.refuse(c, "truncated", cell, "is the last cell: it is no number and has no line ending")
	case len(cell) == 0:
		e := r.refuse(c, "not_a_number", cell, "the cell is empty")
		e.Text = ""
		return e
	}
	return r.refuse(c, "not_a_number", cell, "is not a number")
}

func (r *reader) notPositive(cell []byte, rounded bool) *Refused {
	why := "is not above zero"
	if rounded {
		why = "is nothing to the nanosecond, in " + string(r.layout.Unit)
	}
	e := r.refuse(&r.times, "not_positive", cell, why)
	e.scale = rounded
	return e
}

func (r *reader) outOfRange(cell []byte) *Refused {
	e := r.refuse(&r.times, "out_of_range", cell, "is more than 292 years after the row above, in "+string(r.layout.Unit))
	e.scale = true
	return e
}
