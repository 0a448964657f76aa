package figure

import (
	"cmp"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// panel is one pair of axes with what is drawn on them.
type panel struct {
	heading string // what the vertical axis counts, with its unit
	x, y    axis
	xLabel  string // "" where another panel below has the same axis
	wide    vg.Length
	narrow  vg.Length // heights of the data's room
	layers  []plot.Plotter
	labels  []label // direct labels of series
}

// label names a series where it ends.
type label struct {
	text string
	at   float64 // on the vertical axis
	side side
	mark bool // the series is drawn as marks
}

// named is the labels of series of which something is drawn.
func (p panel) named() []label {
	return slices.DeleteFunc(slices.Clone(p.labels), func(l label) bool { return !drawable(l.at) })
}

const (
	labelPitch = 13
	gap        = 8 // between panels
	axisRoom   = 17
)

func (p panel) gutters(f Form) (left, right vg.Length) {
	s := style(small, quiet, draw.XRight, draw.YCenter)
	for _, t := range p.y.ticks {
		left = max(left, s.Width(t.Label))
	}
	left += 7
	right = 4
	if f.beside {
		for _, l := range p.named() {
			right = max(right, min(bold(s).Width(l.text)+labelIndent, 190))
		}
	}
	if p.xLabel != "" || len(p.x.ticks) > 0 { // half of the last tick's label
		if n := len(p.x.ticks); n > 0 {
			right = max(right, s.Width(p.x.ticks[n-1].Label)/2+1)
		}
	}
	return left, right
}

const labelIndent = 26

// lift sets a line's small letters and figures, not the room for its tails, on
// the middle.
const lift = 1.4

// keyRows is the labels in lines above the panel, for forms without room beside.
func (p panel) keyRows(f Form) [][]label {
	if f.beside || len(p.named()) == 0 {
		return nil
	}
	s := bold(style(small, words, draw.XLeft, draw.YCenter))
	var rows [][]label
	used := f.Width + 1
	for _, l := range p.named() {
		w := min(s.Width(l.text), f.Width-labelIndent) + labelIndent + 12
		if used+w > f.Width+12 {
			rows, used = append(rows, nil), 0
		}
		rows[len(rows)-1] = append(rows[len(rows)-1], l)
		used += w
	}
	return rows
}

func (p panel) headings(f Form) []string {
	h := p.heading
	if p.y.warning != "" {
		h += " (" + p.y.warning + ")"
	}
	return broken(style(small, quiet, draw.XLeft, draw.YTop), h, f.Width)
}

func (p panel) height(f Form, _ vg.Length) vg.Length {
	h := pick(f, p.wide, p.narrow) + gap + 8
	h += labelPitch * vg.Length(len(p.keyRows(f))+len(p.headings(f)))
	if p.xLabel != "" {
		h += 2*axisRoom + 2
	}
	return h
}

func (p panel) draw(c draw.Canvas, f Form, left, right vg.Length) {
	y := c.Max.Y
	for _, row := range p.keyRows(f) {
		p.key(&c, f, row, y-labelPitch/2)
		y -= labelPitch
	}
	s := style(small, quiet, draw.XLeft, draw.YTop)
	for _, line := range p.headings(f) {
		put(&c, s, c.Min.X, y, line)
		y -= labelPitch
	}
	y -= 8
	data := c
	data.Min.X, data.Max.X = c.Min.X+left, c.Max.X-right
	data.Min.Y, data.Max.Y = y-pick(f, p.wide, p.narrow), y
	p.frame(&c, data)
	pl := p.plot()
	pl.Draw(data)
	p.edge(&data)
	if f.beside {
		p.beside(&c, data)
	}
}

// plot gives the library's plot, its own axes hidden: panels above each other
// must have their data at the same place, whatever the ticks say.
func (p panel) plot() *plot.Plot {
	pl := plot.New()
	pl.HideAxes()
	pl.X.Padding, pl.Y.Padding = 0, 0
	pl.BackgroundColor = nil
	pl.Add(p.layers...)
	pl.X.Min, pl.X.Max, pl.X.Scale = p.x.min, p.x.max, p.x.scale
	pl.Y.Min, pl.Y.Max, pl.Y.Scale = p.y.min, p.y.max, p.y.scale
	return pl
}

// frame draws what lies behind the data, and the ticks.
func (p panel) frame(c *draw.Canvas, data draw.Canvas) {
	s := style(small, quiet, draw.XRight, draw.YCenter)
	for _, t := range p.y.ticks {
		y := data.Y(p.y.scale.Normalize(p.y.min, p.y.max, t.Value))
		c.StrokeLine2(plain(rule, 0.8), data.Min.X, y, data.Max.X, y)
		put(c, s, data.Min.X-6, y+lift, t.Label)
	}
	s = style(small, quiet, draw.XCenter, draw.YTop)
	for _, t := range p.x.ticks {
		x := data.X(p.x.scale.Normalize(p.x.min, p.x.max, t.Value))
		c.StrokeLine2(plain(axisInk, 0.8), x, data.Min.Y, x, data.Min.Y-4)
		if p.xLabel != "" {
			put(c, s, x, data.Min.Y-6, t.Label)
		}
	}
	if p.xLabel != "" {
		s.XAlign = draw.XRight
		line := p.xLabel
		if p.x.warning != "" {
			line += " (" + p.x.warning + ")"
		}
		put(c, s, data.Max.X, data.Min.Y-6-axisRoom, fit(s, line, c.Max.X-c.Min.X))
	}
}

// edge draws the foot of the panel: straight at zero, torn elsewhere.
func (p panel) edge(data *draw.Canvas) {
	y := data.Min.Y
	if !p.y.torn {
		if p.y.min < 0 && p.y.max > 0 {
			y = data.Y(p.y.scale.Normalize(p.y.min, p.y.max, 0))
		}
		data.StrokeLine2(plain(axisInk, 1), data.Min.X, y, data.Max.X, y)
		return
	}
	tear(data, vg.Point{X: data.Min.X, Y: y}, vg.Point{X: data.Max.X, Y: y})
}

// tear draws a torn edge along a horizontal or a vertical line.
func tear(c *draw.Canvas, from, to vg.Point) {
	const pitch, depth = 5, 1.7
	length := (to.X - from.X) + (to.Y - from.Y)
	n := max(int(length/pitch), 1)
	pts := make([]vg.Point, 0, n+1)
	for i := range n + 1 {
		along := length * vg.Length(i) / vg.Length(n)
		across := vg.Length(depth)
		if i%2 == 0 {
			across = -depth
		}
		if to.X > from.X {
			pts = append(pts, vg.Point{X: from.X + along, Y: from.Y + across})
		} else {
			pts = append(pts, vg.Point{X: from.X + across, Y: from.Y + along})
		}
	}
	c.StrokeLines(plain(axisInk, 0.9), pts)
}

// key draws one row of labels with samples.
func (p panel) key(c *draw.Canvas, f Form, row []label, y vg.Length) {
	s := bold(style(small, words, draw.XLeft, draw.YCenter))
	x := c.Min.X
	for _, l := range row {
		l.sample(c, x, y)
		line := fit(s, l.text, f.Width-labelIndent)
		s.Color = l.side.ink
		put(c, s, x+labelIndent-4, y+lift, line)
		x += s.Width(line) + labelIndent + 12
	}
}

func (l label) sample(c *draw.Canvas, x, y vg.Length) {
	c.StrokeLine2(l.side.line(1.7), x, y, x+18, y)
	if l.mark {
		l.side.mark.draw(c, vg.Point{X: x + 9, Y: y}, 2.8, l.side.ink, true)
	}
}

// beside writes the labels right of the data at the height where the series end,
// moved apart where they would lie on each other.
func (p panel) beside(c *draw.Canvas, data draw.Canvas) {
	s := bold(style(small, words, draw.XLeft, draw.YCenter))
	labels := p.named()
	slices.SortStableFunc(labels, func(a, b label) int { return cmp.Compare(b.at, a.at) })
	want := make([]vg.Length, len(labels))
	for i, l := range labels {
		want[i] = data.Y(min(1, max(0, p.y.scale.Normalize(p.y.min, p.y.max, l.at))))
	}
	for i, y := range apart(want, labelPitch, data.Min.Y, data.Max.Y) {
		l := labels[i]
		x := data.Max.X + 4
		l.sample(c, x, y)
		s.Color = l.side.ink
		put(c, s, x+labelIndent-4, y+lift, fit(s, l.text, c.Max.X-x-labelIndent+4))
	}
}

// apart moves heights, given from the highest down, until they are a pitch apart,
// within the bounds while there is room.
func apart(want []vg.Length, pitch, low, high vg.Length) []vg.Length {
	out := slices.Clone(want)
	for i := range out { // downwards from the top
		limit := high
		if i > 0 {
			limit = out[i-1] - pitch
		}
		out[i] = min(out[i], limit)
	}
	for i := len(out) - 1; i >= 0; i-- { // and up again from the bottom
		limit := low
		if i < len(out)-1 {
			limit = out[i+1] + pitch
		}
		out[i] = max(out[i], limit)
	}
	return out
}
