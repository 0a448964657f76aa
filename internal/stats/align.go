package stats

import (
	"fmt"
	"math"
	"time"
)

// Advance is what moves the content of a sequence on. It must be declared: no
// timing log tells it.
type Advance string

const (
	ByTime  Advance = "time"  // a recorded fly-through, a timed demonstration
	ByFrame Advance = "frame" // each frame is the next one of the sequence, however long it takes
)

// AlignOptions are the settings of Align; zero fields mean the default. The guard
// rails are design choices.
type AlignOptions struct {
	Advance      Advance       // no default: without it the alignment is refused
	Grid         time.Duration // 10 ms
	HighPass     time.Duration // 2 s to each side: the level of a scene is what two runs disagree about
	MaxLag       time.Duration // 10 s
	LeastPeak    float64       // 0.5
	LeastLead    float64       // 0.15 above any peak more than PeakWidth away
	PeakWidth    time.Duration // 1 s
	LeastOverlap time.Duration // 20 s
	LeastShare   float64       // 0.8 of the shorter run
	HalvesWithin time.Duration // 50 ms
	LongestRun   time.Duration // 4 h
}

func (o AlignOptions) filled() AlignOptions {
	defaultTo(&o.Grid, 10*time.Millisecond)
	defaultTo(&o.HighPass, 2*time.Second)
	defaultTo(&o.MaxLag, 10*time.Second)
	defaultTo(&o.LeastPeak, 0.5)
	defaultTo(&o.LeastLead, 0.15)
	defaultTo(&o.PeakWidth, time.Second)
	defaultTo(&o.LeastOverlap, 20*time.Second)
	defaultTo(&o.LeastShare, 0.8)
	defaultTo(&o.HalvesWithin, 50*time.Millisecond)
	defaultTo(&o.LongestRun, 4*time.Hour)
	return o
}

// Alignment says where in run B the content of run A is: what A shows at t, B
// shows at t + Lag. By frame the lag is 0 and the frame index aligns.
type Alignment struct {
	Grade
	Advance    Advance
	Lag        time.Duration // on the grid
	Refined    time.Duration // between grid points, by a parabola
	Peak       float64       // correlation at the lag
	Second     float64       // largest correlation elsewhere
	SecondLag  time.Duration
	FirstHalf  time.Duration // lag of the first half alone
	SecondHalf time.Duration
	Overlap    time.Duration
}

// Align finds the offset between two runs of one sequence by the cross
// correlation of their log frame times, high-passed. It is refused, with the
// guard rail that failed, rather than guessed.
//
// Source: Knapp & Carter (1976) IEEE ASSP 24:320-327 (memory); Box & Jenkins on
// prewhitening (memory).
func Align(a, b []int64, opt AlignOptions) Alignment {
	opt = opt.filled()
	al := Alignment{Grade: Grade{Status: OK}, Advance: opt.Advance}
	fa, okA := admit(a, &al.Grade, DefaultOptions())
	fb, okB := admit(b, &al.Grade, DefaultOptions())
	switch {
	case !okA || !okB:
	case time.Duration(max(fa.total, fb.total)) > opt.LongestRun:
		al.refuse(TooLong, "a run lasts longer than %v", opt.LongestRun)
	case opt.Grid <= 0 || opt.HighPass < 0 || opt.MaxLag <= 0:
		al.refuse(BadOption, "grid %v, high-pass %v, largest lag %v", opt.Grid, opt.HighPass, opt.MaxLag)
	case opt.Advance == ByFrame:
		al.byFrame(fa, fb)
	case opt.Advance == ByTime:
		al.byTime(fa, fb, opt)
	default:
		al.refuse(AdvanceUndeclared, "declare whether the content advances by time or by frame")
	}
	return al
}

func (al *Alignment) byFrame(a, b frames) {
	n := min(len(a.order), len(b.order))
	var shared int64
	for _, t := range a.order[:n] {
		shared += t
	}
	al.Overlap = time.Duration(shared)
	if len(a.order) != len(b.order) {
		al.flag(LengthsDiffer, "%d and %d frames, the first %d are compared", len(a.order), len(b.order), n)
	}
}

func (al *Alignment) byTime(a, b frames, opt AlignOptions) {
	x, y := a.onGrid(int64(opt.Grid)), b.onGrid(int64(opt.Grid))
	half := int(opt.HighPass / opt.Grid)
	x, y = highPass(x, half), highPass(y, half)
	shorter := time.Duration(min(a.total, b.total))
	if shorter < opt.LeastOverlap {
		al.refuse(OverlapTooShort, "the shorter run lasts %s, at least %v are needed", brief(shorter), opt.LeastOverlap)
		return
	}
	limit := int(opt.MaxLag / opt.Grid)
	least := min(int(opt.LeastOverlap/opt.Grid), min(len(x), len(y))/2)
	c := crossCorrelate(x, y, -limit, limit, least)
	p := c.peak(int(opt.PeakWidth / opt.Grid))
	grid := func(lag float64) time.Duration { return time.Duration(math.Round(lag * float64(opt.Grid))) }
	al.Lag, al.Refined, al.Peak = grid(float64(p.lag)), grid(float64(p.lag)+p.offset), p.r
	al.Second, al.SecondLag = p.second, grid(float64(p.secondLag))
	from, to := overlap(len(x), len(y), p.lag)
	al.Overlap = time.Duration(to-from) * opt.Grid
	first, second := al.half(x, y, from, (from+to)/2, limit, opt), al.half(x, y, (from+to)/2, to, limit, opt)
	al.FirstHalf, al.SecondHalf = first.lag, second.lag
	al.guard(abs(p.lag) >= limit, shorter, opt)
	al.guardSpeed(first, second, opt)
}

