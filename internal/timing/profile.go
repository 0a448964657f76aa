package timing

import "strings"

// A reading is worked out from this many rows, and bytes of rows, at the most.
const (
	sampleRows  = 512
	sampleBytes = 256 << 10
)

// sampleLine is one row, not yet split.
type sampleLine struct {
	text []byte
	line int
}

// sample gives the first rows of a log. A last row without a line ending is left
// out when there are others, as it may be cut.
func (t *text) sample() ([]sampleLine, error) {
	var out []sampleLine
	size := 0
	r := t.rows()
	for len(out) <= sampleRows && size <= sampleBytes {
		row, ok := r.next()
		if !ok || r.unended && len(out) > 1 {
			break
		}
		out = append(out, sampleLine{row, r.line})
		size += len(row)
	}
	return out, r.err()
}

// column is one column of the sample and what can be said of it.
type column struct {
	meaning
	cells, numbers  int
	dots, commas    int // numbers that only a point, or only a comma, can read
	zeros           int // whole numbers written with a leading zero
	missing         int // empty, NaN, "-" and the like
	damaged         int // other text that starts as a number does
	first           string
	suffix          Unit // the unit written in the first cell that has one
	values          []number
	wholes          int
	positive, rises int
	plusOne         int
	firstPositive   bool
}

var missingWords = map[string]bool{}

func init() {
	for _, w := range strings.Fields("- -- nan -nan +nan inf -inf +inf infinity -infinity n/a na #n/a null none nil 1.#inf 1.#ind 1.#qnan ?") {
		missingWords[w] = true
	}
}

func isMissing(cell []byte) bool {
	return len(cell) == 0 || len(cell) < 12 && missingWords[strings.ToLower(string(cell))]
}

// readCell reads a number and the unit that may follow it; dec 0 tries both marks.
func readCell(cell []byte, dec byte) (n number, u Unit, mark byte, ok bool) {
	if dec != 0 {
		n, rest, ok := scanNumber(cell, dec)
		if !ok {
			return n, "", dec, false
		}
		if len(rest) == 0 {
			return n, "", dec, true
		}
		u, ok = cellUnit(rest)
		return n, u, dec, ok
	}
	if n, u, _, ok = readCell(cell, '.'); ok {
		return n, u, '.', true
	}
	return readCell(cell, ',')
}

// cellUnit reads what follows a number in its cell as a unit.
func cellUnit(rest []byte) (Unit, bool) {
	rest = trim(rest)
	if len(rest) > 12 {
		return "", false
	}
	u, ok := unitWords[string(rest)] // no copy is made for this
	if !ok {
		u, ok = unitWords[strings.ToLower(string(rest))]
	}
	return u, ok
}

// add takes the next cell into account.
func (c *column) add(cell []byte) {
	c.cells++
	if isMissing(cell) {
		c.missing++
		return
	}
	if c.first == "" {
		c.first = quoted(cell)
	}
	n, u, mark, ok := readCell(cell, 0)
	if !ok {
		if startsAsNumber(cell) {
			c.damaged++
		}
		return
	}
	c.numbers++
	if u != "" && c.suffix == "" {
		c.suffix = u
	}
	switch {
	case n.whole:
		c.wholes++
		if len(cell) > 1 && cell[0] == '0' {
			c.zeros++
		}
	case mark == ',':
		c.commas++
	case strings.IndexByte(string(cell), '.') >= 0:
		c.dots++
	}
	c.values = append(c.values, n)
}

func startsAsNumber(cell []byte) bool {
	return strings.IndexByte("0123456789+-.,", cell[0]) >= 0
}

// finish counts what needs the values side by side, at the finest unit in which
// all of them fit.
func (c *column) finish() {
	for _, unit := range []Unit{Seconds, Milliseconds, Microseconds, Nanoseconds} {
		if c.compare(unit.exponent()) {
			return
		}
	}
}

func (c *column) compare(exponent int) bool {
	c.positive, c.rises, c.plusOne = 0, 0, 0
	one := pow10[exponent]
	var before int64
	for i := range c.values {
		v, _, ok := c.values[i].scaled(exponent)
		if !ok {
			return false
		}
		if v > 0 {
			c.positive++
		}
		if i == 0 {
			c.firstPositive = v > 0
		} else if v > before {
			c.rises++
			if uint64(v)-uint64(before) == one {
				c.plusOne++
			}
		}
		before = v
	}
	return true
}

// spoilt reports whether the column is a time by its name and most of its cells
// are damaged or missing numbers: it is meant, and the reader is to refuse it.
func (c *column) spoilt() bool {
	named := c.class == nameDuration || c.class == nameless && c.meaning.unit != ""
	return named && !c.numeric() && 2*(c.numbers+c.damaged+c.missing) > c.cells
}

func (c *column) steps() int { return max(len(c.values)-1, 0) }

// numeric reports whether most cells are numbers: a few that are not are for the
// reader to refuse, with their lines.
func (c *column) numeric() bool { return c.numbers > 0 && 2*c.numbers > c.cells-c.missing }

// rising reports whether nine steps in ten go up, as time stamps do.
func (c *column) rising() bool { return c.steps() > 0 && 10*c.rises >= 9*c.steps() }

func (c *column) mostlyPositive() bool { return 2*c.positive > c.numbers }

// counts reports whether the column numbers the rows: 0, 1, 2, ...
func (c *column) counts() bool {
	return c.steps() > 1 && c.suffix == "" && c.wholes == c.numbers && 10*c.plusOne >= 9*c.steps()
}

// unit is the unit that the cells or, failing them, the name state.
func (c *column) stated() Unit {
	if c.suffix != "" {
		return c.suffix
	}
	return c.meaning.unit
}

// profiles takes the columns of rows apart. Rows of another width still count
// for the columns they have.
func profiles(lines []sampleLine, sep byte, width int) []column {
	cols := make([]column, width)
	var fields [][]byte
	for _, l := range lines {
		var ok bool
		if fields, ok = split(fields[:0], l.text, sep); !ok {
			continue
		}
		for i := range min(len(fields), width) {
			cols[i].add(fields[i])
		}
	}
	for i := range cols {
		cols[i].finish()
	}
	return cols
}
