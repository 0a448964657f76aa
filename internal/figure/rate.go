package figure

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/plot"
)

// RateAlong shows the rates of two sides along the sequence with their ratio
// below. Base[i] and Against[i] are frames/s in the window that begins at
// Start[i]; NaN where there is none.
type RateAlong struct {
	Head
	Labels        [2]string // base, against
	Start         []time.Duration
	Window        time.Duration
	Base, Against []float64
	Moment        *Moment // the largest sustained gap, if it is claimed
	Repeats       float64 // the largest ratio above 1 that repeats of one side show among themselves; 0 if not known
	Note          string  // a sentence for the caption
}

// Figure draws them.
func (f RateAlong) Figure() (Figure, error) {
	n := min(len(f.Start), len(f.Base), len(f.Against))
	var x, ratio []float64
	found := nothing()
	largest := 0
	for i := range n {
		x = append(x, (f.Start[i] + f.Window/2).Seconds())
		r := f.Against[i] / f.Base[i]
		if !(r > 0) {
			r = math.NaN()
		}
		ratio = append(ratio, r)
		found.add(r)
		if drawable(r) && !(math.Abs(math.Log(ratio[largest])) >= math.Abs(math.Log(r))) {
			largest = i
		}
	}
	if found.empty() {
		return Figure{}, fmt.Errorf("draw rates along the sequence: %w", ErrNothing)
	}
	for i := range f.Labels {
		f.Labels[i] = clean(f.Labels[i])
	}
	said := []string{fmt.Sprintf("The ratio of %s to %s lies between %s and %s; it is farthest from 1 in the window from %s s, where they reach %s and %s frames/s.",
		f.Labels[1], f.Labels[0], digits(found.low, 4), digits(found.high, 4), digits(f.Start[largest].Seconds(), 4),
		digits(f.Against[largest], 4), digits(f.Base[largest], 4))}
	if m := f.Moment; m != nil {
		said = append(said, fmt.Sprintf("Marked from %s s to %s s: %s.", digits(m.From.Seconds(), 4), digits(m.To.Seconds(), 4), clean(m.Text)))
	}
	caption := []string{fmt.Sprintf("Rates in a window of %s s, drawn at its middle; geometric means over the runs.", plainNumber(f.Window.Seconds()))}
	if f.Repeats > 1 {
		caption = append(caption, fmt.Sprintf("Shaded around 1: what repeats of one side differ by among themselves, %s times at most.", digits(f.Repeats, 4)))
	}
	if f.Note != "" {
		caption = append(caption, f.Note)
	}
	return f.figure("rate along the sequence", said, caption, func(form Form) []block { return f.panels(form, x, ratio) }), nil
}

func (f RateAlong) panels(form Form, x, ratio []float64) []block {
	xe, rates, ratios := nothing(), nothing(), nothing()
	xe.add(x...)
	rates.add(f.Base[:len(x)]...)
	rates.add(f.Against[:len(x)]...)
	ratios.add(ratio...)
	ratios.add(1)
	xa := along(xe, pick(form, 9, 5))
	var behind []plot.Plotter
	if m := f.Moment; m != nil {
		behind = append(behind, stretch{from: m.From.Seconds(), to: m.To.Seconds(), ink: shade})
	}
	upper := panel{
		heading: "rate, frames/s", x: xa, y: near(rates, 4), wide: 150, narrow: 130,
		layers: append(append([]plot.Plotter{}, behind...),
			line{x, f.Base[:len(x)], sideOf(0).line(1.7)}, line{x, f.Against[:len(x)], sideOf(1).line(1.7)}),
		labels: []label{{f.Labels[0], last(f.Base[:len(x)]), sideOf(0), false}, {f.Labels[1], last(f.Against[:len(x)]), sideOf(1), false}},
	}
	lower := panel{
		heading: "ratio of " + f.Labels[1] + " to " + f.Labels[0], x: xa, xLabel: "time along the sequence, s",
		wide: 110, narrow: 100, layers: behind,
	}
	if f.Repeats > 1 {
		ratios.add(1/f.Repeats, f.Repeats)
		lower.layers = append(lower.layers, stretch{from: 1 / f.Repeats, to: f.Repeats, vertical: true, ink: rule})
	}
	if f.Moment != nil { // room for its words
		ratios.add(ratios.high + 0.2*(ratios.high-ratios.low))
	}
	lower.y = near(ratios, 4)
	lower.layers = append(lower.layers, across{at: 1, style: plain(axisInk, 1)}, line{x, ratio, plain(words, 1.5)})
	if m := f.Moment; m != nil {
		lower.layers = append(lower.layers, f.pointAt(*m, x, ratio))
	}
	return []block{upper, lower}
}

// pointAt puts the words of the moment at the farthest point in it.
func (f RateAlong) pointAt(m Moment, x, ratio []float64) callout {
	at, best := (m.From+m.To).Seconds()/2, 1.
	for i, v := range ratio {
		if m.From.Seconds() <= x[i] && x[i] <= m.To.Seconds() && drawable(v) && math.Abs(math.Log(v)) > math.Abs(math.Log(best)) {
			at, best = x[i], v
		}
	}
	return callout{at, best, clean(m.Text), true}
}
