package figure

import (
	"strings"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Form is the width that a figure is drawn for, in points. Letters have one size,
// so a figure for a narrow column is laid out anew and not shrunk.
type Form struct {
	Width  vg.Length
	beside bool // there is room for labels beside the data
}

// The two forms: a page's full width, and a telephone or one of two columns.
var (
	Wide   = Form{680, true}
	Narrow = Form{340, false}
)

func (f Form) String() string {
	if f.beside {
		return "wide"
	}
	return "narrow"
}

// pick chooses by form.
func pick[T any](f Form, wide, narrow T) T {
	if f.beside {
		return wide
	}
	return narrow
}

// block is a part of a figure; blocks stand above each other and share their
// gutters, so that what is above each other is at the same place.
type block interface {
	gutters(f Form) (left, right vg.Length) // what it wants
	height(f Form, inner vg.Length) vg.Length
	draw(c draw.Canvas, f Form, left, right vg.Length)
}

// sheet is a figure laid out for one form.
type sheet struct {
	form   Form
	blocks []block
}

func (s sheet) gutters() (left, right vg.Length) {
	for _, b := range s.blocks {
		l, r := b.gutters(s.form)
		left, right = max(left, l), max(right, r)
	}
	return left, right
}

func (s sheet) height() vg.Length {
	left, right := s.gutters()
	var h vg.Length
	for _, b := range s.blocks {
		h += b.height(s.form, s.form.Width-left-right)
	}
	return h
}

// draw fills c, which is as wide as the form, from its upper edge.
func (s sheet) draw(c draw.Canvas) {
	left, right := s.gutters()
	y := c.Max.Y
	for _, b := range s.blocks {
		part := c
		part.Max.Y = y
		y -= b.height(s.form, s.form.Width-left-right)
		part.Min.Y = y
		b.draw(part, s.form, left, right)
	}
}

// put writes one line.
func put(c *draw.Canvas, s text.Style, x, y vg.Length, line string) {
	if line != "" {
		c.FillText(s, vg.Point{X: x, Y: y}, line)
	}
}

// fit shortens a line to a width, with dots where something is gone.
func fit(s text.Style, line string, width vg.Length) string {
	if s.Width(line) <= width {
		return line
	}
	runes := []rune(line)
	low, high := 0, len(runes)
	for low < high {
		mid := (low + high + 1) / 2
		if s.Width(string(runes[:mid])+"…") <= width {
			low = mid
		} else {
			high = mid - 1
		}
	}
	return strings.TrimRight(string(runes[:low]), " ") + "…"
}

// broken breaks a text at spaces into lines of at most a width; a longer word is
// shortened.
func broken(s text.Style, txt string, width vg.Length) []string {
	var lines []string
	line := ""
	for _, w := range strings.Fields(txt) {
		switch {
		case line == "":
			line = w
		case s.Width(line+" "+w) <= width:
			line += " " + w
		default:
			lines = append(lines, fit(s, line, width))
			line = w
		}
	}
	if line != "" {
		lines = append(lines, fit(s, line, width))
	}
	return lines
}

// note is a block of text over the whole width.
type note struct {
	style text.Style
	text  string
	above vg.Length
}

func (n note) gutters(Form) (left, right vg.Length) { return 0, 0 }

func (n note) leading() vg.Length { return n.style.Font.Size * 1.35 }

func (n note) height(f Form, _ vg.Length) vg.Length {
	return n.above + n.leading()*vg.Length(len(broken(n.style, n.text, f.Width)))
}

func (n note) draw(c draw.Canvas, f Form, _, _ vg.Length) {
	y := c.Max.Y - n.above
	for _, line := range broken(n.style, n.text, f.Width) {
		put(&c, n.style, c.Min.X, y, line)
		y -= n.leading()
	}
}
