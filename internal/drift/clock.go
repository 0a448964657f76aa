package drift

import (
	"fmt"
	"slices"
	"time"

	"witnessmark/internal/rig"
)

// clockFell applies the throttling rule to the clock of the busiest core: on
// medians over 5 s, below 0.98 of the plateau for at least 10 s while the load
// stays within 5 points. The plateau is the median of the first fifth of the
// run after its first 5 s, when a start-up boost is over.
//
// Source: the project's definition of a throttling event; the figures are
// design choices.
func (j *judge) clockFell() {
	clock, src := j.busiestClock()
	windows := medians(clock, 5*time.Second)
	if len(windows) < 4 {
		return
	}
	n := max(1, len(windows)/5)
	plateau := median(slices.Clone(values(windows[1 : 1+n])))
	load := medians(j.signal("load.total"), 5*time.Second)
	var fallen time.Duration
	low, from := plateau, time.Duration(0)
	for i, w := range windows[1:] {
		steady := i+1 >= len(load) || abs(load[i+1].v-load[min(1, len(load)-1)].v) <= j.bounds.LoadBand
		if w.v >= j.bounds.ClockFall*plateau || !steady {
			fallen, low = 0, plateau
			continue
		}
		if fallen == 0 {
			from = w.at
		}
		fallen += 5 * time.Second
		low = min(low, w.v)
		if fallen >= j.bounds.ClockFallTime {
			j.raise(Flag{Kind: Unsteady, Fact: "cpu.clock", Expected: rig.NumberOf(round(plateau)), Seen: rig.NumberOf(round(low)), Unit: rig.MHz, Weight: rig.Caution,
				Evidence: fmt.Sprintf("%s: the busiest core fell below %v of its plateau from %s into the run on", src, j.bounds.ClockFall, at(from))})
			return
		}
	}
}

type sample struct {
	at time.Duration
	v  float64
}

// busiestClock gives the highest clock among the cores at each moment.
func (j *judge) busiestClock() ([]sample, string) {
	best := map[time.Duration]float64{}
	src := ""
	for _, s := range j.in.Run.Signals {
		if s.Key.Family() != "cpu[].clock" {
			continue
		}
		src = s.Source
		for i, o := range s.Offsets {
			best[o] = max(best[o], s.At(i))
		}
	}
	out := make([]sample, 0, len(best))
	for o, v := range best {
		out = append(out, sample{o, v})
	}
	slices.SortFunc(out, func(a, b sample) int { return int(a.at - b.at) })
	return out, src
}

func (j *judge) signal(k rig.Key) (out []sample) {
	for _, s := range j.in.Run.Signals {
		if s.Key == k {
			for i, o := range s.Offsets {
				out = append(out, sample{o, s.At(i)})
			}
		}
	}
	return out
}

// medians gives one value for each full window.
func medians(s []sample, window time.Duration) (out []sample) {
	var in []float64
	edge := window
	for _, x := range s {
		for x.at >= edge {
			if len(in) > 0 {
				out = append(out, sample{edge - window, median(in)})
			}
			in, edge = in[:0], edge+window
		}
		in = append(in, x.v)
	}
	return out
}

func values(s []sample) (out []float64) {
	for _, x := range s {
		out = append(out, x.v)
	}
	return out
}

func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

func abs(f float64) float64 { return max(f, -f) }
