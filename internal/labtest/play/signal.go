package play

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
)

// pace of the sampler's passes, as on a machine; longer in runs of more than
// mostPasses of them.
const (
	pace       = 100 * time.Millisecond
	mostPasses = 6000
)

// sampled gives the signals of a tree over a run of that length: what probe's
// sampler sees, which stands still.
func sampled(tree *probe.Tree, length time.Duration) []rig.Signal {
	step := pace * max(1, (length/pace+mostPasses-1)/mostPasses)
	s := probe.NewSampler(tree, probe.SampleOptions{Pace: step})
	defer s.Close()
	for at := time.Duration(0); at <= length; at += step {
		s.Take(at)
	}
	return s.Signals()
}

// during is what the signals of one run come from.
type during struct {
	rand      *rand.Rand
	state     state
	clock     func(at time.Duration) float64 // MHz; 0 where it is not known
	degrees   *float64                       // that the hottest processor sensor tends to; nil for an invented rise
	other     float64                        // percent
	throttled time.Duration                  // when the clock falls; below 0 when it does not
	reference float64                        // MHz that the rated power belongs to
}

const madeUp = "played: made up in place of "

// invent replaces the signals that move under load.
func (d *during) invent(signals []rig.Signal) []rig.Signal {
	out := slices.Clone(signals)
	d.loads(out)
	hottest := d.tendency(out)
	for i := range out {
		s := &out[i]
		if len(s.Values) == 0 {
			continue
		}
		switch family := s.Key.Family(); {
		case family == "cpu[].clock":
			d.each(s, d.clocks(*s))
		case family == "cpu.policy[].clock_limit":
			d.limit(s)
		case family == "temperature[]" && ofProcessor(s.Key):
			d.each(s, d.heating(s.At(0), hottest))
		case family == "energy[]":
			d.each(s, d.energy(*s))
		case strings.HasPrefix(string(s.Key), "throttle[") && d.throttled >= 0:
			d.each(s, d.throttling(*s))
		}
	}
	return out
}

// each makes up every sample.
func (d *during) each(s *rig.Signal, value func(at time.Duration) float64) {
	values := make([]int64, len(s.Offsets))
	for i, at := range s.Offsets {
		values[i] = int64(math.Round(value(at) * math.Pow10(-s.Exponent)))
	}
	s.Values, s.Source = values, madeUp+s.Source
}

// wobble is the standard deviation of a measured clock about its mean. A design choice.
const wobble = 0.0005

func (d *during) clocks(s rig.Signal) func(time.Duration) float64 {
	if d.clock(0) == 0 {
		still := s.At(0)
		return func(time.Duration) float64 { return still }
	}
	share := d.share(s.Key.Index())
	return func(at time.Duration) float64 { return share * d.clock(at) * (1 + wobble*d.rand.NormFloat64()) }
}

// share is how a group of cores stands to the fastest ones in clock.
func (d *during) share(group string) float64 {
	own, ok := d.state.facts.Number(rig.Of("cpu.policy", group, "clock_limit"))
	if !ok || d.state.clock == 0 {
		return 1
	}
	return min(1, own/d.state.clock)
}

// limit keeps the sampled ceiling with the fact.
func (d *during) limit(s *rig.Signal) {
	now, ok := d.state.facts.Number(s.Key)
	if !ok {
		now, ok = d.state.facts.Number("cpu.clock_limit")
	}
	if ok && now != s.At(0) {
		d.each(s, func(time.Duration) float64 { return now })
	}
}

// ofProcessor says whether a sensor is in the processor and follows its load.
func ofProcessor(k rig.Key) bool {
	chip, _, _ := strings.Cut(k.Index(), "/")
	chip, _, _ = strings.Cut(chip, " ")
	return slices.Contains([]string{"coretemp", "k10temp", "zenpower", "x86_pkg_temp"}, chip)
}

