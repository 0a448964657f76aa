package stats

import (
	"math"
	"time"
)

// Options are the settings of Describe. A zero field means the default given
// here; all of them are design choices, not published constants.
type Options struct {
	Quantile     HF            // 7
	ThinTail     float64       // 5 values in the tail; fewer are flagged, fewer than one refused
	MinElapsed   time.Duration // 1 s; shorter runs are refused
	Window       time.Duration // 1 s
	Step         time.Duration // 0.1 s between window starts
	WindowFrames float64       // 3 of the longest frame; narrower windows are flagged
	Thresholds   []Threshold   // the refresh period of 60 Hz
	Synchronised bool          // frames wait for the display: apply SyncSlack
	SyncSlack    float64       // 0.02 of the refresh period
	Span         time.Duration // last minus first time stamp of the log, 0 when it has none
	StallTime    time.Duration // 5 s; a longer frame marks the run
	StallShare   float64       // 0.1 of the run; a longer frame marks the run
}

// DefaultOptions returns the settings that zero fields stand for.
func DefaultOptions() Options { return Options{}.filled() }

func (o Options) filled() Options {
	defaultTo(&o.Quantile, 7)
	defaultTo(&o.ThinTail, 5)
	defaultTo(&o.MinElapsed, time.Second)
	defaultTo(&o.Window, time.Second)
	defaultTo(&o.Step, 100*time.Millisecond)
	defaultTo(&o.WindowFrames, 3)
	defaultTo(&o.SyncSlack, 0.02)
	defaultTo(&o.StallTime, 5*time.Second)
	defaultTo(&o.StallShare, 0.1)
	if o.Thresholds == nil {
		o.Thresholds = []Threshold{RefreshPeriod(60)}
	}
	return o
}

func defaultTo[T comparable](field *T, value T) {
	var zero T
	if *field == zero {
		*field = value
	}
}

func (o Options) check(g *Grade) bool {
	switch {
	case !o.Quantile.Valid():
		g.refuse(BadOption, "quantile type %d, the types are 1 to 9", o.Quantile)
	case o.Window <= 0 || o.Step <= 0:
		g.refuse(BadOption, "window %v, step %v: both must be positive", o.Window, o.Step)
	}
	for _, t := range o.Thresholds {
		if !t.valid() {
			g.refuse(BadOption, "threshold %d/%d ns is below a nanosecond", t.Num, t.Den)
		}
	}
	return g.Status != Refused
}

// Run is what one run says by itself. It has no interval: the run is the unit of
// evidence, and its frames are not independent of each other. When the log is
// refused every number in it is refused with the same reason.
type Run struct {
	Headline // flagged when a frame stalled or rows are missing

	FrametimeSD Number   // frametime.sd, ms, divisor n-1
	FrametimeR1 Number   // frametime.r1, lag-1 autocorrelation
	OnePctLow   SlowTail // slowest 1 %, as rates
	TenthPctLow SlowTail // slowest 0.1 %, as rates

	WeightedP50, WeightedP95, WeightedP99, WeightedP999 Number // frametime.tw.pNN, ms

	WindowMin, WindowMax WindowRate // window.min, window.max
	Over                 []Beyond   // one for each threshold
	Pacing               Pacing

	Stalls []int // indices of the frames that stalled
}

// Describe summarises one run from its frame times in order, in nanoseconds. It
// does not change or keep the slice. It takes three times the memory of the slice
// beside it; [HeadlineOf] takes none.
func Describe(nanos []int64, opt Options) Run {
	opt = opt.filled()
	var r Run
	f, ok := r.admit(nanos, opt)
	if !ok {
		return r.withheld(opt)
	}
	r.fill(f, opt)
	return r
}

