package stats

import "math"

// Direction says which way a value is better. Ratios of opposite directions are
// never put in one summary.
type Direction string

const (
	HigherBetter Direction = "higher" // rates and most scores
	LowerBetter  Direction = "lower"  // times
)

// CompareOptions are the settings of Compare; zero fields mean the default. The
// margin is a design choice and belongs to the lab: set it before measuring.
type CompareOptions struct {
	Alpha      float64   // 0.05
	Margin     float64   // 0.01: ratios from 1/1.01 to 1.01 make no practical difference
	Direction  Direction // HigherBetter
	Unit       string    // of the values
	Paired     bool      // values are interleaved pairs, in order
	Resolution float64   // least step of the values, 0 when unknown
	HistorySD  float64   // spread of the log of this workload's repeats, for a plan when one side has one run
	OrderBase  []int     // place of each run in the order they were made, or nil
	OrderOther []int
	Power      float64 // 0.9, of the plan
}

func (o CompareOptions) filled() CompareOptions {
	defaultTo(&o.Alpha, 0.05)
	defaultTo(&o.Margin, 0.01)
	defaultTo(&o.Direction, HigherBetter)
	defaultTo(&o.Power, 0.9)
	return o
}

// Comparison is the ratio of two configurations with what may be said about it.
// When it is refused there is no interval, no test and no verdict; the ratio may
// still be known.
type Comparison struct {
	Grade
	Base, Against Repeats
	Direction     Direction
	Margin, Alpha float64
	Ratio         Number    // against over base, ratio.welch_log or ratio.paired_log
	Interval      *Interval // of the ratio, level 1-alpha
	Test          *TTest    // on the logs
	Equivalence   *Equivalence
	Verdict       Verdict
	Notes         []Note
	Resolvable    Number // plan.minimum_resolvable: the relative difference this design would find
	RepeatsNeeded Number // plan.resolve: repeats on each side that would bring a verdict
	RepeatsDetect Number // plan.t: to detect a difference of the margin
	RepeatsEqual  Number // plan.tost: to show equivalence when there is no difference
	ResolutionU   Number // type B uncertainty of the ratio from the resolution of the values, relative
}

// Compare compares the runs of two configurations, one positive value for each
// run, by Welch's t test on the logs, or by the paired t test. On the log scale
// A over B and B over A agree exactly, effects are percentages, and times and
// rates give one test.
func Compare(base, against []float64, opt CompareOptions) Comparison {
	opt = opt.filled()
	c := Comparison{Grade: Grade{Status: OK}, Direction: opt.Direction, Margin: opt.Margin, Alpha: opt.Alpha}
	c.Base, c.Against = DescribeRepeats(base, opt.Unit), DescribeRepeats(against, opt.Unit)
	c.Ratio = number(opt.method(), "1", len(base)+len(against), math.NaN(),
		Param{Name: "level", Value: 1 - opt.Alpha}, Param{Name: "margin", Value: opt.Margin})
	if !c.admit(base, against, opt) {
		c.Ratio.inherit(c.Grade)
		return c
	}
	d := c.Against.logs.Mean - c.Base.logs.Mean
	c.Ratio.Value = math.Exp(d)
	c.ResolutionU = resolutionOf(c, opt)
	c.plan(c.spread(base, against, opt), d, opt)
	if !c.spreadKnown(base, against, opt) {
		c.Ratio.flag(SingleRun, "without an interval: %s", c.Reason)
		return c
	}
	if OrderConfounded(opt.OrderBase, opt.OrderOther) {
		c.flag(OrderConfound, "all runs of one side came before all of the other")
	}
	c.test(base, against, opt)
	c.judge(opt.Alpha)
	c.Ratio.inherit(c.Grade)
	return c
}

func (o CompareOptions) method() string {
	if o.Paired {
		return "ratio.paired_log"
	}
	return "ratio.welch_log"
}

