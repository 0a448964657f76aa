package stats

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// SequentialOptions are the settings of a study that goes on until it is
// resolved. Zero fields mean the default; all are design choices.
type SequentialOptions struct {
	Alpha     float64   // 0.05: of each kind of false verdict, over all looks together
	Margin    float64   // 0.01
	Direction Direction // HigherBetter
	Unit      string    // of the values
	First     int       // 3 runs against before the first look; from 3 on
	Limit     int       // 20 runs against at most
	Spending  Spending  // SpendEvenly
}

func (o SequentialOptions) filled() SequentialOptions {
	if o.Alpha == 0 {
		o.Alpha = 0.05
	}
	if o.Margin == 0 {
		o.Margin = 0.01
	}
	if o.Direction == "" {
		o.Direction = HigherBetter
	}
	if o.First == 0 {
		o.First = 3
	}
	if o.Limit == 0 {
		o.Limit = 20
	}
	if o.Spending == "" {
		o.Spending = SpendEvenly
	}
	return o
}

// Sequential is a study with a fixed base that looks after every new run on the
// other side, from the first look to the limit, and may end at any of them. The
// chance of `different` at any look when there is no difference is Alpha, and
// so is that of `no practical difference` at any look when the difference is the
// margin.
//
// Method: the bounds on z are those of a group-sequential test with a spending
// function; at each look the p-value of Welch's t is held against the bound's
// own p-value.
//
// Source: Lan & DeMets (1983) Biometrika 70:659-663; the significance-level
// approach for t tests, Jennison & Turnbull (2000) Group Sequential Methods,
// section 4.4 (memory). With few degrees of freedom that approach gives up to
// 1.35 times the rate it is asked for (simulated here, bases of 3 to 12 runs), so
// only the share Reserve of Alpha is spent; TestSequentialErrorRate holds the
// rate that is left.
type Sequential struct {
	Options  SequentialOptions
	Base     int       // runs
	Fraction []float64 // of the information at the limit, at each look
	Nominal  []float64 // two-sided p-value that ends the study as different, at each look
	OneSided []float64 // p-value that ends it as equivalent, at each look
}

// Reserve is the share of the stated rate that the bounds spend: a design choice,
// by simulation.
const Reserve = 0.7

// SequentialLook is the state of a study after some runs.
type SequentialLook struct {
	Runs       int // against, so far
	Verdict    Verdict
	Ended      bool      // by a verdict, or at the limit
	Looked     bool      // false before the first look and past the limit
	Ratio      float64   // against over base
	Interval   *Interval // of the ratio; holds its level at all looks together
	P, Nominal float64   // of the test for a difference, and what it is held against
	EqualP     float64   // of the test for equivalence
	EqualLimit float64   // what that is held against
	Reason     string    // why there is no verdict, in words
}

// NewSequential plans a study against a base of n runs.
func NewSequential(n int, opt SequentialOptions) (*Sequential, error) {
	opt = opt.filled()
	switch {
	case n < 3:
		return nil, fmt.Errorf("the base has %d runs; three are the least", n)
	case opt.First < 3 || opt.Limit < opt.First:
		return nil, fmt.Errorf("from %d to %d runs: the first look needs 3 runs, and the limit no fewer", opt.First, opt.Limit)
	case !(opt.Alpha > 0 && opt.Alpha < 0.5) || !(opt.Margin > 0 && opt.Margin < 1):
		return nil, fmt.Errorf("false-alarm rate %v and margin %v: both lie above 0, the first below 0.5, the second below 1", opt.Alpha, opt.Margin)
	}
	s := &Sequential{Options: opt, Base: n}
	information := func(m int) float64 { return 1 / (1/float64(n) + 1/float64(m)) }
	for m := opt.First; m <= opt.Limit; m++ {
		s.Fraction = append(s.Fraction, information(m)/information(opt.Limit))
	}
	for _, b := range SpendingBounds(s.Fraction, Reserve*opt.Alpha, opt.Spending, false) {
		s.Nominal = append(s.Nominal, 2*distuv.UnitNormal.Survival(b))
	}
	for _, b := range SpendingBounds(s.Fraction, Reserve*opt.Alpha, opt.Spending, true) {
		s.OneSided = append(s.OneSided, distuv.UnitNormal.Survival(b))
	}
	return s, nil
}

// Look judges the study after the runs so far, one positive value a run.
func (s *Sequential) Look(base, against []float64) SequentialLook {
	o := s.Options
	l := SequentialLook{Runs: len(against), Ratio: math.NaN(), P: math.NaN(), EqualP: math.NaN()}
	k := len(against) - o.First
	switch {
	case len(base) != s.Base:
		l.Reason = fmt.Sprintf("the base has %d runs and the study was planned for %d", len(base), s.Base)
		return l
	case k < 0:
		l.Reason = fmt.Sprintf("the first look is after %d runs", o.First)
		return l
	case k >= len(s.Nominal):
		l.Ended, l.Reason = true, "the limit is passed"
		return l
	}
	l.Looked, l.Ended = true, k == len(s.Nominal)-1
	l.Nominal, l.EqualLimit = s.Nominal[k], s.OneSided[k]
	t, err := s.test(base, against)
	if err != nil {
		l.Verdict, l.Reason = NotResolved, err.Error()
		return l
	}
	delta := math.Log1p(o.Margin)
	l.Ratio, l.P, l.EqualP = math.Exp(t.Difference), t.P, t.TOST(-delta, delta, o.Alpha).P
	at := t.At(1 - l.Nominal)
	l.Interval = &Interval{Low: math.Exp(at.Low), High: math.Exp(at.High), Level: 1 - o.Alpha}
	switch {
	case l.EqualP < l.EqualLimit:
		l.Verdict, l.Ended = NoPracticalDifference, true
	case l.P < l.Nominal:
		l.Verdict, l.Ended = Different, true
	default:
		l.Verdict = NotResolved
	}
	return l
}

// test is Welch's on the logs.
func (s *Sequential) test(base, against []float64) (TTest, error) {
	for _, v := range slices.Concat(base, against) {
		if !(v > 0) || math.IsInf(v, 1) {
			return TTest{}, fmt.Errorf("a run has the value %v; values above zero are compared", v)
		}
	}
	b, a := Summarize(logs(base)), Summarize(logs(against))
	if b.SD == 0 && a.SD == 0 {
		return TTest{}, errors.New("the values do not vary, their resolution hides the spread")
	}
	return Welch(b, a, 1-s.Options.Alpha), nil
}
