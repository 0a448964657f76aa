package figure

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Track is one signal through a run: Values[i] was read Offsets[i] after its
// start.
type Track struct {
	Label   string
	Offsets []time.Duration
	Values  []float64
}

// Bound is a limit that a sensor states.
type Bound struct {
	Name  string
	Value float64
}

// Strip is the signals of one kind.
type Strip struct {
	Name, Unit string
	Tracks     []Track // at most five are told apart; more are shown as one band
	Bounds     []Bound
	Band       bool // show two or more as one band
	FromZero   bool // a quantity whose zero means nothing at all
}

// banded says whether the tracks are shown as one.
func (s Strip) banded() bool {
	return len(s.Tracks) > len(sides) || s.Band && len(s.Tracks) > 1
}

// Event is something that a run counted or was flagged for: throttling.
type Event struct {
	From, To time.Duration
	Text     string
}

// Course shows temperature, clock, power and what else was sampled along one run.
type Course struct {
	Head
	Strips []Strip
	Events []Event
}

// Figure draws them.
func (f Course) Figure() (Figure, error) {
	var said []string
	var kept []Strip
	x := nothing()
	left, thinned, banded := 0, false, false
	for _, s := range f.Strips {
		s, lost := s.tidy()
		left += lost
		if len(s.Tracks) == 0 {
			continue
		}
		for _, t := range s.Tracks {
			x.add(t.Offsets[0].Seconds(), t.Offsets[len(t.Offsets)-1].Seconds())
			thinned = thinned || len(t.Offsets) > columnsOf(Narrow)
		}
		banded = banded || s.banded()
		kept = append(kept, s)
		said = append(said, s.words())
	}
	if len(kept) == 0 {
		return Figure{}, fmt.Errorf("draw the course of a run: %w", ErrNothing)
	}
	f.Strips = kept
	for i, e := range f.Events {
		f.Events[i].Text = clean(e.Text)
		said = append(said, fmt.Sprintf("From %s s to %s s: %s.", digits(e.From.Seconds(), 4), digits(e.To.Seconds(), 4), f.Events[i].Text))
	}
	return f.figure("course of the run", said, f.caption(left, thinned, banded), func(form Form) []block { return f.panels(form, x) }), nil
}

func (f Course) caption(left int, thinned, banded bool) []string {
	out := []string{"Signals as the rig's sensors gave them, from the start of the workload."}
	if banded {
		out = append(out, "Where many of a kind are shown as one: shaded from the lowest to the highest of all, line: the middle one.")
	}
	if thinned {
		out = append(out, fmt.Sprintf("Drawn from the lowest to the highest sample in each of %d columns (%d in the narrow drawing).", columnsOf(Wide), columnsOf(Narrow)))
	}
	if len(f.Events) > 0 {
		out = append(out, "Shaded over the whole height: "+f.events()+".")
	}
	if left > 0 {
		out = append(out, fmt.Sprintf("%d samples that are no numbers are left out.", left))
	}
	return out
}

func (f Course) events() string {
	var texts []string
	for _, e := range f.Events {
		if !slices.Contains(texts, e.Text) {
			texts = append(texts, e.Text)
		}
	}
	return strings.Join(texts, ", ")
}

// tidy drops samples that cannot be drawn, and counts them.
func (s Strip) tidy() (Strip, int) {
	lost := 0
	var kept []Track
	for _, t := range s.Tracks {
		k := Track{Label: clean(t.Label)}
		for i := range min(len(t.Offsets), len(t.Values)) {
			if !drawable(t.Values[i]) {
				lost++
				continue
			}
			k.Offsets, k.Values = append(k.Offsets, t.Offsets[i]), append(k.Values, t.Values[i])
		}
		if len(k.Values) > 0 {
			kept = append(kept, k)
		}
	}
	s.Name, s.Unit, s.Tracks = clean(s.Name), clean(s.Unit), kept
	s.Bounds = slices.DeleteFunc(slices.Clone(s.Bounds), func(b Bound) bool { return !drawable(b.Value) })
	for i := range s.Bounds {
		s.Bounds[i].Name = clean(s.Bounds[i].Name)
	}
	return s, lost
}

func (s Strip) extent() extent {
	e := nothing()
	for _, t := range s.Tracks {
		e.add(t.Values...)
	}
	return e
}

