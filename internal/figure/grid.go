package figure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Cell is one combination of two factors.
type Cell struct {
	A, B      float64 // levels of the factors
	Runs      int
	Mean      float64 // geometric mean of the rate
	Low, High float64 // of the interval of the mean; equal where there is none
}

// Grid shows what two factors make of a rate: every cell in numbers, and the
// rate against the first factor for each level of the second.
type Grid struct {
	Head
	A, B  string // the factors with their units: "memory.speed, MT/s"; B is "" for one factor
	Unit  string // of the rate
	Level float64
	Cells []Cell // cells that are missing are not there
}

// Figure draws them.
func (f Grid) Figure() (Figure, error) {
	f.A, f.B, f.Unit = clean(f.A), clean(f.B), clean(f.Unit)
	f.Cells = slices.DeleteFunc(slices.Clone(f.Cells), func(c Cell) bool {
		return c.Runs < 1 || !drawable(c.A) || !drawable(c.B) || !drawable(c.Mean)
	})
	if len(f.Cells) == 0 {
		return Figure{}, fmt.Errorf("draw grid: %w", ErrNothing)
	}
	a, b := f.levels()
	missing := len(a)*len(b) - f.distinct()
	said := []string{f.words(a, b)}
	caption := []string{fmt.Sprintf("Each cell: geometric mean of the rate in %s, and the number of runs. Darker is higher.", f.Unit)}
	switch {
	case missing == 1:
		caption = append(caption, fmt.Sprintf("1 of %d cells is missing.", len(a)*len(b)))
	case missing > 1:
		caption = append(caption, fmt.Sprintf("%d of %d cells are missing.", missing, len(a)*len(b)))
	}
	caption = append(caption, fmt.Sprintf("Below: the same against %s, with %s %% intervals; what was made at one level stands side by side.", nameAlone(f.A), plainNumber(math.Round(f.Level*1e6)/1e4)))
	return f.figure("scaling", said, caption, func(form Form) []block {
		return []block{cells{f, a, b}, space(14), f.lines(form, a, b)}
	}), nil
}

func (f Grid) levels() (a, b []float64) {
	for _, c := range f.Cells {
		a, b = append(a, c.A), append(b, c.B)
	}
	slices.Sort(a)
	slices.Sort(b)
	return slices.Compact(a), slices.Compact(b)
}

func (f Grid) distinct() int {
	seen := map[[2]float64]bool{}
	for _, c := range f.Cells {
		seen[[2]float64{c.A, c.B}] = true
	}
	return len(seen)
}

func (f Grid) find(a, b float64) *Cell {
	for i, c := range f.Cells {
		if c.A == a && c.B == b {
			return &f.Cells[i]
		}
	}
	return nil
}

// nameAlone is a factor without its unit.
func nameAlone(factor string) string {
	name, _, _ := strings.Cut(factor, ",")
	return name
}

// unitOf is a factor's unit after a space, or "".
func unitOf(factor string) string {
	_, unit, _ := strings.Cut(factor, ",")
	return strings.TrimRight(" "+strings.TrimSpace(unit), " ")
}

func (f Grid) words(a, b []float64) string {
	var parts []string
	for _, y := range b {
		for _, x := range a {
			at := fmt.Sprintf("%s %s%s", nameAlone(f.A), digits(x, 4), unitOf(f.A))
			if f.B != "" {
				at += fmt.Sprintf(" and %s %s%s", nameAlone(f.B), digits(y, 4), unitOf(f.B))
			}
			if c := f.find(x, y); c != nil {
				parts = append(parts, fmt.Sprintf("%s: %s %s from %d runs", at, digits(c.Mean, 4), f.Unit, c.Runs))
			} else {
				parts = append(parts, at+": missing")
			}
		}
	}
	return strings.Join(parts, "; ") + "."
}

func (f Grid) lines(form Form, a, b []float64) panel {
	e, x := nothing(), nothing()
	x.add(a...)
	p := panel{heading: "rate, " + f.Unit, xLabel: f.A, wide: 190, narrow: 170}
	for i, level := range b {
		s := sideOf(i)
		var at, mean, low, high []float64
		for _, v := range a {
			c := f.find(v, level)
			if c == nil { // a line over a hole would claim what was not measured
				at, mean, low, high = append(at, v), append(mean, math.NaN()), append(low, math.NaN()), append(high, math.NaN())
				continue
			}
			at, mean, low, high = append(at, v), append(mean, c.Mean), append(low, c.Low), append(high, c.High)
			e.add(c.Mean, c.Low, c.High)
		}
		by := 5 * (vg.Length(i) - vg.Length(len(b)-1)/2) / vg.Length(max(1, len(b)/3))
		for _, layer := range []plot.Plotter{line{at, mean, s.line(1.5)}, whiskers{at, low, high, plain(s.ink, 1.1), 3}, dots{at, mean, s, 3, false}} {
			p.layers = append(p.layers, aside{by, layer})
		}
		if f.B == "" {
			continue
		}
		p.labels = append(p.labels, label{nameAlone(f.B) + " " + digits(level, 4) + unitOf(f.B), last(mean), s, true})
	}
	p.x, p.y = along(padded(x), pick(form, 7, 4)), near(e, 5)
	return p
}

