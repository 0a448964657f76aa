package figure

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg/draw"

	"witnessmark/internal/stats"
)

// Group is the runs of one side.
type Group struct {
	Label string
	Side  int       // 0 is base
	Runs  [][]int64 // frame times in ns of each run
}

// Distribution shows which share of the frames took at most how long, for each run
// and for the middle of each side's runs. The slow end has as much room as the
// rest.
type Distribution struct {
	Head
	Groups []Group // base first
}

// thinTail is how many slower frames a percentile must have beyond it to be
// drawn, as a percentile must that is printed.
const thinTail = 5

// curve is a percentile curve on the places of tail.
type curve struct {
	u, ms   []float64
	highest float64 // the share it reaches
}

type group struct {
	label   string
	side    side
	runs    []curve
	middle  curve
	slowest float64 // ms
	usual   float64
}

// Figure draws them.
func (f Distribution) Figure() (Figure, error) {
	var groups []group
	for _, g := range f.Groups {
		if d := describeGroup(g); len(d.runs) > 0 {
			groups = append(groups, d)
		}
	}
	if len(groups) == 0 {
		return Figure{}, fmt.Errorf("draw distribution: %w", ErrNothing)
	}
	var said []string
	for _, g := range groups {
		said = append(said, g.words())
	}
	caption := []string{
		"The share of the frames that took at most this long; the axis gives the slowest tenth, hundredth and thousandth equal room.",
		"Thick: middle of the runs. Thin: each run.",
		fmt.Sprintf("A curve ends where fewer than %d frames are slower.", thinTail),
	}
	return f.figure("distribution of frame times", said, caption, func(form Form) []block { return f.panel(form, groups) }), nil
}

func describeGroup(g Group) group {
	d := group{label: clean(g.Label), side: sideOf(g.Side)}
	for _, r := range g.Runs {
		ms := make([]float64, 0, len(r))
		for _, n := range r {
			if n > 0 && n <= 1e15 {
				ms = append(ms, float64(n)/1e6)
			}
		}
		slices.Sort(ms)
		if c := percentiles(ms); len(c.u) > 0 {
			d.runs = append(d.runs, c)
			d.slowest = max(d.slowest, ms[len(ms)-1])
		}
	}
	if len(d.runs) > 0 {
		d.middle = middleOf(d.runs)
		d.usual = d.middle.at(0.5)
	}
	return d
}

// perDecade is how finely a curve is drawn.
const perDecade = 60

func percentiles(ascending []float64) curve {
	var c curve
	c.highest = 1 - thinTail/float64(len(ascending))
	if c.highest < 0.5 {
		return c
	}
	for i := 0; ; i++ {
		u := float64(i) / perDecade
		p := 1 - math.Pow(10, -u)
		if p > c.highest {
			break
		}
		c.u = append(c.u, u)
		c.ms = append(c.ms, stats.HF(7).Quantile(ascending, p))
	}
	return c
}

// middleOf is the median over the runs at each place that all of them reach.
func middleOf(runs []curve) curve {
	n := len(runs[0].u)
	for _, r := range runs {
		n = min(n, len(r.u))
	}
	m := curve{u: runs[0].u[:n]}
	for i := range n {
		var at []float64
		for _, r := range runs {
			at = append(at, r.ms[i])
		}
		m.ms = append(m.ms, stats.Median(at))
	}
	m.highest = 1 - math.Pow(10, -m.u[n-1])
	return m
}

func (c curve) at(p float64) float64 {
	i := int(math.Round(tail(p) * perDecade))
	if i >= len(c.ms) {
		return math.NaN()
	}
	return c.ms[i]
}

func (g group) words() string {
	s := fmt.Sprintf("%s, %d runs: half of the frames took at most %s ms", g.label, len(g.runs), digits(g.usual, 4))
	if len(g.runs) == 1 {
		s = fmt.Sprintf("%s, one run: half of the frames took at most %s ms", g.label, digits(g.usual, 4))
	}
	for _, t := range []struct {
		p    float64
		name string
	}{{.9, "90"}, {.99, "99"}, {.999, "99.9"}} {
		if v := g.middle.at(t.p); drawable(v) {
			s += fmt.Sprintf(", %s %% at most %s ms", t.name, digits(v, 4))
		}
	}
	return s + fmt.Sprintf("; the slowest of all took %s ms.", digits(g.slowest, 4))
}

func (f Distribution) panel(form Form, groups []group) []block {
	y := nothing()
	highest, usual := 0., math.Inf(1)
	p := panel{heading: "frame time, ms", xLabel: "share of the frames that took at most this long", wide: 230, narrow: 200}
	var front []plot.Plotter
	for _, g := range groups {
		s := g.side
		for _, r := range g.runs {
			y.add(r.ms...)
			highest = max(highest, r.highest)
			if len(g.runs) > 1 {
				p.layers = append(p.layers, line{r.u, r.ms, draw.LineStyle{Color: s.faint, Width: 0.9}})
			}
		}
		usual = min(usual, g.usual)
		front = append(front, line{g.middle.u, g.middle.ms, s.line(2)})
		p.labels = append(p.labels, label{g.label, last(g.middle.ms), s, false})
	}
	p.layers = append(p.layers, front...)
	p.x, p.y = tailAxis(highest), heights(y, usual, 5)
	if !form.beside {
		p.x.ticks = p.x.ticks[1:]
	}
	return []block{p}
}
