package timing

import "fmt"

// A frame longer than either is a stall. Design choices, no source.
const (
	stallLength = int64(5e9) // nanoseconds
	stallShare  = 10         // of the run, as its tenth
)

// mark notes what is odd about a log that was read.
func (r *reader) mark(t *text) {
	add := func(m Mark) {
		if m.Text != "" {
			r.log.Marks = append(r.log.Marks, m)
		}
	}
	if r.rows.unended {
		add(Mark{
			Code: "no_final_newline", Line: r.rows.line,
			Text: "the last row has no line ending; if the log was cut there, its last number may lack digits",
		})
	}
	if r.rows.gaps > 0 {
		add(Mark{
			Code: "blank_lines", Line: r.rows.firstGap, Count: r.rows.gaps,
			Text: counted(r.rows.gaps, "blank line") + " between rows",
		})
	}
	if m := r.rounded; m.Count > 0 {
		m.Text = counted(m.Count, "number") + " with digits finer than the nanosecond, rounded half to even"
		add(m)
	}
	add(r.unitMark(r.times))
	add(r.unitMark(r.stamps))
	add(r.kindMark())
	add(r.magnitudeMark(t))
	add(r.droppedMark())
	add(r.stallMark(t))
}

// unitMark notes a unit that is not the one in the column's name.
func (r *reader) unitMark(c cells) Mark {
	if c.index < 0 || c.index >= len(r.layout.Names) {
		return Mark{}
	}
	u := readName(r.layout.Names[c.index]).unit
	if u == "" || u == c.unit {
		return Mark{}
	}
	return Mark{
		Code: "unit_contradicts_name",
		Text: fmt.Sprintf("column %s is read in %s, its name says %s", r.layout.label(c.index), c.unit, u),
	}
}

// kindMark notes a column that was read as what its name denies.
func (r *reader) kindMark() Mark {
	says := ""
	switch c := readName(r.layout.Name).class; {
	case c == nameRate:
		says = "a rate"
	case c == nameOther:
		says = "no time"
	case c == nameIndex:
		says = "a number of the row"
	case c == nameDuration && r.layout.Kind == Timestamp:
		says = "a duration"
	case c == nameStamp && r.layout.Kind == Duration:
		says = "a time stamp"
	default:
		return Mark{}
	}
	return Mark{
		Code: "kind_contradicts_name",
		Text: fmt.Sprintf("column %s is read as %ss, its name says %s", r.layout.label(r.times.index), r.layout.Kind, says),
	}
}

// droppedMark holds durations against the time stamps beside them.
// A stamp may be taken at the start of its frame (the stamps then span all frames
// but the last) or at the end (all but the first). The sum may differ from the
// nearer of the two by one mean frame and by one step of the stamps' last digit.
func (r *reader) droppedMark() Mark {
	if r.stamps.index < 0 {
		return Mark{}
	}
	ts := r.log.Durations
	n := int64(len(ts))
	first, last := *r.log.FirstStamp, *r.log.LastStamp
	stamped := last - first
	if stamped < 0 { // stamps further apart than an int64 holds
		stamped = 1<<63 - 1
	}
	atStart, atEnd := r.sum-ts[n-1]-stamped, r.sum-ts[0]-stamped
	off := atStart
	if abs(atEnd) < abs(atStart) {
		off = atEnd
	}
	frame := r.sum / n
	step := int64(1)
	if e := r.stamps.finest; e > 0 {
		step = int64(pow10[min(e, 18)])
	}
	if over := abs(off) - frame; over <= 0 || over <= step {
		return Mark{}
	}
	what := "rows are missing"
	if off > 0 {
		what = "rows are there twice, or their times overlap"
	}
	return Mark{
		Code: "dropped_rows",
		Text: fmt.Sprintf("the durations add up to %s and the time stamps in column %s span %s: %s", span(r.sum), r.layout.label(r.stamps.index), span(stamped), what),
	}
}

func abs(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}

// stallMark notes frames longer than 5 s or than a tenth of the run.
func (r *reader) stallMark(t *text) Mark {
	at, count, longest := -1, 0, int64(0)
	for i, d := range r.log.Durations {
		if d > stallLength || d > r.sum/stallShare {
			if count++; count == 1 {
				at = i
			}
			longest = max(longest, d)
		}
	}
	if count == 0 {
		return Mark{}
	}
	if r.layout.Kind == Timestamp {
		at++ // the frame ends at the row after
	}
	return Mark{
		Code: "stall", Line: t.lineOfRow(at, r.layout.Header == yes), Count: count,
		Text: fmt.Sprintf("%s longer than 5 s or a tenth of the run, the longest %s", counted(count, "frame"), span(longest)),
	}
}

// lineOfRow gives the line, from 1, of a row counted from 0.
func (t *text) lineOfRow(n int, header bool) int {
	r := t.rows()
	if header {
		n++
	}
	for ; n >= 0; n-- {
		if _, ok := r.next(); !ok {
			break
		}
	}
	return r.line
}
