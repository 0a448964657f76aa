package stats

import "math"

// Verdict is one of three things a comparison can come to, or none when it was
// refused. That no difference was found is never one of them.
type Verdict string

const (
	NoVerdict             Verdict = ""
	NoPracticalDifference Verdict = "no_practical_difference"
	Different             Verdict = "different"
	NotResolved           Verdict = "not_resolved"
)

// Note qualifies a verdict.
type Note string

const (
	SmallDifferenceDetected Note = "smaller_than_margin_detected" // the interval excludes 1 all the same
	AtLeastMargin           Note = "at_least_margin"              // the whole interval lies outside the margin
)

// judge gives the verdict by equivalence first, then by the interval.
func (c *Comparison) judge(alpha float64) {
	c.decide(c.Equivalence.P < alpha, c.Test.P < alpha, *c.Interval)
}

func (c *Comparison) decide(equivalent, different bool, i Interval) {
	c.Notes = nil
	switch {
	case equivalent:
		c.Verdict = NoPracticalDifference
		if different {
			c.Notes = append(c.Notes, SmallDifferenceDetected)
		}
	case different:
		c.Verdict = Different
		if i.Low > 1+c.Margin || i.High < 1/(1+c.Margin) {
			c.Notes = append(c.Notes, AtLeastMargin)
		}
	default:
		c.Verdict = NotResolved
	}
}

// spread is the standard deviation to plan with: of the log differences of pairs,
// pooled over both sides, or the history where there is none.
func (c *Comparison) spread(base, against []float64, opt CompareOptions) float64 {
	sd := math.NaN()
	if opt.Paired {
		t := Paired(logs(base), logs(against), 1-opt.Alpha)
		sd = t.SE * math.Sqrt(float64(len(base)))
	} else if c.Base.N+c.Against.N > 2 {
		sd = PooledSD(c.Base.logs, c.Against.logs)
	}
	if sd > 0 {
		return sd
	}
	return opt.HistorySD
}

// plan fills in what the design could resolve and how many repeats on each side
// would bring a verdict, whichever it is.
func (c *Comparison) plan(sd, d float64, opt CompareOptions) {
	p := PlanOptions{Alpha: opt.Alpha, Power: opt.Power, Paired: opt.Paired}
	c.Resolvable = MinimumResolvable(sd, c.Base.N, c.Against.N, p)
	c.RepeatsDetect = RepeatsToDetect(sd, opt.Margin, p)
	c.RepeatsEqual = RepeatsForEquivalence(sd, opt.Margin, 0, p)
	need := c.RepeatsDetect
	if !(c.RepeatsEqual.Value <= need.Value) {
		need = c.RepeatsEqual
	}
	need.Method = "plan.resolve"
	if need.Value <= float64(min(c.Base.N, c.Against.N)) {
		need.Value = c.closeCall(sd, d, opt, p)
	}
	switch {
	case need.Has(SpreadUnknown):
		need.Grade = Grade{Status: OK}
		need.Value = 2
		need.flag(SpreadUnknown, "at least 2 on each side for any interval, how many resolve the margin follows from their spread")
	case need.Usable() && math.IsNaN(need.Value):
		need.withhold(TooManyRepeats, "the difference is too close to the margin")
	}
	c.RepeatsNeeded = need
}

// closeCall plans for a true difference as observed, when the repeats would
// have sufficed for none or for one of the margin: the cheaper of showing that it
// is there and showing that it is inside the margin.
func (c *Comparison) closeCall(sd, d float64, opt CompareOptions, p PlanOptions) float64 {
	best := math.NaN()
	candidates := []Number{RepeatsToDetect(sd, math.Expm1(math.Abs(d)), p)}
	if math.Abs(d) < math.Log1p(opt.Margin) {
		candidates = append(candidates, RepeatsForEquivalence(sd, opt.Margin, d, p))
	}
	for _, x := range candidates {
		if x.Usable() && !(x.Value >= best) {
			best = math.Max(x.Value, float64(min(c.Base.N, c.Against.N)+1))
		}
	}
	return best
}