// half is how a half of the overlap aligns alone.
type half struct {
	name  string
	lag   time.Duration
	tells bool    // it shows enough to place it within HalvesWithin
	gain  float64 // how much better its own lag fits than the whole's
}

// half aligns the cells from lo to hi alone. A half without a change of scene, or
// with no more than the slope beside one, fits nearly as well a little elsewhere
// and tells no offset.
func (al *Alignment) half(x, y []float64, lo, hi, limit int, opt AlignOptions) half {
	c := crossCorrelate(x[lo:hi], y, lo-limit, lo+limit, (hi-lo)/2)
	p := c.peak(0)
	at := func(lag int) float64 {
		if k := lag - c.first; k >= 0 && k < len(c.r) && !math.IsNaN(c.r[k]) {
			return c.r[k]
		}
		return math.Inf(-1)
	}
	near := max(int(opt.HalvesWithin/opt.Grid), 1)
	drop := p.r - max(at(p.lag-near), at(p.lag+near))
	return half{
		lag:   time.Duration(math.Round((float64(p.lag-lo) + p.offset) * float64(opt.Grid))),
		tells: p.r >= opt.LeastPeak && drop >= leastDrop,
		gain:  p.r - at(lo+int(al.Lag/opt.Grid)),
	}
}

// leastDrop is by how much a half's correlation must fall within HalvesWithin of
// its peak to tell an offset that well. A lone jump falls by 1.5 a second, the
// slope that the high-pass leaves beside one by hardly anything. leastGain is by
// how much a half that cannot tell must fit better elsewhere to speak against the
// whole. Both are design choices.
const (
	leastDrop = 0.025
	leastGain = 0.05
)

// guardSpeed holds the halves' offsets against each other. A half that tells none
// says nothing against one speed, which is marked and not taken for agreement.
func (al *Alignment) guardSpeed(first, second half, opt AlignOptions) {
	apart := func(a, b time.Duration) bool { return (a - b).Abs() > opt.HalvesWithin }
	first.name, second.name = "first", "second"
	sure, still := first, second
	if second.tells {
		sure, still = second, first
	}
	switch {
	case first.tells == second.tells && !apart(first.lag, second.lag):
	case first.tells && second.tells, !sure.tells && max(first.gain, second.gain) >= leastGain:
		al.refuse(SpeedsDiffer, "the first half aligns at %s, the second at %s", offset(first.lag), offset(second.lag))
	case !sure.tells:
		al.flag(SpeedUnknown, "neither half shows enough to align by alone")
	case apart(sure.lag, al.Refined):
		al.refuse(SpeedsDiffer, "the %s half aligns at %s, the whole at %s", sure.name, offset(sure.lag), offset(al.Refined))
	case apart(still.lag, sure.lag):
		al.flag(SpeedUnknown, "the %s half shows too little to align by", still.name)
	}
}

func (al *Alignment) guard(atLimit bool, shorter time.Duration, opt AlignOptions) {
	if !(al.Peak >= opt.LeastPeak) {
		al.refuse(WeakPeak, "the correlation is %.2f at best, at least %g is needed", al.Peak, opt.LeastPeak)
	}
	if !(al.Peak-al.Second >= opt.LeastLead) {
		al.refuse(AmbiguousPeak, "the correlation is %.2f at %s and still %.2f at %s", al.Peak, offset(al.Lag), al.Second, offset(al.SecondLag))
	}
	if atLimit {
		al.refuse(LagAtLimit, "the best offset is the largest one tried, %v", opt.MaxLag)
	}
	if al.Overlap < opt.LeastOverlap || float64(al.Overlap) < opt.LeastShare*float64(shorter) {
		al.refuse(OverlapTooShort, "the runs share %s of %s, at least %v and %g of the shorter are needed",
			brief(al.Overlap), brief(shorter), opt.LeastOverlap, opt.LeastShare)
	}
}

// offset writes an offset to the hundredth of a second, as far as it is known.
func offset(d time.Duration) string { return fmt.Sprintf("%.2f s", d.Seconds()) }

func brief(d time.Duration) string { return fmt.Sprintf("%.1f s", d.Seconds()) }
