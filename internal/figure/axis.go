package figure

import (
	"math"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/plot"
)

// axis is one direction of a panel. It covers what it was made for.
type axis struct {
	min, max float64
	ticks    []plot.Tick
	scale    plot.Normalizer
	torn     bool   // it does not start at 0, and is drawn so
	warning  string // the same in words
}

const (
	notFromZero = "axis does not start at 0"
	isLog       = "logarithmic axis"
)

// limit is the largest magnitude that is drawn. Every unit of the catalogue
// stays far below it, and sums of a few such values stay exact enough to place.
const limit = 1e12

// drawable reports whether v can be placed on an axis.
func drawable(v float64) bool { return v >= -limit && v <= limit }

// extent is the range of what is drawn.
type extent struct{ low, high float64 }

func nothing() extent { return extent{math.Inf(1), math.Inf(-1)} }

func (e *extent) add(values ...float64) {
	for _, v := range values {
		if drawable(v) {
			e.low, e.high = math.Min(e.low, v), math.Max(e.high, v)
		}
	}
}

func (e extent) empty() bool { return e.low > e.high }

// along covers e with ticks inside it and no rounding up: for positions on a
// sequence.
func along(e extent, count int) axis {
	if e.empty() {
		e = extent{0, 1}
	}
	e = widened(e)
	a := axis{min: e.low, max: e.high, scale: plot.LinearScale{}}
	for ; len(a.ticks) < 2; count++ { // two ticks at least give the scale
		a.ticks = between(e.low, e.high, stepFor(e.high-e.low, count))
	}
	return a
}

// fromZero covers 0 and e.
func fromZero(e extent, count int) axis {
	e.add(0)
	return rounded(e, count)
}

// near covers e, from zero where that costs less than half of the room, and torn
// otherwise.
func near(e extent, count int) axis {
	if e.empty() {
		return fromZero(e, count)
	}
	if e.low >= 0 && e.low <= 0.5*e.high {
		return fromZero(e, count)
	}
	margin := 0.03 * (e.high - e.low) // nothing is drawn on the torn edge
	a := rounded(extent{e.low - margin, e.high + margin}, count)
	if a.min > 0 || a.max < 0 {
		a.torn, a.warning = true, notFromZero
	}
	return a
}

// heights covers durations: from zero, or logarithmic where the longest is so far
// from the usual one that the rest would lie flat on the ground.
func heights(e extent, usual float64, count int) axis {
	if e.empty() || !(e.low > 0) || !(usual > 0) || e.high <= 6*usual {
		return fromZero(e, count)
	}
	return logarithmic(e)
}

func rounded(e extent, count int) axis {
	if e.empty() {
		e = extent{0, 1}
	}
	e = widened(e)
	step := stepFor(e.high-e.low, count)
	low, high := math.Floor(e.low/step+1e-9)*step, math.Ceil(e.high/step-1e-9)*step
	return axis{
		min: math.Min(low, e.low), max: math.Max(high, e.high),
		ticks: between(low, high, step), scale: plot.LinearScale{},
	}
}

// widened keeps the range of equal or nearly equal values from having no width.
func widened(e extent) extent {
	least := 1e-6 * math.Max(math.Abs(e.low), math.Abs(e.high))
	if least == 0 {
		return extent{e.low, e.low + 1}
	}
	if e.high-e.low < least {
		mid := e.low + (e.high-e.low)/2
		return extent{mid - 1000*least, mid + 1000*least}
	}
	return e
}

// stepFor is the round step of 1, 2 or 5 that gives at most about count intervals.
func stepFor(span float64, count int) float64 {
	raw := span / float64(max(count, 1))
	magnitude := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range []float64{1, 2, 5, 10} {
		if f*magnitude >= raw*(1-1e-9) {
			return f * magnitude
		}
	}
	return 10 * magnitude
}

// between gives the multiples of step in the closed range.
func between(low, high, step float64) []plot.Tick {
	decimals := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	var out []plot.Tick
	first := math.Ceil(low/step - 1e-6)
	for i := 0.; i <= 50; i++ {
		v := (first + i) * step
		if v > high+step*1e-6 {
			break
		}
		if first+i == 0 {
			v = 0
		}
		out = append(out, plot.Tick{Value: math.Max(low, math.Min(high, v)), Label: grouped(v, decimals)})
	}
	return out
}

