package screen

import (
	"bytes"
	"io"
	"strings"
)

// Table is rows of aligned cells. Columns that hold numbers only, with or
// without a unit behind a space, stand right. On a terminal the last column
// wraps; nothing is ever left out.
type Table struct {
	Indent int // columns before each line
	head   []string
	rows   [][]string // a row of one cell under tail is a Tail
	tails  map[int][]string
}

// NewTable makes a table with a line of column names, or without one.
func NewTable(head ...string) *Table { return &Table{head: head, tails: map[int][]string{}} }

// Row adds a row. What the cells hold is cleaned.
func (t *Table) Row(cells ...string) {
	row := make([]string, len(cells))
	for i, c := range cells {
		row[i] = Clean(c)
	}
	t.rows = append(t.rows, row)
}

// Tail puts a line of text below the row added last, under its second column.
func (t *Table) Tail(text string) {
	if text = Clean(text); text != "" && len(t.rows) > 0 {
		n := len(t.rows) - 1
		if t.tails == nil {
			t.tails = map[int][]string{}
		}
		t.tails[n] = append(t.tails[n], text)
	}
}

// Len is the number of rows.
func (t *Table) Len() int { return len(t.rows) }

const gap = 2 // columns between columns

// Write prints the table.
func (t *Table) Write(w io.Writer) error {
	var b bytes.Buffer
	widths, right := t.measure()
	total, tint := Width(w), coloured(w)
	if len(t.head) > 0 {
		t.line(&b, t.head, widths, right, total, false)
	}
	for i, r := range t.rows {
		t.line(&b, r, widths, right, total, tint)
		for _, s := range t.tails[i] {
			indent := t.Indent
			if len(widths) > 1 {
				indent += widths[0] + gap
			}
			paragraph(&b, s, indent, total)
		}
	}
	_, err := w.Write(b.Bytes())
	return err
}

func (t *Table) measure() (widths []int, right []bool) {
	grow := func(cells []string) {
		for len(widths) < len(cells) {
			widths, right = append(widths, 0), append(right, true)
		}
		for i, c := range cells {
			widths[i] = max(widths[i], columns(c))
		}
	}
	grow(t.head)
	any := make([]bool, 64)
	for _, r := range t.rows {
		grow(r)
		for i, c := range r {
			if c != "" && c != none {
				right[i] = right[i] && numeric(c)
				if i < len(any) {
					any[i] = true
				}
			}
		}
	}
	for i := range right {
		right[i] = right[i] && i < len(any) && any[i]
	}
	return widths, right
}

// none stands in a cell that has nothing to say.
const none = "-"

// numeric says whether a cell is a number, perhaps with a unit behind a space.
func numeric(s string) bool {
	s, _, _ = strings.Cut(s, " ")
	s = strings.TrimLeft(s, "+-")
	return s != "" && strings.Trim(s, "0123456789.") == "" && strings.Count(s, ".") <= 1 && s != "."
}

func (t *Table) line(b *bytes.Buffer, cells []string, widths []int, right []bool, total int, tint bool) {
	at := t.Indent
	var line strings.Builder
	line.WriteString(strings.Repeat(" ", t.Indent))
	for i, c := range cells {
		last := i == len(cells)-1
		var more []string
		if last && total > 0 && !right[i] {
			if room := total - at; room >= 16 {
				lines := wrap(c, room)
				c, more = lines[0], lines[1:]
			}
		}
		pad := strings.Repeat(" ", max(0, widths[i]-columns(c)))
		if right[i] {
			line.WriteString(pad)
		}
		line.WriteString(tinted(c, tint))
		if !right[i] && !last {
			line.WriteString(pad)
		}
		if !last {
			line.WriteString("  ")
		}
		for _, m := range more {
			line.WriteString("\n" + strings.Repeat(" ", at) + m)
		}
		at += widths[i] + gap
	}
	b.WriteString(strings.TrimRight(line.String(), " "))
	b.WriteByte('\n')
}

func tinted(s string, tint bool) string {
	if code, ok := tints[s]; ok && tint {
		return code + s + untint
	}
	return s
}

// paragraph writes text from a column on, wrapped when total is above zero.
func paragraph(b *bytes.Buffer, s string, indent, total int) {
	width := 0
	if total > 0 {
		width = max(16, total-indent)
	}
	for _, l := range wrap(s, width) {
		b.WriteString(strings.Repeat(" ", indent) + l + "\n")
	}
}
