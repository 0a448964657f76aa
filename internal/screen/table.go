package screen

import (
	"bytes"
	"io"
	"strings"
)

// Table is rows of aligned cells. Columns that hold numbers only, with or
// without a unit behind a space, stand right. On a terminal the last column
// wraps, or goes below its row where there is no room beside it. A text much
// longer than the rest of its column sticks out of it, so that one kernel command
// line does not tear all rows apart; nothing is ever left out.
type Table struct {
	Indent int // columns before each line
	head   []string
	rows   []tableRow
}

type tableRow struct {
	cells []string
	tails []string // lines of text below it
}

// NewTable makes a table with a line of column names, or without one.
func NewTable(head ...string) *Table { return &Table{head: head} }

// Row adds a row. What the cells hold is cleaned.
func (t *Table) Row(cells ...string) {
	r := tableRow{}
	for _, c := range cells {
		r.cells = append(r.cells, Clean(c))
	}
	t.rows = append(t.rows, r)
}

// Tail puts a line of text below the row added last, under its second column.
func (t *Table) Tail(text string) {
	if text = Clean(text); text != "" && len(t.rows) > 0 {
		r := &t.rows[len(t.rows)-1]
		r.tails = append(r.tails, text)
	}
}

// Len is the number of rows.
func (t *Table) Len() int { return len(t.rows) }

const (
	between  = 2  // columns between two columns of a table
	leastRow = 28 // columns that wrapped text needs to be readable
	widest   = 56 // of a column that others follow; longer cells stick out
)

// Write prints the table.
func (t *Table) Write(w io.Writer) error {
	var b bytes.Buffer
	p := t.plan(Width(w), coloured(w))
	if len(t.head) > 0 {
		p.line(&b, t.head, false)
	}
	for _, r := range t.rows {
		p.line(&b, r.cells, true)
		for _, s := range r.tails {
			p.below(&b, s)
		}
	}
	_, err := w.Write(b.Bytes())
	return err
}

// plan is how a table is laid out.
type plan struct {
	indent int
	cols   []column
	total  int // columns of the terminal, 0 for none
	tint   bool
	fold   bool // the last column goes below the row
	under  int  // where it begins there
}

type column struct {
	width int  // of its cells, up to widest
	whole int  // of its longest cell
	right bool // numbers only
	any   bool // at least one
}

func (t *Table) plan(total int, tint bool) plan {
	p := plan{indent: t.Indent, total: total, tint: tint}
	p.grow(t.head)
	for _, r := range t.rows {
		p.grow(r.cells)
		for i, c := range r.cells {
			if n := numeric(c); n || !wordForNumber(c) {
				p.cols[i].right, p.cols[i].any = n && (p.cols[i].right || !p.cols[i].any), true
			}
		}
	}
	if n := len(p.cols) - 1; n > 0 && total > 0 && !p.cols[n].right {
		at := p.at(n)
		p.fold = at+p.cols[n].whole > total && total-at < leastRow
		p.under = p.at(1)
		if t.longestWord(n) > total-p.under { // a path, which would be cut
			p.under = p.indent + 2*between
		}
	}
	return p
}

// longestWord counts the columns of the longest word in column n.
func (t *Table) longestWord(n int) (most int) {
	for _, r := range t.rows {
		if n < len(r.cells) {
			for w := range strings.FieldsSeq(r.cells[n]) {
				most = max(most, columns(w))
			}
		}
	}
	return most
}

func (p *plan) grow(cells []string) {
	for len(p.cols) < len(cells) {
		p.cols = append(p.cols, column{})
	}
	for i, c := range cells {
		n := columns(c)
		p.cols[i].whole = max(p.cols[i].whole, n)
		if n <= widest {
			p.cols[i].width = max(p.cols[i].width, n)
		}
	}
}

// at is where column i begins.
func (p *plan) at(i int) int {
	n := p.indent
	for _, c := range p.cols[:i] {
		n += c.width + between
	}
	return n
}

// none stands in a cell that has nothing to say.
const none = "-"

// wordForNumber says whether a cell may stand among numbers without being one.
func wordForNumber(s string) bool { return s == "" || s == none || s == "refused" }

// numeric says whether a cell is a number, perhaps with a unit behind a space.
func numeric(s string) bool {
	s, _, _ = strings.Cut(s, " ")
	s = strings.TrimLeft(s, "+-")
	return strings.Trim(s, "0123456789.") == "" && strings.Count(s, ".") <= 1 && strings.Trim(s, ".") != ""
}

func (p *plan) line(b *bytes.Buffer, cells []string, body bool) {
	last := len(p.cols) - 1
	var under []string
	var l strings.Builder
	l.WriteString(strings.Repeat(" ", p.indent))
	out := 0 // how far cells stick out
	for i, c := range cells {
		if i == last && p.total > 0 && !p.cols[i].right {
			switch at := p.at(i); {
			case p.fold && body:
				under, c = []string{c}, ""
			case p.fold: // its name has no place
				c = ""
			case out > 0:
				for _, m := range wrap(c, max(1, p.total-at)) {
					under = append(under, strings.Repeat(" ", at)+m)
				}
				c = ""
			default:
				lines := wrap(c, max(1, p.total-at))
				for _, m := range lines[1:] {
					under = append(under, strings.Repeat(" ", at)+m)
				}
				c = lines[0]
			}
		}
		l.WriteString(p.cell(i, c, body))
		out += max(0, columns(c)-p.cols[i].width)
	}
	b.WriteString(strings.TrimRight(l.String(), " ") + "\n")
	for _, u := range under {
		if p.fold {
			p.from(p.under, b, u)
		} else {
			b.WriteString(u + "\n")
		}
	}
}

// cell pads a cell to its column and puts the space to the next behind it.
func (p *plan) cell(i int, c string, body bool) string {
	pad := strings.Repeat(" ", max(0, p.cols[i].width-columns(c)))
	if code, ok := tints[c]; ok && p.tint && body {
		c = code + c + untint
	}
	if p.cols[i].right {
		c = pad + c
	} else {
		c += pad
	}
	if i < len(p.cols)-1 {
		c += strings.Repeat(" ", between)
	}
	return c
}

// below writes text under the second column.
func (p *plan) below(b *bytes.Buffer, s string) {
	at := p.indent
	if len(p.cols) > 1 {
		at = p.at(1)
	}
	p.from(at, b, s)
}

// from writes text that begins at a column, or further left where it has no room.
func (p *plan) from(at int, b *bytes.Buffer, s string) {
	if s == "" {
		return
	}
	width := 0
	if p.total > 0 {
		if p.total-at < leastRow { // a wide first column
			at = min(at, p.indent+between)
		}
		width = max(1, p.total-at)
	}
	for _, l := range wrap(s, width) {
		b.WriteString(strings.Repeat(" ", at) + l + "\n")
	}
}
