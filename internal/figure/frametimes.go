package figure

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg/draw"
)

// Trace is the frame times of one run in order.
type Trace struct {
	Label string
	Nanos []int64       // positive
	Shift time.Duration // where its first frame lies on the clock of the sequence
}

// Moment is a stretch of a sequence that is worth pointing at.
type Moment struct {
	From, To time.Duration // on the clock of the sequence
	Text     string        // short: "1.53 times"
}

// FrameTimes shows the frame times of one run of each side along the sequence,
// above each other on the same axes.
type FrameTimes struct {
	Head
	Traces []Trace // base first
	Moment *Moment
	Window time.Duration // of the means, 1 s when zero
}

// trace is a Trace with what the drawing needs of it in any form.
type trace struct {
	Trace
	total    time.Duration
	usual    float64 // median, ms
	slowest  float64 // ms
	slowAt   float64 // s
	at, mean []float64
}

// Figure draws them.
func (f FrameTimes) Figure() (Figure, error) {
	if f.Window <= 0 {
		f.Window = time.Second
	}
	var traces []trace
	for _, t := range f.Traces {
		if d := describe(t, f.Window); d.total > 0 {
			traces = append(traces, d)
		}
	}
	if len(traces) == 0 {
		return Figure{}, fmt.Errorf("draw frame times: %w", ErrNothing)
	}
	return f.figure("frame times along the sequence", f.words(traces), f.caption(traces),
		func(form Form) []block { return f.panels(form, traces) }), nil
}

// describe drops what is no frame time, which a log that was not refused has none of.
func describe(t Trace, window time.Duration) trace {
	t.Nanos = slices.DeleteFunc(slices.Clone(t.Nanos), func(n int64) bool { return n <= 0 || n > 1e15 })
	t.Label = clean(t.Label)
	d := trace{Trace: t}
	for _, n := range t.Nanos {
		if ms := float64(n) / 1e6; ms > d.slowest {
			d.slowest, d.slowAt = ms, (t.Shift + d.total).Seconds()
		}
		d.total += time.Duration(n)
	}
	if len(t.Nanos) > 0 {
		sorted := slices.Sorted(slices.Values(t.Nanos))
		d.usual = float64(sorted[len(sorted)/2]) / 1e6
		d.at, d.mean = movingMean(t.Nanos, window.Seconds(), 400)
		for i := range d.at {
			d.at[i] += t.Shift.Seconds()
		}
	}
	return d
}

func (f FrameTimes) words(traces []trace) []string {
	var out []string
	for _, t := range traces {
		out = append(out, fmt.Sprintf("%s: %d frames in %s s, the middle one %s ms, the slowest %s ms at %s s.", t.Label, len(t.Nanos),
			digits(t.total.Seconds(), 3), digits(t.usual, 4), digits(t.slowest, 4), digits(t.slowAt, 4)))
	}
	if m := f.Moment; m != nil {
		out = append(out, fmt.Sprintf("Marked from %s s to %s s: %s.", digits(m.From.Seconds(), 4), digits(m.To.Seconds(), 4), clean(m.Text)))
	}
	return out
}

func (f FrameTimes) caption(traces []trace) []string {
	window := plainNumber(f.Window.Seconds())
	out := []string{fmt.Sprintf("Line: mean over %s s.", window)}
	if len(traces) == 2 {
		out[0] = fmt.Sprintf("Line: mean over %s s; the other line in each panel is the other side's.", window)
	}
	var counts []string
	for _, t := range traces {
		counts = append(counts, grouped(float64(len(t.Nanos)), 0))
	}
	out = append(out, fmt.Sprintf("Shaded: from the fastest to the slowest frame in each of %d columns (%d in the narrow drawing), of %s frames.",
		columnsOf(Wide), columnsOf(Narrow), strings.Join(counts, " and ")))
	for _, t := range traces[1:] {
		if t.Shift != 0 {
			out = append(out, fmt.Sprintf("Moved by %s s, so that the same content lies at the same place: %s.", signed(t.Shift.Seconds()), t.Label))
		}
	}
	return out
}

// columnsOf is how many columns a series is thinned to: less than one for each
// dot of a screen.
func columnsOf(f Form) int { return pick(f, 560, 280) }

func (f FrameTimes) panels(form Form, traces []trace) []block {
	x, y := nothing(), nothing()
	usual := math.Inf(1)
	for _, t := range traces {
		x.add(t.Shift.Seconds(), (t.Shift + t.total).Seconds())
		usual = min(usual, t.usual)
		for _, n := range t.Nanos {
			y.add(float64(n) / 1e6)
		}
	}
	xa, ya := along(x, pick(form, 9, 5)), heights(y, usual, 4)
	var out []block
	for i, t := range traces {
		s := sideOf(i)
		var layers []plot.Plotter
		if m := f.Moment; m != nil {
			layers = append(layers, stretch{from: m.From.Seconds(), to: m.To.Seconds(), ink: shade})
		}
		layers = append(layers, envelope{t.columns(xa, columnsOf(form)), s.faint, 0.6})
		for k, other := range traces {
			if k != i && len(traces) == 2 {
				layers = append(layers, line{other.at, other.mean, sideOf(k).line(1)})
			}
		}
		layers = append(layers, line{t.at, t.mean, draw.LineStyle{Color: s.ink, Width: 1.6, Dashes: s.dashes}})
		if m := f.Moment; m != nil && i == 0 {
			layers = append(layers, upright{m.From.Seconds(), plain(axisInk, 0.8), clean(m.Text)})
		}
		p := panel{heading: "frame time, ms", x: xa, y: ya, wide: 128, narrow: 100, layers: layers}
		if i == len(traces)-1 {
			p.xLabel = "time along the sequence, s"
		}
		out = append(out, nameplate{t.Label, s, false}, p)
	}
	return out
}

func (t trace) columns(xa axis, n int) *columns {
	c := newColumns(xa.min, xa.max, n)
	begin := t.Shift
	for _, v := range t.Nanos {
		end := begin + time.Duration(v)
		c.add(begin.Seconds(), end.Seconds(), float64(v)/1e6)
		begin = end
	}
	return c
}

// nameplate names what the panel under it shows.
type nameplate struct {
	text string
	side side
	mark bool
}
