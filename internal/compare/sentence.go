package compare

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"witnessmark/internal/stats"
)

// Rounded prints a value with no more digits than its standard uncertainty
// carries, two of it; three digits where the uncertainty is not known.
func Rounded(value, u float64) string {
	switch {
	case math.IsNaN(value) || math.IsInf(value, 0):
		return "-"
	case u > 0 && !math.IsInf(u, 0):
		s, _ := stats.RoundTo(value, u)
		return s
	case value == 0:
		return "0"
	}
	decimals := max(0, 2-int(math.Floor(math.Log10(math.Abs(value)))))
	scale := math.Pow10(decimals)
	return strconv.FormatFloat(math.Round(value*scale)/scale, 'f', decimals, 64)
}

// RatioText prints the figure's ratio and interval; low and high are "" where
// there is none, and all are "" where the ratio was withheld.
func RatioText(c stats.Comparison) (value, low, high string) {
	r := ratioValue(c)
	if r == nil {
		return "", "", ""
	}
	if c.Test == nil || c.Interval == nil {
		return Rounded(*r, 0), "", ""
	}
	u := *r * c.Test.SE
	return Rounded(*r, u), Rounded(c.Interval.Low, u), Rounded(c.Interval.High, u)
}

// MeanText prints a side's geometric mean.
func MeanText(r stats.Repeats) string {
	v, ok := r.GeoMean.Get()
	if !ok {
		return "-"
	}
	cv, ok := r.CV.Get()
	if !ok {
		return Rounded(v, 0)
	}
	return Rounded(v, v*cv/100/math.Sqrt(float64(r.N)))
}

// Percent prints a relative difference: 0.0123 as "1.2 %".
func Percent(f float64) string { return PercentTo(f, 0) }

// PercentTo prints a relative difference to what its uncertainty carries; two
// digits where that is not known.
func PercentTo(f, u float64) string {
	if u > 0 {
		return Rounded(100*f, 100*u) + " %"
	}
	return strconv.FormatFloat(two(100*f), 'f', -1, 64) + " %"
}

// two rounds to two significant digits.
func two(f float64) float64 {
	if f == 0 || math.IsNaN(f) || math.IsInf(f, 0) {
		return f
	}
	s := strconv.FormatFloat(f, 'g', 2, 64)
	v, _ := strconv.ParseFloat(s, 64)
	return v
}

// Sentence says in words what the workload's comparison came to.
func (w Workload) Sentence() string {
	v := w.Verdict
	if len(w.Figures) == 0 || v.Verdict == stats.NoVerdict {
		return w.without()
	}
	value, low, high := RatioText(v.Comparison)
	interval := fmt.Sprintf("ratio %s, %s interval %s to %s", value, Percent(v.Interval.Level), low, high)
	switch v.Verdict {
	case stats.Different:
		s := fmt.Sprintf("different: what is held against the base is %s; %s", w.ahead(), interval)
		if has(v.Notes, stats.AtLeastMargin) {
			s += fmt.Sprintf("; by at least the margin of %s", Percent(v.Margin))
		}
		return s
	case stats.NoPracticalDifference:
		s := fmt.Sprintf("no practical difference: within %s by an equivalence test; %s", Percent(v.Margin), interval)
		if has(v.Notes, stats.SmallDifferenceDetected) {
			s += "; a difference smaller than the margin was detected"
		}
		return s
	}
	return fmt.Sprintf("not resolved: %s; this design finds differences of %s; %s", interval, resolvable(v.Comparison), w.Needed())
}

// without says why there is no verdict.
func (w Workload) without() string {
	v := w.Verdict
	s := "no verdict: " + strings.Join(Marks(v.Grade), "; ")
	if value, _, _ := RatioText(v.Comparison); value != "" {
		s += "; the ratio is " + value + ", without an interval"
	}
	if w.Unresolved() {
		s += "; " + w.Needed()
	}
	return s
}

