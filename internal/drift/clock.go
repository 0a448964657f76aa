package drift

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// clock looks for stretches in which the clock of the busiest core lay below its
// plateau under unchanged load, by the rule of stats.FindThrottling, and for a
// clock that the hardware is not said to offer.
func (j *judge) clock() {
	tr, limit, src := j.trace()
	found := stats.FindThrottling(tr, stats.ThrottleOptions{LimitCelsius: limit, Drop: j.bounds.ClockFall})
	if len(found.Events) > 0 {
		j.raise(fell(found, src))
	}
	top := find(j.in.Before, "cpu.clock_max")
	most, ok := top.Value.Number()
	if usual := stats.Median(tr.Megahertz); ok && usual > most*j.bounds.ClockAbove {
		j.raise(Flag{Kind: Unsteady, Fact: top.Key, Expected: top.Value, Seen: rig.NumberOf(round(usual)), Unit: rig.MHz, Weight: rig.Note,
			Evidence: src + ": median of the busiest core; " + reading(top) + ": what was measured contradicts what is stated"})
	}
}

// fell tells of the longest stretch.
func fell(found stats.Throttling, src string) Flag {
	length := func(e stats.ThrottleEvent) float64 { return e.To - e.From }
	e := slices.MaxFunc(found.Events, func(a, b stats.ThrottleEvent) int { return int(length(a) - length(b)) })
	f := Flag{Kind: Unsteady, Fact: coreClock, Expected: rig.NumberOf(round(found.Plateau)), Seen: rig.NumberOf(round(found.Plateau * e.ClockRatio)),
		Unit: rig.MHz, Weight: rig.Caution,
		Evidence: fmt.Sprintf("%s: the busiest core fell below its plateau from %.0f to %.0f s, %s", src, e.From, e.To, causeWords[e.Cause])}
	if n := len(found.Events) - 1; n > 0 {
		f.Evidence += fmt.Sprintf("; and %d times more", n)
	}
	if e.Has(stats.LoadUnread) {
		f.Weight = rig.Note
		f.Evidence += "; the load was not read and may have fallen too"
	}
	return f
}

var causeWords = map[stats.ThrottleCause]string{
	stats.ThrottleThermal: "by heat",
	stats.ThrottlePower:   "at a power limit",
	stats.ThrottleUnknown: "by no known cause",
}

// trace lays the run's signals beside the clock of the busiest core. limit is
// that of the processor's sensor in degrees Celsius, 0 when it states none.
func (j *judge) trace() (tr stats.Trace, limit float64, src string) {
	times, clock, src := j.busiestCore()
	sensor := j.processorSensor()
	if l, ok := passed(sensor.Limits, math.Inf(1)); ok {
		limit = l.Value
	}
	tr.Megahertz = clock
	tr.Celsius, tr.LoadPercent = along(sensor, times), along(j.signal("load.total"), times)
	tr.Watts = rate(j.packageEnergy(), times)
	for _, t := range times {
		tr.Seconds = append(tr.Seconds, t.Seconds())
	}
	for _, s := range j.signals() {
		if s.Key.Family() == "throttle[].count" {
			tr.ThermalCount = added(tr.ThermalCount, along(s, times))
		}
	}
	return tr, limit, src
}

// busiestCore gives the highest clock among the cores at each moment.
func (j *judge) busiestCore() (times []time.Duration, clock []float64, src string) {
	best := map[time.Duration]float64{}
	for _, s := range j.signals() {
		if s.Key.Family() != "cpu[].clock" {
			continue
		}
		for i, o := range s.Offsets {
			best[o] = max(best[o], s.At(i))
		}
		src = or(src, s.Source)
	}
	for o := range best {
		times = append(times, o)
	}
	slices.Sort(times)
	for _, o := range times {
		clock = append(clock, best[o])
	}
	return times, clock, src
}

func (j *judge) signal(k rig.Key) rig.Signal {
	for _, s := range j.signals() {
		if s.Key == k {
			return s
		}
	}
	return rig.Signal{}
}

// processorSensor is the processor's own sensor that got hottest.
func (j *judge) processorSensor() (best rig.Signal) {
	for _, s := range j.signals() {
		chip, _, _ := strings.Cut(chip(s.Key), "/")
		own := slices.Contains([]string{"coretemp", "k10temp", "zenpower", "x86_pkg_temp"}, chip) || strings.HasPrefix(chip, "cpu")
		if s.Key.Family() != "temperature[]" || !own {
			continue
		}
		if best.Key == "" || s.Scale(slices.Max(s.Values)) > best.Scale(slices.Max(best.Values)) {
			best = s
		}
	}
	return best
}

func (j *judge) packageEnergy() rig.Signal {
	for _, s := range j.signals() {
		if s.Key.Family() == "energy[]" && strings.HasPrefix(s.Key.Index(), "package") {
			return s
		}
	}
	return rig.Signal{}
}

// stale is how long a sample speaks for the time after it: two readings of the
// sensors that are read most seldom.
const stale = 10 * time.Second

// along gives the signal's latest sample at each of the times, NaN without one.
func along(s rig.Signal, times []time.Duration) []float64 {
	out := make([]float64, len(times))
	next := 0
	for i, t := range times {
		for next < len(s.Offsets) && s.Offsets[next] <= t {
			next++
		}
		out[i] = math.NaN()
		if next > 0 && t-s.Offsets[next-1] <= stale {
			out[i] = s.At(next - 1)
		}
	}
	return out
}

// rate gives the slope of a counter, in its unit a second.
func rate(s rig.Signal, times []time.Duration) []float64 {
	v := along(s, times)
	out := make([]float64, len(v))
	for i := range out {
		out[i] = math.NaN()
		if i > 0 {
			out[i] = (v[i] - v[i-1]) / (times[i] - times[i-1]).Seconds()
		}
	}
	return out
}

// added adds b to a, which may be empty.
func added(a, b []float64) []float64 {
	if a == nil {
		return b
	}
	for i := range a {
		a[i] += b[i]
	}
	return a
}
