package stats

import "time"

// Headline is the part of a run's description that listings show and a dossier
// proves. Nothing in it hangs on the order of the frames.
type Headline struct {
	Grade
	Frames        int
	Elapsed       time.Duration // exact sum of the frame times
	RateMean      Number        // rate.mean, frames/s: frames over elapsed, the harmonic mean of the frame rates
	FrametimeMean Number        // frametime.mean, ms

	P50, P95, P99, P999 Number // frametime.pNN.hfT, ms

	SlowestOnePctMean Number // low.mean_count of 1 % as a time, ms
}

// HeadlineOf gives the headline of one run, the same that [Describe] gives, from its
// frame times in nanoseconds. It neither changes nor keeps nor copies the slice,
// which may be of some ten million frames.
//
// Rate, percentiles and the mean of the slowest frames come out the same to the last
// bit on every machine, since a dossier is verified by working them out again. So a
// product in them is rounded, float64(x*y), before anything is added: a compiler may
// make one operation of both, and does for arm64 and GOAMD64=v3 (the Go specification,
// "Floating-point operators").
//
// Source of the harmonic mean for rates: Smith (1988) CACM 31:1202-1206 (memory);
// Jain (1991) The Art of Computer Systems Performance Analysis, ch. 12 (memory).
func HeadlineOf(nanos []int64, opt Options) Headline {
	opt = opt.filled()
	var h Headline
	f, ok := h.admit(nanos, opt)
	if !ok {
		return Run{Headline: h}.withheld(opt).Headline
	}
	h.fill(f, opt)
	return h
}

// admit begins a headline; not ok when the run or the options are refused.
func (h *Headline) admit(nanos []int64, opt Options) (frames, bool) {
	h.Grade, h.Frames = Grade{Status: OK}, len(nanos)
	if !opt.check(&h.Grade) {
		return frames{}, false
	}
	f, ok := admit(nanos, &h.Grade, opt)
	h.Elapsed = time.Duration(f.total)
	return f, ok
}

func (h *Headline) fill(f frames, opt Options) {
	n := len(f.order)
	h.RateMean = number("rate.mean", "frames/s", n, float64(n)/(float64(f.total)/1e9))
	h.FrametimeMean = number("frametime.mean", "ms", n, float64(f.total)/1e6/float64(n))
	h.P50, h.P95, h.P99, h.P999 = f.percentile(0.5, opt), f.percentile(0.95, opt), f.percentile(0.99, opt), f.percentile(0.999, opt)
	h.SlowestOnePctMean = f.slowestMean(0.01, opt)
}