// rise is how far a processor heats up when a block does not say, and short how
// far below the limit of its sensor it then stays. Design choices.
const (
	rise  = 26.0
	short = 8.0
)

// tendency is how much warmer than at the start the processor's sensors become.
func (d *during) tendency(signals []rig.Signal) float64 {
	start, most := math.Inf(-1), math.Inf(1)
	for _, s := range signals {
		if len(s.Values) == 0 || s.Key.Family() != "temperature[]" || !ofProcessor(s.Key) {
			continue
		}
		start = max(start, s.At(0))
		for _, l := range s.Limits {
			most = min(most, l.Value)
		}
	}
	if d.degrees != nil {
		return *d.degrees - start
	}
	return max(0, min(rise, most-short-start))
}

// warming is the time constant of the invented cooler.
const warming = 6 * time.Second

// heating is a first-order response with a little noise.
func (d *during) heating(start, by float64) func(time.Duration) float64 {
	return func(at time.Duration) float64 {
		t := start + by*(1-math.Exp(-at.Seconds()/warming.Seconds()))
		return math.Round(10*(t+0.2*d.rand.NormFloat64())) / 10
	}
}

// energy counts the power that the clock asks for, from the counter's value on.
func (d *during) energy(s rig.Signal) func(time.Duration) float64 {
	joules, last := s.At(0), time.Duration(0)
	rated, ok := d.state.facts.Number("cpu.power_limit[package-0 long_term]")
	if !ok {
		rated = 65
	}
	if strings.Contains(s.Key.Index(), "/") { // a part of the package
		rated *= 0.7
	}
	return func(at time.Duration) float64 {
		pull := 1.0
		if f := d.clock(at); f > 0 && d.reference > 0 {
			pull = f * f / (d.reference * d.reference)
		}
		joules += 0.85 * rated * min(1.1, pull) * (at - last).Seconds()
		last = at
		return joules
	}
}

// throttling counts an event a second from the moment the clock falls.
func (d *during) throttling(s rig.Signal) func(time.Duration) float64 {
	per := 1.0
	if s.Key.Field() == "time" {
		per = 400 // milliseconds in each second
	}
	return func(at time.Duration) float64 {
		return s.At(0) + per*math.Ceil(max(0, (at-d.throttled).Seconds()))
	}
}

// loads makes up the load where the tree's processor times only stand still.
func (d *during) loads(signals []rig.Signal) {
	still := func(k rig.Key) bool {
		return slices.ContainsFunc(signals, func(s rig.Signal) bool { return s.Key == k && s.Unread.Reason == rig.Refused })
	}
	if !still("load.total") {
		return
	}
	passes := longest(signals)
	if len(passes) == 0 {
		return
	}
	work := min(96, 99-d.other)
	for i := range signals {
		s := &signals[i]
		var mean float64
		offsets := passes
		switch s.Key {
		case "load.total":
			mean = work + d.other + 0.2 // the agent's own
		case "load.workload":
			mean, offsets = work, everySecond(passes)
		case "load.other":
			mean, offsets = d.other, everySecond(passes)
		default:
			continue
		}
		s.Unread, s.Gaps, s.Offsets = rig.Unread{}, nil, offsets
		d.each(s, func(time.Duration) float64 { return min(100, max(0, mean*(1+0.01*d.rand.NormFloat64()))) })
	}
}

// longest gives the offsets of the signal that was sampled most: of all passes.
func longest(signals []rig.Signal) (offsets []time.Duration) {
	for _, s := range signals {
		if len(s.Offsets) > len(offsets) {
			offsets = s.Offsets
		}
	}
	if len(offsets) > 0 {
		offsets = offsets[1:] // a share is of the time since the pass before
	}
	return offsets
}

func everySecond(passes []time.Duration) (out []time.Duration) {
	for _, at := range passes {
		if len(out) == 0 || at-out[len(out)-1] >= time.Second {
			out = append(out, at)
		}
	}
	return out
}
