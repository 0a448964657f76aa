package figure

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// rows is a block of named rows over one horizontal axis.
type rows struct {
	x      axis
	xLabel string
	each   []rowPart
	behind func(c *draw.Canvas, x func(float64) vg.Length) // over the height of all rows
}

// rowPart is one row: its name on the left, what is drawn, and in words on the
// right. Where there is no room beside, name and words stand above the row.
type rowPart struct {
	name, words string
	head        string // a line above the row, to tell groups of rows apart
	side        side
	mark        bool
	tall        vg.Length
	draw        func(c *draw.Canvas, x func(float64) vg.Length) // c is the row's room
}

const headRoom = 20

func (r rows) gutters(f Form) (left, right vg.Length) {
	tick := style(small, quiet, draw.XCenter, draw.YTop)
	for _, t := range r.x.ticks {
		left, right = max(left, tick.Width(t.Label)/2), max(right, tick.Width(t.Label)/2)
	}
	if !f.beside {
		return left, right
	}
	name, said := bold(style(small, words, draw.XLeft, draw.YCenter)), style(small, words, draw.XLeft, draw.YCenter)
	for _, p := range r.each {
		left = max(left, min(name.Width(p.name)+labelIndent+6, 210))
		right = max(right, min(said.Width(p.words)+10, 220))
	}
	return left, right
}

func (r rows) tall(f Form, p rowPart) vg.Length {
	h := p.tall
	if p.head != "" {
		h += headRoom
	}
	if !f.beside {
		h += 15 * r.saidRows(f, p)
	}
	return h
}

// saidRows is how many lines name and words take where they stand above.
func (r rows) saidRows(f Form, p rowPart) vg.Length {
	n := bold(style(small, words, draw.XLeft, draw.YCenter))
	if p.words == "" || n.Width(p.name+p.words)+labelIndent+14 <= f.Width {
		return 1
	}
	return 2
}

func (r rows) height(f Form, _ vg.Length) vg.Length {
	h := vg.Length(2*axisRoom + 8)
	for _, p := range r.each {
		h += r.tall(f, p)
	}
	return h
}

func (r rows) draw(c draw.Canvas, f Form, left, right vg.Length) {
	data := c
	data.Min.X, data.Max.X = c.Min.X+left, c.Max.X-right
	data.Min.Y = c.Min.Y + 2*axisRoom + 6
	x := func(v float64) vg.Length { return data.X(r.x.scale.Normalize(r.x.min, r.x.max, v)) }
	r.frame(&c, data, x)
	y := c.Max.Y
	for _, p := range r.each {
		room := data
		room.Max.Y, room.Min.Y = y, y-r.tall(f, p)
		y = room.Min.Y
		if p.head != "" {
			s := bold(style(normal, words, draw.XLeft, draw.YBottom))
			ground := vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: room.Max.Y - headRoom}, Max: room.Max}
			c.SetColor(paper)
			c.Fill(ground.Path())
			room.Max.Y -= headRoom
			put(&c, s, c.Min.X, room.Max.Y+3, fit(s, p.head, f.Width))
		}
		if f.beside {
			p.beside(&c, room)
		} else {
			n := r.saidRows(f, p)
			ground := vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: room.Max.Y - 15*n}, Max: vg.Point{X: c.Max.X, Y: room.Max.Y}}
			c.SetColor(paper)
			c.Fill(ground.Path())
			p.above(&c, f, room.Max.Y, n)
			room.Max.Y -= 15 * n
		}
		p.draw(&room, x)
	}
	r.edge(&data)
}

func (r rows) frame(c *draw.Canvas, data draw.Canvas, x func(float64) vg.Length) {
	if r.behind != nil {
		r.behind(&data, x)
	}
	s := style(small, quiet, draw.XCenter, draw.YTop)
	for _, t := range r.x.ticks {
		at := x(t.Value)
		data.StrokeLine2(plain(rule, 0.8), at, data.Min.Y, at, data.Max.Y)
		data.StrokeLine2(plain(axisInk, 0.8), at, data.Min.Y, at, data.Min.Y-4)
		put(c, s, at, data.Min.Y-6, t.Label)
	}
	s.XAlign = draw.XRight
	line := r.xLabel
	if r.x.warning != "" {
		line += " (" + r.x.warning + ")"
	}
	put(c, s, max(data.Max.X, c.Min.X+min(s.Width(line), c.Max.X-c.Min.X)), data.Min.Y-6-axisRoom+2, fit(s, line, c.Max.X-c.Min.X))
}

// edge draws where the axis begins: straight at zero, torn elsewhere.
func (r rows) edge(data *draw.Canvas) {
	if r.x.torn {
		tear(data, data.Min, vg.Point{X: data.Min.X, Y: data.Max.Y})
	} else {
		data.StrokeLine2(plain(axisInk, 1), data.Min.X, data.Min.Y, data.Min.X, data.Max.Y)
	}
	data.StrokeLine2(plain(axisInk, 0.8), data.Min.X, data.Min.Y, data.Max.X, data.Min.Y)
}

func (p rowPart) beside(c *draw.Canvas, room draw.Canvas) {
	y := room.Center().Y
	s := bold(style(small, p.side.ink, draw.XLeft, draw.YCenter))
	indent := vg.Length(0)
	if p.mark {
		p.side.mark.draw(c, vg.Point{X: c.Min.X + 6, Y: y}, 3, p.side.ink, true)
		indent = 16
	}
	put(c, s, c.Min.X+indent, y+lift, fit(s, p.name, room.Min.X-c.Min.X-indent-6))
	s = style(small, words, draw.XLeft, draw.YCenter)
	put(c, s, room.Max.X+8, y+lift, fit(s, p.words, c.Max.X-room.Max.X-8))
}

func (p rowPart) above(c *draw.Canvas, f Form, top, lines vg.Length) {
	y := top - 9
	s := bold(style(small, p.side.ink, draw.XLeft, draw.YCenter))
	indent := vg.Length(0)
	if p.mark {
		p.side.mark.draw(c, vg.Point{X: c.Min.X + 6, Y: y}, 3, p.side.ink, true)
		indent = 16
	}
	put(c, s, c.Min.X+indent, y+lift, fit(s, p.name, f.Width-indent))
	s = style(small, words, draw.XRight, draw.YCenter)
	put(c, s, c.Max.X, y+lift-15*(lines-1), fit(s, p.words, f.Width))
}