func (r *Run) fill(f frames, opt Options) {
	f.ascending = sorted(f.order)
	r.Headline.fill(f, opt)
	n := len(f.order)
	ms := f.milliseconds()
	r.FrametimeSD = number("frametime.sd", "ms", n, SD(ms))
	r.FrametimeR1 = number("frametime.r1", "1", n, Autocorrelation(ms, 1))
	if f.ascending[0] == f.longest {
		r.FrametimeR1.withhold(ZeroVariance, "all frames take the same time")
	}
	r.WeightedP50, r.WeightedP95 = f.weightedPercentile(0.5, opt), f.weightedPercentile(0.95, opt)
	r.WeightedP99, r.WeightedP999 = f.weightedPercentile(0.99, opt), f.weightedPercentile(0.999, opt)
	r.OnePctLow, r.TenthPctLow = f.slowTail(0.01, opt), f.slowTail(0.001, opt)
	r.WindowMin, r.WindowMax = f.windows(opt)
	for _, t := range opt.Thresholds {
		r.Over = append(r.Over, f.beyond(t, opt))
	}
	r.Pacing = f.pacing(ms, r.FrametimeMean.Value)
	r.markStalls(f, opt)
	r.markSpan(f, opt)
}

func (r *Run) markStalls(f frames, opt Options) {
	for k, t := range f.order {
		if t > int64(opt.StallTime) || float64(t) > opt.StallShare*float64(f.total) {
			r.Stalls = append(r.Stalls, k)
		}
	}
	if len(r.Stalls) == 0 {
		return
	}
	k := r.Stalls[0]
	r.flag(Stall, "%d frames last longer than %v or %g of the run, the first is frame %d with %.3f s",
		len(r.Stalls), opt.StallTime, opt.StallShare, k, float64(f.order[k])/1e9)
}

// markSpan holds the sum of the frame times against the log's time stamps. They
// mark the start or the end of a frame, so that one frame may lie outside.
func (r *Run) markSpan(f frames, opt Options) {
	if opt.Span == 0 {
		return
	}
	frame := time.Duration(max(f.order[0], f.order[len(f.order)-1]))
	if d := r.Elapsed - opt.Span; d.Abs() > frame+time.Millisecond {
		r.flag(DroppedRows, "the frames last %v, the time stamps span %v", r.Elapsed, opt.Span)
	}
}

// withheld gives every number its id and unit, and the run's reason in place of a
// value. The ids come from describing a run that nobody refuses.
func (r Run) withheld(opt Options) Run {
	var model Run
	if !opt.check(&Grade{}) {
		opt = DefaultOptions()
	}
	opt.MinElapsed = time.Second
	f, _ := model.admit([]int64{1e9, 1e9, 1e9}, opt)
	model.fill(f, opt)
	for _, n := range model.numbers() {
		n.Value, n.N, n.Grade = math.NaN(), r.Frames, r.Grade
	}
	model.WindowMin.Start, model.WindowMax.Start, model.Stalls = 0, 0, nil
	model.Grade, model.Frames, model.Elapsed = r.Grade, r.Frames, r.Elapsed
	return model
}

// numbers lists every Number of the run, for whoever treats them alike.
func (r *Run) numbers() []*Number {
	out := []*Number{&r.RateMean, &r.FrametimeMean, &r.FrametimeSD, &r.FrametimeR1,
		&r.P50, &r.P95, &r.P99, &r.P999, &r.SlowestOnePctMean,
		&r.WeightedP50, &r.WeightedP95, &r.WeightedP99, &r.WeightedP999,
		&r.WindowMin.Number, &r.WindowMax.Number,
		&r.Pacing.MADLog, &r.Pacing.MAD, &r.Pacing.RMSSD, &r.Pacing.VonNeumann}
	for _, s := range []*SlowTail{&r.OnePctLow, &r.TenthPctLow} {
		out = append(out, &s.Percentile, &s.MeanCount, &s.MeanTime, &s.BoundaryTime, &s.MeanCeil)
	}
	for i := range r.Over {
		b := &r.Over[i]
		out = append(out, &b.Count, &b.FrameFraction, &b.Time, &b.TimeFraction, &b.Excess, &b.MissedRefreshes)
	}
	return out
}