func (s Strip) words() string {
	e := s.extent()
	out := fmt.Sprintf("%s, %d signals: from %s to %s %s", s.Name, len(s.Tracks), digits(e.low, 4), digits(e.high, 4), s.Unit)
	if len(s.Tracks) == 1 {
		out = fmt.Sprintf("%s, %s: from %s to %s %s", s.Name, s.Tracks[0].Label, digits(e.low, 4), digits(e.high, 4), s.Unit)
	}
	for _, b := range s.Bounds {
		out += fmt.Sprintf(", stated limit %s %s %s", b.Name, digits(b.Value, 4), s.Unit)
	}
	return out + "."
}

func (f Course) panels(form Form, x extent) []block {
	xa := along(x, pick(form, 9, 5))
	var out []block
	for i, s := range f.Strips {
		p := panel{heading: s.Name + ", " + s.Unit, x: xa, wide: 104, narrow: 92}
		if i == len(f.Strips)-1 {
			p.xLabel = "time since the start, s"
		}
		for _, e := range f.Events {
			p.layers = append(p.layers, stretch{from: e.From.Seconds(), to: e.To.Seconds(), ink: shade})
		}
		e := s.extent()
		for _, b := range s.Bounds {
			e.add(b.Value)
		}
		p.y = near(e, 3)
		if s.FromZero {
			p.y = fromZero(e, 3)
		}
		if s.banded() {
			s.band(&p, xa, form)
		} else {
			s.tracks(&p, xa, form)
		}
		indent := vg.Length(3)
		for _, b := range s.Bounds { // beside each other: limits may lie close
			a := across{b.Value, draw.LineStyle{Color: words, Width: 0.9, Dashes: []vg.Length{2, 2}}, "stated limit: " + b.Name, indent}
			indent += style(small, words, draw.XLeft, draw.YTop).Width(a.text) + 14
			p.layers = append(p.layers, a)
		}
		out = append(out, p)
	}
	return out
}

// tracks draws each signal as a line, or from the lowest to the highest of each
// column where it has more samples than there are columns.
func (s Strip) tracks(p *panel, xa axis, form Form) {
	n := columnsOf(form)
	for i, t := range s.Tracks {
		side := sideOf(i)
		if len(t.Offsets) > n {
			c := newColumns(xa.min, xa.max, n)
			for k, v := range t.Values {
				c.add(t.Offsets[k].Seconds(), t.Offsets[k].Seconds(), v)
			}
			c = c.joined(t.pause())
			p.layers = append(p.layers, envelope{c, side.faint, 0.8})
			at, mid := c.middles()
			p.layers = append(p.layers, line{at, mid, side.line(1.4)})
		} else {
			at, values := t.paused()
			p.layers = append(p.layers, line{at, values, side.line(1.4)})
		}
		p.labels = append(p.labels, label{t.Label, last(t.Values), side, false})
	}
}

// band draws many signals of a kind as one.
func (s Strip) band(p *panel, xa axis, form Form) {
	n := columnsOf(form) / 4
	all := newColumns(xa.min, xa.max, n)
	middles := make([][]float64, n)
	for _, t := range s.Tracks {
		c := newColumns(xa.min, xa.max, n)
		for k, v := range t.Values {
			c.add(t.Offsets[k].Seconds(), t.Offsets[k].Seconds(), v)
		}
		for i, cell := range c.joined(t.pause()).cell {
			if cell.low <= cell.high {
				all.cell[i].low, all.cell[i].high = math.Min(all.cell[i].low, cell.low), math.Max(all.cell[i].high, cell.high)
				middles[i] = append(middles[i], (cell.low+cell.high)/2)
			}
		}
	}
	var at, mid []float64
	for i, values := range middles {
		at, mid = append(at, all.center(i)), append(mid, math.NaN())
		if len(values) > 0 {
			slices.Sort(values)
			mid[i] = values[len(values)/2]
		}
	}
	p.layers = append(p.layers, envelope{all, faintA, 0.8}, line{at, mid, plain(inkA, 1.5)})
	p.labels = append(p.labels, label{fmt.Sprintf("middle of %d", len(s.Tracks)), last(mid), sideOf(0), false})
}

// pause is how many seconds without a sample are a gap: three times the usual
// distance between two.
func (t Track) pause() float64 {
	var steps []time.Duration
	for i := 1; i < len(t.Offsets); i++ {
		steps = append(steps, t.Offsets[i]-t.Offsets[i-1])
	}
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return 3 * steps[len(steps)/2].Seconds()
}

// paused gives the samples with a break at each gap.
func (t Track) paused() (at, values []float64) {
	pause := t.pause()
	for i, o := range t.Offsets {
		if i > 0 && (o-t.Offsets[i-1]).Seconds() > pause {
			at, values = append(at, o.Seconds()), append(values, math.NaN())
		}
		at, values = append(at, o.Seconds()), append(values, t.Values[i])
	}
	return at, values
}