// grouped writes a number with a thin gap before each three digits: 12 500.
func grouped(v float64, decimals int) string {
	if decimals > 6 { // far below what any unit here measures
		return strings.Replace(strconv.FormatFloat(v, 'g', 5, 64), "-", "\u2212", 1)
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	whole, rest := s, ""
	if decimals > 0 {
		whole, rest = s[:len(s)-decimals-1], s[len(s)-decimals-1:]
	}
	for i := len(whole) - 3; i > 0 && len(whole) > 4; i -= 3 {
		whole = whole[:i] + "\u2009" + whole[i:]
	}
	if v < 0 && s != strconv.FormatFloat(0, 'f', decimals, 64) {
		return "\u2212" + whole + rest
	}
	return whole + rest
}

// logScale is the library's without its panic: what is not positive lies on the
// lower edge.
type logScale struct{}

func (logScale) Normalize(low, high, x float64) float64 {
	if x <= low {
		return 0
	}
	return (math.Log(x) - math.Log(low)) / (math.Log(high) - math.Log(low))
}

// logarithmic covers positive values with ticks at 1, 2 and 5 of each decade, or
// at decades alone where there are many.
func logarithmic(e extent) axis {
	a := axis{scale: logScale{}, torn: true, warning: isLog}
	step := func(v float64, up bool) float64 {
		decade := math.Pow(10, math.Floor(math.Log10(v)))
		best := decade
		for _, f := range []float64{1, 2, 5, 10} {
			switch {
			case up && f*decade >= v*(1-1e-9):
				return f * decade
			case !up && f*decade <= v*(1+1e-9):
				best = f * decade
			}
		}
		return best
	}
	a.min, a.max = math.Min(step(e.low, false), e.low), math.Max(step(e.high, true), e.high)
	if a.max < a.min*1.0001 {
		a.max = 2 * a.min
	}
	decades := math.Log10(a.max) - math.Log10(a.min)
	for d := math.Floor(math.Log10(a.min)); d <= math.Log10(a.max)+1e-9; d += math.Max(1, math.Ceil(decades/8)) {
		for _, f := range []float64{1, 2, 5} {
			v := f * math.Pow(10, d)
			if v < a.min*(1-1e-9) || v > a.max*(1+1e-9) || f > 1 && decades > 3 {
				continue
			}
			on := min(max(v, a.min), a.max) // off by a rounding at most
			a.ticks = append(a.ticks, plot.Tick{Value: on, Label: decadeLabel(v, int(d))})
		}
	}
	return a
}

// decadeLabel writes out what is as large as anything measured, and the rest with
// an exponent.
func decadeLabel(v float64, decade int) string {
	if decade < -4 {
		return strconv.FormatFloat(v, 'g', 2, 64)
	}
	return grouped(v, max(0, -decade))
}

// tail places a share p of 0 to 1 by how few lie beyond it: the same room for 90
// to 99 % as for 99 to 99.9 %.
func tail(p float64) float64 { return -math.Log10(1 - p) }

func tailAxis(highest float64) axis {
	a := axis{min: 0, max: math.Max(tail(highest), 1), scale: plot.LinearScale{}}
	for _, t := range []struct {
		p     float64
		label string
	}{{0, "fastest"}, {.5, "50 %"}, {.9, "90 %"}, {.99, "99 %"}, {.999, "99.9 %"}, {.9999, "99.99 %"}, {.99999, "99.999 %"}} {
		if u := tail(t.p); u <= a.max+1e-9 {
			a.ticks = append(a.ticks, plot.Tick{Value: u, Label: t.label})
		}
	}
	return a
}

// calendar covers moments, counted in seconds of Unix time, with ticks at
// round ones in UTC.
func calendar(e extent, count int) axis {
	if e.empty() {
		e = extent{0, 86400}
	}
	if e.high-e.low < 60 {
		e.low, e.high = e.low-1800, e.high+1800
	}
	margin := 0.02 * (e.high - e.low)
	a := axis{min: e.low - margin, max: e.high + margin, scale: plot.LinearScale{}}
	for ; len(a.ticks) < 2 && count < 100; count++ {
		a.ticks = calendarTicks(a.min, a.max, count)
	}
	return a
}

func calendarTicks(low, high float64, count int) (out []plot.Tick) {
	step := calendarSteps[len(calendarSteps)-1]
	for _, s := range calendarSteps {
		if (high-low)/s.seconds <= float64(count) {
			step = s
			break
		}
	}
	for step.years > 0 && (high-low)/step.seconds > float64(count) {
		step.years, step.seconds = 2*step.years, 2*step.seconds
	}
	first := time.Unix(int64(math.Floor(low)), 0).UTC()
	for t, n := step.floor(first), 0; t.Unix() <= int64(high) && n < 10*count+10; t, n = step.next(t), n+1 {
		if at := float64(t.Unix()); at >= low {
			out = append(out, plot.Tick{Value: at, Label: t.Format(step.layout)})
		}
	}
	return out
}

// calendarStep is a span between ticks: of seconds alone, or of months or years.
type calendarStep struct {
	seconds       float64 // about
	months, years int
	layout        string
}

const (
	hour = 3600.
	day  = 24 * hour
)

var calendarSteps = []calendarStep{
	{600, 0, 0, "15:04"}, {hour, 0, 0, "15:04"}, {3 * hour, 0, 0, "2 Jan 15:04"}, {6 * hour, 0, 0, "2 Jan 15:04"}, {day, 0, 0, "2 Jan"},
	{2 * day, 0, 0, "2 Jan"}, {7 * day, 0, 0, "2 Jan"}, {14 * day, 0, 0, "2 Jan 2006"}, {30.4 * day, 1, 0, "Jan 2006"},
	{91.3 * day, 3, 0, "Jan 2006"}, {182.6 * day, 6, 0, "Jan 2006"}, {365.2 * day, 0, 1, "2006"},
}

func (s calendarStep) floor(t time.Time) time.Time {
	switch {
	case s.years > 0:
		return time.Date(t.Year()-t.Year()%s.years, 1, 1, 0, 0, 0, 0, time.UTC)
	case s.months > 0:
		m := int(t.Month()) - 1
		return time.Date(t.Year(), time.Month(m-m%s.months+1), 1, 0, 0, 0, 0, time.UTC)
	}
	return t.Truncate(time.Duration(s.seconds) * time.Second)
}

func (s calendarStep) next(t time.Time) time.Time {
	switch {
	case s.years > 0:
		return t.AddDate(s.years, 0, 0)
	case s.months > 0:
		return t.AddDate(0, s.months, 0)
	}
	return t.Add(time.Duration(s.seconds) * time.Second)
}
