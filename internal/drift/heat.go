package drift

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/rig"
)

// heat looks for sensors at a limit that they state themselves and for parts
// that the kernel slows down to cool them: during the run where it was sampled,
// else before it.
func (j *judge) heat() {
	hot := j.hotBefore()
	slowed := j.slowedBefore()
	for _, s := range j.signals() {
		hot = append(hot, hotDuring(s)...)
		slowed = append(slowed, slowedDuring(s)...)
	}
	for _, h := range hottest(hot) {
		j.raise(h.flag())
	}
	for _, f := range alike(slowed) {
		j.raise(f)
	}
}

// signals gives the run's signals that have samples.
func (j *judge) signals() []rig.Signal {
	if j.in.Run == nil {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(j.in.Run.Signals), func(s rig.Signal) bool { return len(s.Values) == 0 })
}

// watched says whether the run has a signal of the fact, with samples or with
// the reason why there are none.
func (j *judge) watched(k rig.Key) bool {
	return j.in.Run != nil && slices.ContainsFunc(j.in.Run.Signals, func(s rig.Signal) bool { return s.Key == k })
}

// bounding are the names of limits that a part is not meant to reach. A trip
// point called active only turns a fan on.
var bounding = []string{"max", "crit", "emergency", "passive", "hot", "critical"}

// passed gives the highest limit that the temperature is at or past.
func passed(limits []rig.Limit, value float64) (hit rig.Limit, yes bool) {
	for _, l := range limits {
		if slices.Contains(bounding, l.Name) && value >= l.Value && (!yes || l.Value > hit.Value) {
			hit, yes = l, true
		}
	}
	return hit, yes
}

// hit is a sensor at a limit.
type hit struct {
	key      rig.Key
	value    float64
	limit    rig.Limit
	evidence string
	more     int // other sensors of the same chip at a limit
}

func (j *judge) hotBefore() (hits []hit) {
	for _, f := range j.in.Before.Facts {
		t, ok := f.Value.Number()
		if f.Key.Family() != "temperature[]" || !ok || j.watched(f.Key) {
			continue
		}
		if l, yes := passed(j.statedLimits(f.Key.Index()), t); yes {
			hits = append(hits, hit{key: f.Key, value: t, limit: l, evidence: reading(f) + " before the run"})
		}
	}
	return hits
}

// statedLimits gathers what a sensor says of itself and, of a thermal zone, its
// trip points, whose index is the zone's name and the kind of point.
func (j *judge) statedLimits(sensor string) (limits []rig.Limit) {
	for _, f := range j.in.Before.Facts {
		v, ok := f.Value.Number()
		if !ok {
			continue
		}
		switch f.Key.Family() {
		case "temperature[].max", "temperature[].crit", "temperature[].emergency":
			if f.Key.Index() == sensor {
				limits = append(limits, rig.Limit{Name: f.Key.Field(), Value: v})
			}
		case "trip[]":
			if kind, ok := strings.CutPrefix(f.Key.Index(), sensor+" "); ok {
				kind, _, _ = strings.Cut(kind, " #")
				limits = append(limits, rig.Limit{Name: kind, Value: v})
			}
		}
	}
	return limits
}

func hotDuring(s rig.Signal) []hit {
	if s.Unit != rig.Celsius {
		return nil
	}
	high := slices.Index(s.Values, slices.Max(s.Values))
	l, yes := passed(s.Limits, s.At(high))
	if !yes {
		return nil
	}
	return []hit{{key: s.Key, value: s.At(high), limit: l, evidence: fmt.Sprintf("%s: %s °C at %s into the run", s.Source, rig.NumberOf(s.At(high)), at(s.Offsets[high]))}}
}

// hottest keeps one sensor of each chip: the one past the highest limit, and of
// those the hottest.
func hottest(hits []hit) (out []hit) {
	for _, h := range hits {
		i := slices.IndexFunc(out, func(o hit) bool { return chip(o.key) == chip(h.key) })
		switch {
		case i < 0:
			out = append(out, h)
		case h.limit.Value > out[i].limit.Value || h.limit.Value == out[i].limit.Value && h.value > out[i].value:
			h.more = out[i].more + 1
			out[i] = h
		default:
			out[i].more++
		}
	}
	return out
}

