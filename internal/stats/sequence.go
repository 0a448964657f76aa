package stats

import (
	"math"
	"time"
)

// aligned is a run with its lag to the reference, in ns.
type aligned struct {
	order []int64
	lag   int64
}

// sequence is the windows that all runs share, on the clock of the reference.
type sequence struct {
	reference []int64
	advance   Advance
	runs      []aligned
	from, to  int64   // ns, shared by all
	starts    []int64 // ns
}

// lay places the windows; false when the runs do not share one.
func (s *sequence) lay(opt MomentOptions) bool {
	s.from, s.to = 0, sum(s.reference)
	for _, r := range s.runs {
		if s.advance == ByFrame {
			s.to = min(s.to, sum(s.reference[:min(len(r.order), len(s.reference))]))
			continue
		}
		s.from, s.to = max(s.from, -r.lag), min(s.to, sum(r.order)-r.lag)
	}
	for at := s.from; at <= s.to-int64(opt.Window); at += int64(opt.Step) {
		s.starts = append(s.starts, at)
	}
	return len(s.starts) > 0
}

// rates gives the frames a second of one run in each window: by time, of the
// frames shown; by frame, of the frames that the reference shows in that window.
func (s sequence) rates(r aligned, opt MomentOptions) []float64 {
	out := make([]float64, len(s.starts))
	width := int64(opt.Window)
	if s.advance == ByFrame {
		refHead, refTail := progress{order: s.reference}, progress{order: s.reference}
		head, tail := elapsed{order: r.order}, elapsed{order: r.order}
		for i, at := range s.starts {
			n1, n2 := refTail.at(at), refHead.at(at+width)
			out[i] = (n2 - n1) / (head.at(n2) - tail.at(n1)) * 1e9
		}
		return out
	}
	head, tail := progress{order: r.order}, progress{order: r.order}
	for i, at := range s.starts {
		out[i] = (head.at(at+width+r.lag) - tail.at(at+r.lag)) / opt.Window.Seconds()
	}
	return out
}

// overall is the mean log rate of the runs over all that is shared.
func (s sequence) overall(runs []aligned) float64 {
	var total float64
	for _, r := range runs {
		whole := MomentOptions{Window: time.Duration(s.to - s.from)}
		one := sequence{reference: s.reference, advance: s.advance, starts: []int64{s.from}}
		total += math.Log(one.rates(r, whole)[0])
	}
	return total / float64(len(runs))
}

// roughness is the mean absolute log step between frames in each window, averaged
// over the runs, and the window where it is largest.
func (s sequence) roughness(runs []aligned, opt MomentOptions) ([]float64, Stretch) {
	out := make([]float64, len(s.starts))
	for _, r := range runs {
		steps := make([]float64, len(r.order)+1) // summed up to each frame
		for k := 1; k < len(r.order); k++ {
			steps[k+1] = steps[k] + math.Abs(math.Log(float64(r.order[k])/float64(r.order[k-1])))
		}
		head, tail := s.frameAt(r), s.frameAt(r)
		for i, at := range s.starts {
			n1, n2 := tail(at), head(at+int64(opt.Window))
			if n2 > n1 {
				out[i] += (steps[n2] - steps[n1]) / float64(n2-n1) / float64(len(runs))
			}
		}
	}
	worst := 0
	for i, v := range out {
		if v > out[worst] {
			worst = i
		}
	}
	at := time.Duration(s.starts[worst])
	return out, Stretch{From: at, To: at + opt.Window}
}

// frameAt gives the whole frames of a run that are done at a time of the
// reference, for times that do not go back.
func (s sequence) frameAt(r aligned) func(at int64) int {
	p := progress{order: r.order}
	if s.advance == ByFrame {
		p.order = s.reference
	}
	return func(at int64) int { return min(len(r.order), int(p.at(at+r.lag))) }
}

// elapsed tells the time in ns at which a number of frames, the last in part, is
// done. Calls must not go back.
type elapsed struct {
	order []int64
	i     int
	begin int64
}

func (e *elapsed) at(n float64) float64 {
	for e.i < len(e.order)-1 && float64(e.i+1) <= n {
		e.begin += e.order[e.i]
		e.i++
	}
	return float64(e.begin) + (n-float64(e.i))*float64(e.order[e.i])
}

func sum(x []int64) int64 {
	var s int64
	for _, v := range x {
		s += v
	}
	return s
}
