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
	Traces  []Trace // base first
	Moment  *Moment
	Window  time.Duration // of the means, 1 s when zero
	ByFrame bool          // content moves on by frames: they are laid out by number, and no trace is moved
	Note    string        // a sentence for the caption
}

// trace is a Trace with what the drawing needs of it in any form. Places are in
// seconds on the clock of the sequence, or frames.
type trace struct {
	Trace
	total      time.Duration
	usual      float64 // median, ms
	slowest    float64 // ms
	slowAt     float64
	begin, end float64
	at, mean   []float64
}

// framesOfMean is the window of the means where frames are laid out by number.
const framesOfMean = 61

// Figure draws them.
func (f FrameTimes) Figure() (Figure, error) {
	if f.Window <= 0 {
		f.Window = time.Second
	}
	var traces []trace
	for _, t := range f.Traces {
		if d := f.describe(t); d.total > 0 {
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
func (f FrameTimes) describe(t Trace) trace {
	t.Nanos = slices.DeleteFunc(slices.Clone(t.Nanos), func(n int64) bool { return n <= 0 || n > 1e15 })
	t.Label = clean(t.Label)
	if f.ByFrame {
		t.Shift = 0
	}
	d := trace{Trace: t, begin: t.Shift.Seconds()}
	for i, n := range t.Nanos {
		if ms := float64(n) / 1e6; ms > d.slowest {
			d.slowest, d.slowAt = ms, d.begin+d.total.Seconds()
			if f.ByFrame {
				d.slowAt = float64(i)
			}
		}
		d.total += time.Duration(n)
	}
	if len(t.Nanos) == 0 {
		return d
	}
	sorted := slices.Sorted(slices.Values(t.Nanos))
	d.usual = float64(sorted[len(sorted)/2]) / 1e6
	if f.ByFrame {
		d.end = float64(len(t.Nanos))
		d.at, d.mean = meanOfFrames(t.Nanos, framesOfMean, 400)
		return d
	}
	d.end = d.begin + d.total.Seconds()
	d.at, d.mean = movingMean(t.Nanos, f.Window.Seconds(), 400)
	for i := range d.at {
		d.at[i] += d.begin
	}
	return d
}

// place names a place on the horizontal axis.
func (f FrameTimes) place(v float64) string {
	if f.ByFrame {
		return "frame " + grouped(v, 0)
	}
	return digits(v, 4) + " s"
}

func (f FrameTimes) words(traces []trace) []string {
	var out []string
	for _, t := range traces {
		out = append(out, fmt.Sprintf("%s: %d frames in %s s, the middle one %s ms, the slowest %s ms at %s.", t.Label, len(t.Nanos),
			digits(t.total.Seconds(), 3), digits(t.usual, 4), digits(t.slowest, 4), f.place(t.slowAt)))
	}
	if m := f.Moment; m != nil {
		out = append(out, fmt.Sprintf("Marked from %s s to %s s: %s.", digits(m.From.Seconds(), 4), digits(m.To.Seconds(), 4), clean(m.Text)))
	}
	return out
}

func (f FrameTimes) caption(traces []trace) []string {
	window := plainNumber(f.Window.Seconds()) + " s"
	if f.ByFrame {
		window = fmt.Sprintf("%d frames", framesOfMean)
	}
	out := []string{fmt.Sprintf("Line: mean over %s.", window)}
	if len(traces) == 2 {
		out[0] = fmt.Sprintf("Line: mean over %s; the other line in each panel is the other side's.", window)
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
	if f.Note != "" {
		out = append(out, f.Note)
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
		x.add(t.begin, t.end)
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
		layers = append(layers, envelope{f.columns(t, xa, columnsOf(form)), s.faint, 0.6})
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
			if f.ByFrame {
				p.xLabel = "frame number"
			}
		}
		out = append(out, nameplate{t.Label, s, false}, p)
	}
	return out
}

func (f FrameTimes) columns(t trace, xa axis, n int) *columns {
	c := newColumns(xa.min, xa.max, n)
	at := t.Shift
	for i, v := range t.Nanos {
		if f.ByFrame {
			c.add(float64(i), float64(i+1), float64(v)/1e6)
			continue
		}
		end := at + time.Duration(v)
		c.add(at.Seconds(), end.Seconds(), float64(v)/1e6)
		at = end
	}
	return c
}

// nameplate names what the panel under it shows.
type nameplate struct {
	text string
	side side
	mark bool
}
