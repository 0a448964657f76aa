package stats

import "time"

// WindowRate is the rate in the window of a run where it is least or greatest.
type WindowRate struct {
	Number
	Start time.Duration // from the start of the run
}

// progress tells how many frames are finished at a time, the running one in
// part. Calls must not go back in time.
type progress struct {
	order []int64
	i     int
	begin int64 // ns at which frame i started
}

func (p *progress) at(ns int64) float64 {
	for p.i < len(p.order)-1 && p.begin+p.order[p.i] <= ns {
		p.begin += p.order[p.i]
		p.i++
	}
	return float64(p.i) + float64(ns-p.begin)/float64(p.order[p.i])
}

// maxWindows bounds the work on a log whose times are wrong by orders of
// magnitude; at the default step it is two days.
const maxWindows = 2_000_000

// windows finds the slowest and the fastest window. Frames count in part, so
// that a window does not jump by a whole frame.
func (f frames) windows(opt Options) (least, most WindowRate) {
	params := []Param{
		{Name: "window", Value: opt.Window.Seconds(), Unit: "s"},
		{Name: "step", Value: opt.Step.Seconds(), Unit: "s"},
	}
	least.Number = number("window.min", "frames/s", len(f.order), 0, params...)
	most.Number = number("window.max", "frames/s", len(f.order), 0, params...)
	width, step := int64(opt.Window), int64(opt.Step)
	if f.total < 2*width {
		for _, w := range []*WindowRate{&least, &most} {
			w.withhold(WindowTooLong, "the run lasts %v, less than two windows of %v", time.Duration(f.total), opt.Window)
		}
		return least, most
	}
	if count := (f.total - width) / step; count > maxWindows {
		for _, w := range []*WindowRate{&least, &most} {
			w.withhold(TooManyValues, "%d windows, at most %d are tried", count, maxWindows)
		}
		return least, most
	}
	head, tail := progress{order: f.order}, progress{order: f.order}
	for start := int64(0); start <= f.total-width; start += step {
		rate := (head.at(start+width) - tail.at(start)) / opt.Window.Seconds()
		if start == 0 || rate < least.Value {
			least.Value, least.Start = rate, time.Duration(start)
		}
		if start == 0 || rate > most.Value {
			most.Value, most.Start = rate, time.Duration(start)
		}
	}
	if longest := f.longest; float64(width) < opt.WindowFrames*float64(longest) {
		for _, w := range []*WindowRate{&least, &most} {
			w.flag(WindowTooNarrow, "a window of %v is less than %g times the longest frame, %v",
				opt.Window, opt.WindowFrames, time.Duration(longest))
		}
	}
	return least, most
}
