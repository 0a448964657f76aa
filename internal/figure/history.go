package figure

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
)

// Point is one run of a history, or the mean of one session.
type Point struct {
	At       time.Time
	Value    float64
	Flagged  bool // outside what its series predicts
	Excluded bool // shown, but not part of the level
}

// Level is a stretch of a history between changes.
type Level struct {
	From, To time.Time
	Value    float64
}

// Change is where a history changes its level.
type Change struct {
	At   time.Time
	Text string // the facts that moved: "firmware.version 1.08 to 1.10"
}

// Chart is one series of a history.
type Chart struct {
	Name, Unit string
	Points     []Point
	Levels     []Level
	Low, High  float64 // limits that a point is expected in; equal where there are none
}

// History shows series over days with their changes.
type History struct {
	Head
	Charts   []Chart // the outcome first
	Changes  []Change
	Sessions bool   // a point is a session, else a run
	Note     string // a sentence for the caption: "provisional: 12 points"
}

// Figure draws it.
func (f History) Figure() (Figure, error) {
	x := nothing()
	var said []string
	kept := f.Charts[:0:0]
	for _, c := range f.Charts {
		c.Name, c.Unit = clean(c.Name), clean(c.Unit)
		e := nothing()
		for _, p := range c.Points {
			if drawable(p.Value) {
				x.add(float64(p.At.Unix()))
				e.add(p.Value)
			}
		}
		if e.empty() {
			continue
		}
		for _, l := range c.Levels {
			if drawable(l.Value) {
				x.add(float64(l.From.Unix()), float64(l.To.Unix()))
			}
		}
		kept = append(kept, c)
		said = append(said, fmt.Sprintf("%s: %d points from %s to %s, between %s and %s %s%s.", c.Name, len(c.Points), date(c.Points[0].At),
			date(c.Points[len(c.Points)-1].At), digits(e.low, 4), digits(e.high, 4), c.Unit, c.levels()))
	}
	if len(kept) == 0 {
		return Figure{}, fmt.Errorf("draw history: %w", ErrNothing)
	}
	f.Charts = kept
	for i := range f.Changes {
		f.Changes[i].Text = clean(f.Changes[i].Text)
		x.add(float64(f.Changes[i].At.Unix()))
	}
	return f.figure("history", append(said, f.changes()...), f.caption(), func(form Form) []block { return f.panels(form, x) }), nil
}

func date(t time.Time) string { return t.UTC().Format("2006-01-02") }

func (c Chart) levels() string {
	if len(c.Levels) < 2 {
		return ""
	}
	var parts []string
	for _, l := range c.Levels {
		parts = append(parts, digits(l.Value, 4))
	}
	return ", at levels of " + strings.Join(parts, ", then ")
}

func (f History) changes() []string {
	var out []string
	for i, c := range f.Changes {
		what := c.Text
		if what == "" {
			what = "no fact moved"
		}
		out = append(out, fmt.Sprintf("%s, %s: %s.", letter(i), date(c.At), strings.TrimSuffix(what, ".")))
	}
	return out
}

func (f History) caption() []string {
	out := []string{"Each mark is one run. Line: the level between changes."}
	if f.Sessions {
		out[0] = "Each mark is one session. Line: the level between changes."
	}
	band, flagged, excluded := false, false, false
	for _, c := range f.Charts {
		band = band || c.limits()
		for _, p := range c.Points {
			flagged, excluded = flagged || p.Flagged, excluded || p.Excluded
		}
	}
	if band {
		out = append(out, "Shaded: where a point is expected.")
	}
	if flagged {
		out = append(out, "Filled marks are outside what the series predicts.")
	}
	if excluded {
		out = append(out, "Crosses take no part in the level.")
	}
	if len(f.Changes) > 0 {
		out = append(out, "Changes, with the facts that moved there:")
		out = append(out, f.changes()...)
	}
	if f.Note != "" {
		out = append(out, f.Note)
	}
	return out
}

// letter numbers changes: A to Z, then A2 and on.
func letter(i int) string {
	s := string(rune('A' + i%26))
	if i >= 26 {
		s += strconv.Itoa(i/26 + 1)
	}
	return s
}

func (c Chart) limits() bool { return drawable(c.Low) && drawable(c.High) && c.Low < c.High }

func (f History) panels(form Form, x extent) []block {
	xa := calendar(x, pick(form, 7, 5))
	var out []block
	for i, c := range f.Charts {
		p := panel{heading: c.Name + ", " + c.Unit, x: xa, wide: 120, narrow: 110}
		if i == 0 {
			p.wide, p.narrow = 190, 160
		}
		if i == len(f.Charts)-1 {
			p.xLabel = "day, UTC"
		}
		p.layers, p.y = c.layers(i)
		for k, change := range f.Changes {
			name := ""
			if i == 0 {
				name = letter(k)
			}
			p.layers = append(p.layers, upright{float64(change.At.Unix()), plain(words, 1), name})
		}
		out = append(out, p)
	}
	return out
}

func (c Chart) layers(i int) ([]plot.Plotter, axis) {
	e := nothing()
	var layers []plot.Plotter
	if c.limits() {
		e.add(c.Low, c.High)
		layers = append(layers, stretch{from: c.Low, to: c.High, vertical: true, ink: shade})
	}
	s := sideOf(i)
	for _, l := range c.Levels {
		e.add(l.Value)
		layers = append(layers, line{[]float64{float64(l.From.Unix()), float64(l.To.Unix())}, []float64{l.Value, l.Value}, plain(s.ink, 2)})
	}
	var usual, flagged, excluded dots
	for _, p := range c.Points {
		to := &usual
		switch {
		case p.Excluded:
			to = &excluded
		case p.Flagged:
			to = &flagged
		}
		to.x, to.y = append(to.x, float64(p.At.Unix())), append(to.y, p.Value)
		e.add(p.Value)
	}
	size := vg.Length(math.Max(1.6, math.Min(3, 260/float64(len(c.Points)))))
	usual.side, flagged.side, excluded.side = s, s, side{ink: quiet, mark: cross}
	usual.size, flagged.size, excluded.size, flagged.full = size, size*1.25, size, true
	return append(layers, usual, excluded, flagged), near(e, 4)
}
