package figure

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// line joins points; a y that cannot be drawn breaks it.
type line struct {
	x, y  []float64
	style draw.LineStyle
}

func (l line) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	var run []vg.Point
	flush := func() {
		if len(run) == 1 { // a point alone would be invisible
			run = append(run, vg.Point{X: run[0].X + 0.5, Y: run[0].Y})
		}
		if len(run) > 1 {
			c.StrokeLines(l.style, run)
		}
		run = nil
	}
	for i := range l.x {
		if !drawable(l.x[i]) || !drawable(l.y[i]) {
			flush()
			continue
		}
		run = append(run, vg.Point{X: x(l.x[i]), Y: y(l.y[i])})
	}
	flush()
}

// envelope fills from the lowest to the highest value of each column, and
// strokes it so that a stretch without spread is still seen.
type envelope struct {
	columns *columns
	ink     ink
	width   vg.Length
}

func (e envelope) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	var up, down []vg.Point
	flush := func() {
		if len(up) > 0 {
			area(&c, up, down, e.ink, e.width)
		}
		up, down = nil, nil
	}
	for i, cell := range e.columns.cell {
		if cell.low > cell.high {
			flush()
			continue
		}
		at := x(e.columns.center(i))
		up = append(up, vg.Point{X: at, Y: y(cell.high)})
		down = append(down, vg.Point{X: at, Y: y(cell.low)})
	}
	flush()
}

func area(c *draw.Canvas, up, down []vg.Point, i ink, width vg.Length) {
	var path vg.Path
	path.Move(up[0])
	for _, q := range up[1:] {
		path.Line(q)
	}
	for k := len(down) - 1; k >= 0; k-- {
		path.Line(down[k])
	}
	path.Close()
	c.SetColor(i)
	c.Fill(path)
	c.SetLineStyle(plain(i, width))
	c.Stroke(path)
}

// stretch shades a part of the horizontal axis, or of the vertical one.
type stretch struct {
	from, to float64
	vertical bool // the bounds are on the vertical axis
	ink      ink
}

func (s stretch) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	r := c.Rectangle
	if s.vertical {
		r.Min.Y, r.Max.Y = bounded(y(s.from), c.Min.Y, c.Max.Y), bounded(y(s.to), c.Min.Y, c.Max.Y)
	} else {
		r.Min.X, r.Max.X = bounded(x(s.from), c.Min.X, c.Max.X), bounded(x(s.to), c.Min.X, c.Max.X)
	}
	c.SetColor(s.ink)
	c.Fill(r.Path())
}

func bounded(v, low, high vg.Length) vg.Length { return max(low, min(high, v)) }

// across is a straight line over the whole panel at a height, with a word on it.
type across struct {
	at     float64
	style  draw.LineStyle
	text   string
	indent vg.Length // of the word
}

func (a across) Plot(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	c.StrokeLine2(a.style, c.Min.X, y(a.at), c.Max.X, y(a.at))
	if a.indent+20 > c.Max.X-c.Min.X {
		return // no room for the word; the caption's words have the limit
	}
	if y(a.at) > c.Max.Y-14 {
		tag(&c, c.Min.X+a.indent, y(a.at)-3, a.text, draw.XLeft, draw.YTop)
	} else {
		tag(&c, c.Min.X+a.indent, y(a.at)+3, a.text, draw.XLeft, draw.YBottom)
	}
}

// upright is a straight line over the whole panel at a place, with a word at its
// top.
type upright struct {
	at    float64
	style draw.LineStyle
	text  string
}

func (u upright) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	if !c.ContainsX(x(u.at)) {
		return
	}
	c.StrokeLine2(u.style, x(u.at), c.Min.Y, x(u.at), c.Max.Y)
	s := style(small, words, draw.XLeft, draw.YTop)
	room := c.Max.X - x(u.at) - 6
	if s.Width(u.text) <= room || room > (c.Max.X-c.Min.X)/2 {
		put(&c, s, x(u.at)+4, c.Max.Y-2, fit(s, u.text, room))
		return
	}
	s.XAlign = draw.XRight
	put(&c, s, x(u.at)-4, c.Max.Y-2, fit(s, u.text, x(u.at)-c.Min.X-6))
}

// callout writes a word at a point, moved into the panel where it would stick out.
type callout struct {
	x, y float64
	text string
	up   bool // above the point
}

func (t callout) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	s := style(small, words, draw.XCenter, draw.YBottom)
	t.text = fit(s, t.text, c.Max.X-c.Min.X-6)
	half := s.Width(t.text)/2 + 3
	at := vg.Point{X: bounded(x(t.x), c.Min.X+half, c.Max.X-half), Y: bounded(y(t.y), c.Min.Y, c.Max.Y)}
	align := draw.YBottom
	at.Y += 4
	if !t.up {
		align = draw.YTop
		at.Y -= 8
	}
	tag(&c, at.X, at.Y, t.text, draw.XCenter, align)
}

// tag writes a word on a ground of paper.
func tag(c *draw.Canvas, x, y vg.Length, txt string, xa draw.XAlignment, ya draw.YAlignment) {
	if txt == "" {
		return
	}
	s := style(small, words, xa, ya)
	room := c.Max.X - c.Min.X - 6
	if xa == draw.XLeft {
		room = c.Max.X - x
	}
	txt = fit(s, txt, room)
	r := s.Rectangle(txt).Add(vg.Point{X: x, Y: y})
	r.Min.X, r.Max.X = r.Min.X-1.5, r.Max.X+1.5
	c.SetColor(paper)
	c.Fill(r.Path())
	put(c, s, x, y, txt)
}

// dots are single measurements.
type dots struct {
	x, y []float64
	side side
	size vg.Length
	full bool
}

func (d dots) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	for i := range d.x {
		if drawable(d.x[i]) && drawable(d.y[i]) {
			d.side.mark.draw(&c, vg.Point{X: x(d.x[i]), Y: y(d.y[i])}, d.size, d.side.ink, !d.full)
		}
	}
}

// whiskers are intervals standing at places.
type whiskers struct {
	x, low, high []float64
	style        draw.LineStyle
	cap          vg.Length
}

func (w whiskers) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	for i := range w.x {
		if !drawable(w.low[i]) || !drawable(w.high[i]) || !drawable(w.x[i]) {
			continue
		}
		at, low, high := x(w.x[i]), y(w.low[i]), y(w.high[i])
		c.StrokeLine2(w.style, at, low, at, high)
		c.StrokeLine2(w.style, at-w.cap, low, at+w.cap, low)
		c.StrokeLine2(w.style, at-w.cap, high, at+w.cap, high)
	}
}

// aside draws a layer a little beside its place, so that marks and intervals of
// several series at one place stand beside each other.
type aside struct {
	by vg.Length
	plot.Plotter
}

func (a aside) Plot(c draw.Canvas, p *plot.Plot) {
	c.Min.X, c.Max.X = c.Min.X+a.by, c.Max.X+a.by
	a.Plotter.Plot(c, p)
}

// last is the last height of a series that can be drawn.
func last(y []float64) float64 {
	for i := len(y) - 1; i >= 0; i-- {
		if drawable(y[i]) {
			return y[i]
		}
	}
	return math.NaN()
}