// ahead puts the ratio into words by the direction that is better.
func (w Workload) ahead() string {
	v := w.Verdict
	r := v.Ratio.Value
	p := PercentTo(math.Abs(r-1), r*v.Test.SE)
	switch {
	case v.Direction == stats.LowerBetter && r > 1:
		return p + " higher, which is worse"
	case v.Direction == stats.LowerBetter:
		return p + " lower, which is better"
	case r > 1:
		return p + " ahead"
	}
	return p + " behind"
}

func resolvable(c stats.Comparison) string {
	if v, ok := c.Resolvable.Get(); ok {
		return Percent(v) + " and more"
	}
	return "not known how much"
}

// Needed says how many repeats would bring a verdict.
func (w Workload) Needed() string {
	n := w.Verdict.RepeatsNeeded
	v, ok := n.Get()
	switch {
	case !ok:
		return "no practicable number of repeats resolves it"
	case n.Has(stats.SpreadUnknown):
		return fmt.Sprintf("at least %.0f runs on each side are needed; how many resolve %s follows from their spread", v, Percent(w.Verdict.Margin))
	}
	return fmt.Sprintf("%.0f runs on each side would resolve it with a probability of %s", v, Percent(powerOf(n)))
}

func powerOf(n stats.Number) float64 {
	for _, p := range n.Params {
		if p.Name == "power" {
			return p.Value
		}
	}
	return math.NaN()
}

func has(notes []stats.Note, n stats.Note) bool {
	for _, x := range notes {
		if x == n {
			return true
		}
	}
	return false
}

// Sentences says in words what the sequence shows, one line each.
func (m Moments) Sentences() []string {
	u := 0.0
	within := "no side was repeated, so that it is not known what chance alone makes"
	if null, ok := m.LargestWithin.Get(); ok {
		u = math.Log(null)
		within = fmt.Sprintf("repeats of one side differ by up to %s somewhere", Percent(null-1))
	}
	g, r := m.Largest, m.Ratio(m.Largest)
	claim := "largest sustained gap"
	if !m.Claimed {
		claim = "no gap is claimed; the largest is"
	}
	out := []string{
		fmt.Sprintf("ratio over the sequence %s", Rounded(1/m.Overall, u)),
		fmt.Sprintf("%s over %.0f s from %.1f s on: %s and %s frames/s, ratio %s; %s", claim, m.Window.Seconds(), g.Start.Seconds(),
			Rounded(g.RateA, u*g.RateA), Rounded(g.RateB, u*g.RateB), Rounded(r, u*r), within),
	}
	if h := m.HeldOutRatio(); h != nil && h.Interval != nil {
		value, low, high := RatioText(*h)
		out = append(out, fmt.Sprintf("chosen on half of the runs, at %.1f s, and measured on the others: ratio %s, %s interval %s to %s",
			m.HeldOutAt.Start.Seconds(), value, Percent(h.Interval.Level), low, high))
	}
	if m.Level != nil {
		out = append(out, fmt.Sprintf("no window differs by more than %s from %.1f to %.1f s", Percent(m.LevelBound-1), m.Level.From.Seconds(), m.Level.To.Seconds()))
	} else {
		out = append(out, fmt.Sprintf("every window differs by more than %s", Percent(m.LevelBound-1)))
	}
	return append(out, fmt.Sprintf("roughest: the base from %.1f s on, %s from frame to frame; against it from %.1f s on, %s",
		m.RoughestA.From.Seconds(), Percent(m.rough(m.RoughestA, m.RoughA).step()), m.RoughestB.From.Seconds(), Percent(m.rough(m.RoughestB, m.RoughB).step())))
}

func (r RoughJSON) step() float64 {
	if r.Step == nil {
		return math.NaN()
	}
	return *r.Step
}

// Marks gives the parts of a reason without their codes.
func Marks(g stats.Grade) (out []string) {
	for _, part := range strings.Split(g.Reason, "; ") {
		code, words, ok := strings.Cut(part, ": ")
		if !ok || strings.Contains(code, " ") {
			words = part
		}
		if words != "" {
			out = append(out, words)
		}
	}
	return out
}
