package figure

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Row is the runs of one side, one value each, in the order they were made.
type Row struct {
	Label     string
	Side      int // 0 is base, 1 against
	Values    []float64
	Mean      float64
	Low, High float64 // of the interval of the mean; equal where there is none
	Text      string  // mean and interval as the report prints them
	Head      string  // the workload, where a figure has more than one
}

// Repeats shows every run of each side with the mean and its interval.
type Repeats struct {
	Head
	What  string // "mean rate"
	Unit  string // "frames/s"
	Level float64
	Rows  []Row

	// Sessions says that some mean and interval is of the means of sessions,
	// which differ by more than the runs in them.
	Sessions bool
}

// Figure draws them.
func (f Repeats) Figure() (Figure, error) {
	e := nothing()
	var said []string
	single := 0
	for i := range f.Rows {
		r := &f.Rows[i]
		r.Label, r.Text, r.Head = clean(r.Label), clean(r.Text), clean(r.Head)
		e.add(r.Values...)
		e.add(r.Mean)
		if r.interval() {
			e.add(r.Low, r.High)
		} else {
			single++
		}
		said = append(said, r.words(f.Unit))
	}
	if e.empty() {
		return Figure{}, fmt.Errorf("draw repeats: %w", ErrNothing)
	}
	caption := []string{fmt.Sprintf("Each mark is the %s of one run, from the first at the top of its row to the last. Tick: the mean.", f.What)}
	if single < len(f.Rows) {
		caption = append(caption, fmt.Sprintf("Bar: %s %% interval of the mean, of the runs of this sample of one machine.", plainNumber(math.Round(f.Level*1e6)/1e4)))
	}
	if f.Sessions {
		caption = append(caption, "Where sessions differ by more than the runs in them, mean and interval are those of their means.")
	}
	if single > 0 {
		caption = append(caption, "Where there is one run there is no interval.")
	}
	return f.figure("repeats", said, caption, func(form Form) []block { return []block{f.rows(form, e)} }), nil
}

func (r Row) interval() bool { return drawable(r.Low) && drawable(r.High) && r.Low < r.High }

func (r Row) words(unit string) string {
	s := fmt.Sprintf("%s: %d runs", r.Label, len(r.Values))
	if len(r.Values) == 1 {
		s = r.Label + ": one run"
	}
	e := nothing()
	e.add(r.Values...)
	switch {
	case e.empty():
	case len(r.Values) == 1:
		s += fmt.Sprintf(" of %s %s", digits(e.low, 4), unit)
	default:
		s += fmt.Sprintf(" from %s to %s %s", digits(e.low, 4), digits(e.high, 4), unit)
	}
	if r.Text != "" && len(r.Values) > 1 {
		s += ", mean " + r.Text
	}
	return s + "."
}

func (f Repeats) rows(form Form, e extent) rows {
	b := rows{x: near(e, pick(form, 6, 4)), xLabel: f.What + ", " + f.Unit}
	for i, r := range f.Rows {
		s := sideOf(r.Side)
		head := r.Head
		if i > 0 && f.Rows[i-1].Head == head {
			head = ""
		}
		b.each = append(b.each, rowPart{
			name: r.Label, words: r.Text, side: s, mark: true, head: head,
			tall: max(26, min(vg.Length(len(r.Values))*5, 60)+12),
			draw: func(c *draw.Canvas, x func(float64) vg.Length) { r.draw(c, x, s) },
		})
	}
	return b
}

func (r Row) draw(c *draw.Canvas, x func(float64) vg.Length, s side) {
	top, bottom := c.Max.Y-6, c.Min.Y+6
	if r.interval() {
		room := vg.Rectangle{Min: vg.Point{X: x(r.Low), Y: bottom - 2}, Max: vg.Point{X: x(r.High), Y: top + 2}}
		c.SetColor(s.faint)
		c.Fill(room.Path())
		c.StrokeLine2(plain(s.ink, 1), room.Min.X, room.Min.Y, room.Min.X, room.Max.Y)
		c.StrokeLine2(plain(s.ink, 1), room.Max.X, room.Min.Y, room.Max.X, room.Max.Y)
	}
	if drawable(r.Mean) {
		c.StrokeLine2(plain(s.ink, 2.2), x(r.Mean), bottom-4, x(r.Mean), top+4)
	}
	for i, v := range r.Values {
		if !drawable(v) {
			continue
		}
		y := (top + bottom) / 2
		if n := len(r.Values); n > 1 {
			y = top - (top-bottom)*vg.Length(i)/vg.Length(n-1)
		}
		s.mark.draw(c, vg.Point{X: x(v), Y: y}, 2.7, s.ink, true)
	}
}

// Ratio is one comparison's outcome.
type Ratio struct {
	Label     string
	Value     float64
	Low, High float64 // equal where there is no interval
	Text      string  // as the report prints it, with the verdict
}

// Ratios shows ratios with their intervals against the margin.
type Ratios struct {
	Head
	What   string  // "ratio of avocet to heron"
	Margin float64 // 0.01
	Level  float64
	Rows   []Ratio
}

