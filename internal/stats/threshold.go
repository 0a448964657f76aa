package stats

import (
	"math/bits"
	"time"
)

// Threshold is a frame time in nanoseconds as a fraction, so that a refresh
// period such as 1e9/60 is held exactly.
type Threshold struct {
	Num int64 // nanoseconds
	Den int64
}

// RefreshPeriod is the threshold of a display with the given rate, in hertz.
func RefreshPeriod(hertz int64) Threshold { return Threshold{Num: 1e9, Den: hertz} }

// Nanoseconds is the threshold rounded to a float64.
func (t Threshold) Nanoseconds() float64 { return float64(t.Num) / float64(t.Den) }

// valid wants at least a nanosecond.
func (t Threshold) valid() bool { return t.Den > 0 && t.Num >= t.Den }

// exceededBy reports whether ns lies strictly above the threshold.
func (t Threshold) exceededBy(ns int64) bool { return ns > t.Num/t.Den }

// periods returns the whole thresholds needed to hold ns, rounded up.
func (t Threshold) periods(ns int64) int64 {
	hi, lo := bits.Mul64(uint64(ns), uint64(t.Den))
	lo, carry := bits.Add64(lo, uint64(t.Num-1), 0)
	if hi += carry; hi >= uint64(t.Num) {
		return int64(^uint64(0) >> 1)
	}
	q, _ := bits.Div64(hi, lo, uint64(t.Num))
	return int64(q)
}

// Beyond says what lay beyond a threshold. All counts are strict: a frame that
// takes exactly the threshold is not beyond it.
type Beyond struct {
	Threshold       Threshold
	Count           Number // over.count
	FrameFraction   Number // over.frame_fraction, of the frames
	Time            Number // over.time, seconds spent in such frames
	TimeFraction    Number // over.time_fraction, of the run
	Excess          Number // over.excess, seconds past the threshold
	MissedRefreshes Number // over.missed_refreshes
}

// beyond applies one threshold. On a display-synchronised run frame times sit on
// multiples of the period, so the threshold is raised by the slack and says so.
func (f frames) beyond(t Threshold, opt Options) Beyond {
	slack := 0.0
	if opt.Synchronised {
		slack = opt.SyncSlack
	}
	period := t.Nanoseconds()
	var count, over int64
	var missed float64
	for _, ns := range f.order {
		if slack > 0 && float64(ns) <= period*(1+slack) || !t.exceededBy(ns) {
			continue
		}
		count++
		over += ns
		missed += float64(t.periods(max(1, ns-int64(slack*period))) - 1)
	}
	n := len(f.order)
	params := []Param{{Name: "threshold", Value: period / 1e6, Unit: "ms"}, {Name: "slack", Value: slack}}
	figure := func(id, unit string, v float64) Number {
		x := number(id, unit, n, v, params...)
		if slack > 0 {
			x.flag(Synchronised, "frames count above the refresh period by more than %g of it", slack)
		}
		return x
	}
	seconds := time.Duration(over).Seconds()
	return Beyond{
		Threshold:       t,
		Count:           figure("over.count", "frames", float64(count)),
		FrameFraction:   figure("over.frame_fraction", "1", float64(count)/float64(n)),
		Time:            figure("over.time", "s", seconds),
		TimeFraction:    figure("over.time_fraction", "1", float64(over)/float64(f.total)),
		Excess:          figure("over.excess", "s", seconds-float64(count)*period/1e9),
		MissedRefreshes: figure("over.missed_refreshes", "refreshes", missed),
	}
}

// RefreshShare returns the share of frames whose time lies within the slack (0.02
// for 2 % of the period) of a multiple of the threshold. Above one half a frame
// cap or display synchronisation is likely: common practice, no source.
func RefreshShare(nanos []int64, t Threshold, slack float64) float64 {
	if len(nanos) == 0 || !t.valid() {
		return 0
	}
	period, on := t.Nanoseconds(), 0
	for _, ns := range nanos {
		multiple := float64(ns) / period
		nearest := max(1, float64(int64(multiple+0.5)))
		if d := multiple - nearest; -slack <= d && d <= slack {
			on++
		}
	}
	return float64(on) / float64(len(nanos))
}