// padded leaves room at both ends for marks.
func padded(e extent) extent {
	e = widened(e)
	margin := 0.04 * (e.high - e.low)
	return extent{e.low - margin, e.high + margin}
}

// cells is the grid in numbers.
type cells struct {
	grid Grid
	a, b []float64
}

const cellTall = 40

func (t cells) gutters(f Form) (left, right vg.Length) {
	s := bold(style(small, words, draw.XRight, draw.YCenter))
	for _, v := range t.b {
		left = max(left, s.Width(digits(v, 4))+10)
	}
	return left, 4
}

func (t cells) height(Form, vg.Length) vg.Length {
	return vg.Length(len(t.b))*cellTall + 3*16
}

func (t cells) draw(c draw.Canvas, f Form, left, right vg.Length) {
	quietLine := style(small, quiet, draw.XLeft, draw.YTop)
	heading := t.grid.A
	if t.grid.B != "" {
		heading = t.grid.B + " (down), " + t.grid.A + " (across)"
	}
	put(&c, quietLine, c.Min.X, c.Max.Y, fit(quietLine, heading, f.Width))
	top := c.Max.Y - 2*16
	w := min((f.Width-left-right)/vg.Length(len(t.a)), 150)
	heads := bold(style(small, words, draw.XCenter, draw.YBottom))
	for i, v := range t.a {
		put(&c, heads, c.Min.X+left+w*(vg.Length(i)+.5), top+3, fit(heads, digits(v, 4), w-2))
	}
	heads.XAlign, heads.YAlign = draw.XRight, draw.YCenter
	low, high := t.range_()
	for k := range t.b {
		level := t.b[len(t.b)-1-k] // the highest on top, as on an axis
		y := top - vg.Length(k)*cellTall
		if t.grid.B != "" {
			put(&c, heads, c.Min.X+left-6, y-cellTall/2, digits(level, 4))
		}
		for i, v := range t.a {
			r := vg.Rectangle{
				Min: vg.Point{X: c.Min.X + left + w*vg.Length(i) + 1, Y: y - cellTall + 1},
				Max: vg.Point{X: c.Min.X + left + w*vg.Length(i+1) - 1, Y: y - 1},
			}
			if cell := t.grid.find(v, level); cell != nil {
				cell.draw(&c, r, low, high)
			} else {
				hatch(&c, r)
			}
		}
	}
}

func (t cells) range_() (low, high float64) {
	e := nothing()
	for _, c := range t.grid.Cells {
		e.add(c.Mean)
	}
	return e.low, e.high
}

func (c Cell) draw(to *draw.Canvas, r vg.Rectangle, low, high float64) {
	step := 1
	if high > low {
		step = int(math.Min(4, math.Floor(5*(c.Mean-low)/(high-low))))
	}
	to.SetColor(step1 + ink(step))
	to.Fill(r.Path())
	letters := words
	if step >= 3 {
		letters = paper
	}
	mid := vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: (r.Min.Y + r.Max.Y) / 2}
	s := bold(style(normal, letters, draw.XCenter, draw.YBottom))
	put(to, s, mid.X, mid.Y-1, fit(s, digits(c.Mean, 4), r.Max.X-r.Min.X-2))
	s = style(small, letters, draw.XCenter, draw.YTop)
	count := fmt.Sprintf("%d runs", c.Runs)
	if c.Runs == 1 {
		count = "1 run"
	}
	put(to, s, mid.X, mid.Y-2, fit(s, count, r.Max.X-r.Min.X-2))
}

// hatch marks a cell that was not measured.
func hatch(c *draw.Canvas, r vg.Rectangle) {
	c.SetLineStyle(plain(rule, 1))
	c.Stroke(r.Path())
	w, h := r.Max.X-r.Min.X, r.Max.Y-r.Min.Y
	for d := vg.Length(6); d < w+h; d += 9 {
		x0, y0, x1, y1 := r.Min.X+d, r.Min.Y, r.Min.X, r.Min.Y+d
		if d > w {
			x0, y0 = r.Max.X, r.Min.Y+d-w
		}
		if d > h {
			x1, y1 = r.Min.X+d-h, r.Max.Y
		}
		c.StrokeLine2(plain(rule, 0.8), x0, y0, x1, y1)
	}
	tag(c, (r.Min.X+r.Max.X)/2, (r.Min.Y+r.Max.Y)/2, "missing", draw.XCenter, draw.YCenter)
}