// chip is the part of a sensor's index before its label: "coretemp/coretemp.0".
func chip(k rig.Key) string {
	name, _, _ := strings.Cut(k.Index(), " ")
	return name
}

func (h hit) flag() Flag {
	f := Flag{
		Kind: Unsteady, Fact: h.key, Expected: rig.TextOf(fmt.Sprintf("below %s, its %s", rig.NumberOf(h.limit.Value), h.limit.Name)),
		Seen: rig.NumberOf(h.value), Unit: rig.Celsius, Weight: rig.Caution, Evidence: h.evidence,
	}
	if h.more > 0 {
		f.Evidence += fmt.Sprintf("; %d more sensors of %s are at a limit", h.more, chip(h.key))
	}
	f.Evidence += "; keep to the maker's limits, and leave anything electrical to qualified people"
	return f
}

// slowing says what a step of a cooling device means. Some slow a part down, so
// that any step is a finding; fans, displays and offsets do not; of the rest
// only a step taken during the run is one.
func slowing(kind string) (any, rise bool) {
	for _, word := range []string{"Processor", "thermal-cpufreq", "thermal-cpuidle", "thermal-devfreq", "intel_powerclamp"} {
		if strings.HasPrefix(kind, word) {
			return true, true
		}
	}
	for _, word := range []string{"fan", "lcd", "backlight", "tcc offset"} {
		if strings.Contains(strings.ToLower(kind), word) {
			return false, false
		}
	}
	return false, true
}

func (j *judge) slowedBefore() (flags []Flag) {
	for _, f := range j.in.Before.Facts {
		n, _ := f.Value.Number()
		if any, _ := slowing(f.Key.Index()); f.Key.Family() != "cooling[].state" || n <= 0 || !any || j.watched(f.Key) {
			continue
		}
		flags = append(flags, Flag{Kind: Unsteady, Fact: f.Key, Expected: rig.NumberOf(0), Seen: f.Value, Weight: rig.Caution,
			Evidence: reading(f) + ", before the run: the kernel slows a part down to cool it"})
	}
	return flags
}

func slowedDuring(s rig.Signal) []Flag {
	any, rise := slowing(s.Key.Index())
	if s.Key.Family() != "cooling[].state" || !rise {
		return nil
	}
	from := int64(0)
	if !any {
		from = max(0, s.Values[0])
	}
	above := slices.IndexFunc(s.Values, func(v int64) bool { return v > from })
	if above < 0 {
		return nil
	}
	most := slices.Max(s.Values)
	return []Flag{{Kind: Unsteady, Fact: s.Key, Expected: rig.NumberOf(s.Scale(from)), Seen: rig.NumberOf(s.Scale(most)), Weight: rig.Caution,
		Evidence: fmt.Sprintf("%s: step %s: the kernel slowed a part down to cool it, first at %s into the run", s.Source, rig.NumberOf(s.Scale(most)), at(s.Offsets[above]))}}
}

// alike keeps one flag of each kind of cooling device, since there is one device
// for each processor: the first at the highest step.
func alike(flags []Flag) (out []Flag) {
	kind := func(f Flag) string {
		name, _, _ := strings.Cut(f.Fact.Index(), " #")
		name, _, _ = strings.Cut(name, "/")
		return strings.TrimRight(name, "0123456789")
	}
	more := map[string]int{}
	for _, f := range flags {
		i := slices.IndexFunc(out, func(o Flag) bool { return kind(o) == kind(f) })
		if i < 0 {
			out = append(out, f)
			continue
		}
		more[kind(f)]++
		if a, _ := f.Seen.Number(); a > number(out[i].Seen) {
			out[i] = f
		}
	}
	for i := range out {
		if n := more[kind(out[i])]; n > 0 {
			out[i].Evidence += fmt.Sprintf("; and %d more devices of the kind", n)
		}
	}
	return out
}

func number(v rig.Value) float64 {
	n, _ := v.Number()
	return n
}

// at says when in the run something was.
func at(d time.Duration) string { return fmt.Sprintf("%.1f s", d.Seconds()) }