func (c *Comparison) admit(base, against []float64, opt CompareOptions) bool {
	for _, side := range []struct {
		name string
		r    Repeats
	}{{"base", c.Base}, {"against", c.Against}} {
		if side.r.Status == Refused {
			c.refuse(BadSide, "%s: %s", side.name, side.r.Reason)
		}
	}
	switch {
	case c.Status == Refused:
	case opt.Paired && len(base) != len(against):
		c.refuse(BadOption, "%d and %d runs cannot be pairs", len(base), len(against))
	case !(opt.Margin > 0) || !(0 < opt.Alpha && opt.Alpha < 0.5):
		c.refuse(BadOption, "margin %g, alpha %g", opt.Margin, opt.Alpha)
	}
	if c.Status != Refused {
		return true
	}
	for id, n := range map[string]*Number{"plan.minimum_resolvable": &c.Resolvable, "plan.resolve": &c.RepeatsNeeded,
		"plan.t": &c.RepeatsDetect, "plan.tost": &c.RepeatsEqual, "uncertainty.resolution": &c.ResolutionU} {
		*n = refusedNumber(id, "1", 0, SpreadUnknown, "nothing was compared")
	}
	return false
}

// spreadKnown refuses the comparison where no interval exists.
func (c *Comparison) spreadKnown(base, against []float64, opt CompareOptions) bool {
	if len(base) < 2 || len(against) < 2 {
		c.refuse(SingleRun, "%d and %d runs, at least 2 on each side are needed for an interval", len(base), len(against))
		return false
	}
	flat := c.Base.Has(NoVariation) && c.Against.Has(NoVariation)
	if opt.Paired {
		flat = !(Paired(logs(base), logs(against), 0.95).SE > 0)
	}
	if flat {
		c.refuse(NoVariation, "the values do not vary, their resolution hides the spread")
	}
	return !flat
}

func (c *Comparison) test(base, against []float64, opt CompareOptions) {
	var t TTest
	if opt.Paired {
		t = Paired(logs(base), logs(against), 1-opt.Alpha)
	} else {
		t = Welch(c.Base.logs, c.Against.logs, 1-opt.Alpha)
	}
	bound := math.Log1p(opt.Margin)
	e := t.TOST(-bound, bound, opt.Alpha)
	c.Test, c.Equivalence = &t, &e
	c.Interval = t.ratioInterval(1 - opt.Alpha)
}

// ratioInterval is the interval of the ratio for a test on logs.
func (t TTest) ratioInterval(level float64) *Interval {
	i := t.At(level)
	return &Interval{Low: math.Exp(i.Low), High: math.Exp(i.High), Level: level}
}

// resolutionOf is what rounding alone leaves uncertain in the ratio, relative.
func resolutionOf(c Comparison, opt CompareOptions) Number {
	if !(opt.Resolution > 0) {
		return refusedNumber("uncertainty.resolution", "1", 0, SpreadUnknown, "no resolution is declared")
	}
	u := opt.Resolution / math.Sqrt(12)
	rel := math.Hypot(u/c.Base.GeoMean.Value, u/c.Against.GeoMean.Value)
	return number("uncertainty.resolution", "1", 2, rel, Param{Name: "resolution", Value: opt.Resolution, Unit: opt.Unit})
}

// Inverted is the comparison of the inverse values: seconds become rates. Every
// test keeps its p, the ratio and its interval turn over.
func (c Comparison) Inverted() Comparison {
	if c.Direction == HigherBetter {
		c.Direction = LowerBetter
	} else {
		c.Direction = HigherBetter
	}
	if c.Test == nil {
		c.Ratio.Value = 1 / c.Ratio.Value
		return c
	}
	t, e, i := *c.Test, *c.Equivalence, *c.Interval
	t.Difference, t.T = -t.Difference, -t.T
	t.Interval.Low, t.Interval.High = -t.Interval.High, -t.Interval.Low
	e = t.TOST(e.Low, e.High, c.Alpha)
	i.Low, i.High = 1/i.High, 1/i.Low
	c.Test, c.Equivalence, c.Interval = &t, &e, &i
	c.Ratio.Value = 1 / c.Ratio.Value
	return c
}