// Figure draws them.
func (f Ratios) Figure() (Figure, error) {
	e := nothing()
	var said []string
	for i := range f.Rows {
		r := &f.Rows[i]
		r.Label, r.Text = clean(r.Label), clean(r.Text)
		e.add(positive(r.Value, r.Low, r.High)...)
		said = append(said, r.Label+": "+r.Text+".")
	}
	if e.empty() {
		return Figure{}, fmt.Errorf("draw ratios: %w", ErrNothing)
	}
	e.add(1)
	f.What = clean(f.What)
	caption := []string{fmt.Sprintf("Mark: ratio. Line: its %s %% interval.", plainNumber(math.Round(f.Level*1e6)/1e4))}
	if f.Margin > 0 {
		e.add(1/(1+f.Margin), 1+f.Margin)
		caption = append(caption, fmt.Sprintf("Shaded: the margin of %s %%, inside which a difference does not matter in practice.", plainNumber(math.Round(f.Margin*1e6)/1e4)))
	}
	return f.figure("ratios", said, caption, func(form Form) []block { return []block{f.rows(form, e)} }), nil
}

// positive keeps what a ratio can be.
func positive(values ...float64) (out []float64) {
	for _, v := range values {
		if v > 0 && drawable(v) {
			out = append(out, v)
		}
	}
	return out
}

func (f Ratios) rows(form Form, e extent) rows {
	b := rows{x: near(e, pick(form, 6, 4)), xLabel: f.What}
	if e.low > 0 && e.high/e.low > 4 {
		b.x = logarithmic(e)
	}
	b.behind = func(c *draw.Canvas, x func(float64) vg.Length) {
		if f.Margin > 0 {
			r := vg.Rectangle{Min: vg.Point{X: x(1 / (1 + f.Margin)), Y: c.Min.Y}, Max: vg.Point{X: x(1 + f.Margin), Y: c.Max.Y}}
			c.SetColor(shade)
			c.Fill(r.Path())
		}
		c.StrokeLine2(plain(axisInk, 1), x(1), c.Min.Y, x(1), c.Max.Y)
	}
	for _, r := range f.Rows {
		b.each = append(b.each, rowPart{name: r.Label, words: r.Text, side: side{ink: words}, tall: 26, draw: r.draw})
	}
	return b
}

func (r Ratio) draw(c *draw.Canvas, x func(float64) vg.Length) {
	y := c.Center().Y
	if len(positive(r.Value)) == 0 {
		return
	}
	if r.Low < r.High && len(positive(r.Low, r.High)) == 2 {
		c.StrokeLine2(plain(inkA, 2), x(r.Low), y, x(r.High), y)
		for _, end := range []float64{r.Low, r.High} {
			c.StrokeLine2(plain(inkA, 1.4), x(end), y-5, x(end), y+5)
		}
	}
	diamond.draw(c, vg.Point{X: x(r.Value), Y: y}, 4, inkA, math.IsNaN(r.Low) || r.Low >= r.High)
}

// Share is the part of the time that scales with something.
type Share struct {
	Label            string
	Value, Low, High float64 // 0.36; Low and High equal where there is no interval
}

// Shares shows elasticities as bars from zero.
type Shares struct {
	Head
	Level float64
	Rows  []Share
}

// Figure draws them.
func (f Shares) Figure() (Figure, error) {
	e := nothing()
	var said []string
	for i := range f.Rows {
		r := &f.Rows[i]
		r.Label = clean(r.Label)
		e.add(r.Value, r.Low, r.High)
		said = append(said, r.Label+": "+r.text()+".")
	}
	if e.empty() {
		return Figure{}, fmt.Errorf("draw shares: %w", ErrNothing)
	}
	e.add(1)
	caption := []string{
		"Elasticity: by what share of one per cent the rate rises where the factor rises by one per cent, which is the share of the time that scales with it.",
		fmt.Sprintf("Line: %s %% interval.", plainNumber(math.Round(f.Level*1e6)/1e4)),
	}
	return f.figure("what the time scales with", said, caption, func(form Form) []block { return []block{f.rows(form, e)} }), nil
}

func (r Share) interval() bool { return drawable(r.Low) && drawable(r.High) && r.Low < r.High }

func (r Share) text() string {
	s := decimals(r.Value, 2)
	if r.interval() {
		s += " (" + decimals(r.Low, 2) + " to " + decimals(r.High, 2) + ")"
	}
	return s
}

func (f Shares) rows(form Form, e extent) rows {
	b := rows{x: fromZero(e, pick(form, 6, 4)), xLabel: "elasticity"}
	for i, r := range f.Rows {
		s := sideOf(i)
		b.each = append(b.each, rowPart{name: r.Label, words: r.text(), side: side{ink: words}, tall: 30,
			draw: func(c *draw.Canvas, x func(float64) vg.Length) { r.draw(c, x, s) }})
	}
	return b
}

func (r Share) draw(c *draw.Canvas, x func(float64) vg.Length, s side) {
	y := c.Center().Y
	if drawable(r.Value) {
		bar := vg.Rectangle{Min: vg.Point{X: min(x(0), x(r.Value)), Y: y - 8}, Max: vg.Point{X: max(x(0), x(r.Value)), Y: y + 8}}
		c.SetColor(s.faint)
		c.Fill(bar.Path())
		c.SetLineStyle(plain(s.ink, 1.2))
		c.Stroke(bar.Path())
	}
	if r.interval() {
		c.StrokeLine2(plain(words, 1.4), x(r.Low), y, x(r.High), y)
		for _, end := range []float64{r.Low, r.High} {
			c.StrokeLine2(plain(words, 1.4), x(end), y-4, x(end), y+4)
		}
	}
}
