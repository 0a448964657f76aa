package timing

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
	// "unit_contradicts_name", "kind_contradicts_name", "mixed_magnitudes",
	// "dropped_rows", "stall", "chosen_by_run".
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
func Parse(data []byte, spec Spec) (*Log, error) { return ParseRun(data, spec, 0) }

// ParseRun is Parse for a log written in a run that took at most so many
// nanoseconds, 0 when that is not known. A reading whose times add up to more is
// not possible where another's do not: 300 rows of 16.7 are no seconds in a run
// of six. A log that came about so is marked "chosen_by_run".
func ParseRun(data []byte, spec Spec, took int64) (*Log, error) {
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
	return s.settle(index, kinds, units, spec, took)
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
