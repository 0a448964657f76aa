package drift

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/rig"
)

// counters are facts that count since boot what should not happen. Such a count
// is no state to be held against a mark: what it gained in a run is a finding of
// the catalogue's weight, and what it had before, one of these. Throttle events
// from before a run say that cooling did not hold, and no more once the run
// shows whether it did.
var counters = []struct {
	family      rig.Key
	check, then rig.Weight // of a count from before: with no run yet, and with one
	what        string
}{
	{"cpu.throttle_count", rig.Caution, rig.Note, "times the processor throttled itself"},
	{"memory.corrected_errors", rig.Caution, rig.Caution, "memory errors corrected"},
	{"memory.uncorrected_errors", rig.Caution, rig.Caution, "memory errors not corrected"},
	{"link[].errors_corrected", rig.Note, rig.Note, "errors on the link corrected"},
	{"link[].errors_fatal", rig.Caution, rig.Caution, "errors on the link not corrected"},
}

// counted says whether the fact is a count since boot.
func counted(k rig.Key) bool {
	for _, c := range counters {
		if c.family == k.Family() {
			return true
		}
	}
	return false
}

// counts looks at what the counters gained in the run, and else had before it.
func (j *judge) counts() {
	throttled := j.throttled()
	for _, c := range counters {
		for _, f := range j.in.Before.Facts {
			n, ok := f.Value.Number()
			if f.Key.Family() != c.family || !ok {
				continue
			}
			w := c.check
			if j.in.Run != nil {
				w = c.then
				if c.family != "cpu.throttle_count" || !throttled {
					j.gained(f, c.what)
				}
			}
			if n > 0 {
				j.raise(Flag{Kind: Unsteady, Fact: f.Key, Expected: rig.NumberOf(0), Seen: f.Value, Weight: w,
					Evidence: reading(f) + " " + c.what + ", since boot and before the run"})
			}
		}
	}
}

// gained raises a flag when a count rose from before the run to after it.
func (j *judge) gained(f rig.Fact, what string) {
	after := find(j.in.Run.After, f.Key)
	n, ok := after.Value.Number()
	if rise := n - number(f.Value); ok && rise > 0 {
		j.raise(Flag{Kind: Unsteady, Fact: f.Key, Expected: rig.NumberOf(0), Seen: rig.NumberOf(rise), Weight: weightOf(f.Key),
			Evidence: fmt.Sprintf("%s: %s %s in the run: %s before, %s after", source(after), rig.NumberOf(rise), what, f.Value, after.Value)})
	}
}

// throttled adds up the throttle counters sampled through the run and says
// whether there were any.
func (j *judge) throttled() (sampled bool) {
	var events, millis float64
	var first rig.Signal
	var from int
	for _, s := range j.signals() {
		if !strings.HasPrefix(string(s.Key), "throttle[") {
			continue
		}
		sampled = true
		rise := s.At(len(s.Values)-1) - s.At(0)
		i := slices.IndexFunc(s.Values, func(v int64) bool { return v > s.Values[0] })
		switch {
		case i < 0 || !(rise > 0):
			continue
		case s.Key.Field() == "time":
			millis = max(millis, rise)
		default:
			events += rise
		}
		if first.Key == "" || s.Offsets[i] < first.Offsets[from] {
			first, from = s, i
		}
	}
	if first.Key == "" {
		return sampled
	}
	f := Flag{Kind: Unsteady, Fact: "cpu.throttle_count", Expected: rig.NumberOf(0), Seen: rig.NumberOf(events), Weight: weightOf("cpu.throttle_count"),
		Evidence: fmt.Sprintf("%s: the processor throttled itself %s times in the run, first at %s", first.Source, rig.NumberOf(events), at(first.Offsets[from]))}
	if events == 0 { // one that began before the run went on
		f.Seen, f.Unit = rig.NumberOf(millis), rig.Millisec
		f.Evidence = fmt.Sprintf("%s: the processor throttled itself in the run", first.Source)
	}
	if millis > 0 {
		f.Evidence += fmt.Sprintf(", for %s ms in all", rig.NumberOf(millis))
	}
	j.raise(f)
	return sampled
}
