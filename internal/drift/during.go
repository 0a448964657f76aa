package drift

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/rig"
)

// during looks for what changed while the workload ran.
func (j *judge) during() {
	j.changed()
	for _, s := range j.in.Run.Signals {
		if len(s.Values) == 0 {
			continue
		}
		switch s.Key.Family() {
		case "load.other":
			j.otherLoad(s)
		case "cpu.policy[].clock_limit":
			j.fell(s)
		case "cooling[].state":
			j.cooled(s)
		}
		if strings.HasPrefix(string(s.Key), "throttle[") {
			j.counted(s)
		}
		j.reached(s)
	}
	j.clockFell()
}

// changed compares the snapshots before and after.
func (j *judge) changed() {
	after := j.in.Run.After
	if len(after.Facts) == 0 {
		j.raise(Flag{Kind: UnreadFact, Fact: "run.after", Expected: rig.TextOf("a snapshot after the run"), Seen: rig.TextOf("unread: absent"),
			Weight: rig.Caution, Evidence: "record: whether the rig was the same at the end is not known"})
		return
	}
	if a, b := find(j.in.Before, "kernel.boot_id"), find(after, "kernel.boot_id"); a.Read() && b.Read() && a.Value != b.Value {
		j.raise(Flag{Kind: Unsteady, Fact: a.Key, Expected: a.Value, Seen: b.Value, Weight: rig.Void, Evidence: source(b) + ": the rig was restarted within the run"})
	}
	for _, was := range j.in.Before.Facts {
		e, _ := rig.Lookup(was.Key)
		now, there := after.Find(was.Key)
		if e.Pace == rig.Passing || !was.Read() || !there || (now.Read() && e.Tolerance.Equal(was.Value, now.Value)) {
			continue
		}
		seen := now.Value
		if !now.Read() {
			seen = rig.TextOf("unread: " + now.Unread.String())
		}
		j.raise(Flag{Kind: Unsteady, Fact: was.Key, Expected: was.Value, Seen: seen, Unit: was.Unit, Weight: e.Weight,
			Evidence: source(now) + ": before and after the run"})
	}
}

func (j *judge) otherLoad(s rig.Signal) {
	var sum, most float64
	for i := range s.Values {
		sum += s.At(i)
		most = max(most, s.At(i))
	}
	mean := sum / float64(len(s.Values))
	if mean <= j.bounds.OtherLoad {
		return
	}
	j.raise(Flag{Kind: Unsteady, Fact: s.Key, Expected: rig.TextOf(fmt.Sprintf("at most %v on average", j.bounds.OtherLoad)),
		Seen: rig.NumberOf(round(mean)), Unit: s.Unit, Weight: rig.Caution,
		Evidence: fmt.Sprintf("%s: mean of %d samples of work by others, highest %.1f", s.Source, len(s.Values), most)})
}

// fell looks at a ceiling that the kernel lowered.
func (j *judge) fell(s rig.Signal) {
	low := slices.Index(s.Values, slices.Min(s.Values))
	if s.At(low) >= s.At(0)*j.bounds.ClockFall {
		return
	}
	j.raise(Flag{Kind: Unsteady, Fact: s.Key, Expected: rig.NumberOf(s.At(0)), Seen: rig.NumberOf(s.At(low)), Unit: s.Unit, Weight: rig.Caution,
		Evidence: fmt.Sprintf("%s: the ceiling fell, lowest at %s into the run", s.Source, at(s.Offsets[low]))})
}

// cooled looks at processor cooling that stepped up; fans are there to step.
func (j *judge) cooled(s rig.Signal) {
	if strings.Contains(strings.ToLower(s.Key.Index()), "fan") {
		return
	}
	high := slices.Index(s.Values, slices.Max(s.Values))
	if s.Values[high] <= s.Values[0] {
		return
	}
	j.raise(Flag{Kind: Unsteady, Fact: s.Key, Expected: rig.NumberOf(s.At(0)), Seen: rig.NumberOf(s.At(high)), Weight: rig.Caution,
		Evidence: fmt.Sprintf("%s: the kernel slowed a part down to cool it, first at %s into the run", s.Source, at(firstAbove(s)))})
}

// counted looks at throttle events.
func (j *judge) counted(s rig.Signal) {
	n := s.At(len(s.Values)-1) - s.At(0)
	if n <= 0 {
		return
	}
	j.raise(Flag{Kind: Unsteady, Fact: s.Key, Expected: rig.NumberOf(0), Seen: rig.NumberOf(n), Weight: rig.Caution,
		Evidence: fmt.Sprintf("%s: throttling counted during the run, first at %s", s.Source, at(firstAbove(s)))})
}

func firstAbove(s rig.Signal) time.Duration {
	return s.Offsets[slices.IndexFunc(s.Values, func(v int64) bool { return v > s.Values[0] })]
}

// reached looks at a sensor that came to a limit it states itself.
func (j *judge) reached(s rig.Signal) {
	if s.Unit != rig.Celsius {
		return
	}
	high := slices.Index(s.Values, slices.Max(s.Values))
	var hit *rig.Limit
	for i, l := range s.Limits {
		if !strings.Contains(l.Name, "active") && s.At(high) >= l.Value && (hit == nil || l.Value > hit.Value) {
			hit = &s.Limits[i]
		}
	}
	if hit == nil {
		return
	}
	j.raise(Flag{Kind: Unsteady, Fact: s.Key, Expected: rig.TextOf(fmt.Sprintf("below its %s of %v", hit.Name, hit.Value)),
		Seen: rig.NumberOf(s.At(high)), Unit: s.Unit, Weight: rig.Caution,
		Evidence: fmt.Sprintf("%s: at or past its limit at %s into the run; keep to the maker's limits", s.Source, at(s.Offsets[high]))})
}

// outcome looks at how the workload ended and what it left.
func (j *judge) outcome() {
	r := j.in.Run
	if r.Outcome != "finished" {
		j.raise(Flag{Kind: Unsteady, Fact: "run.exit", Expected: rig.TextOf("finished"), Seen: rig.TextOf(r.Outcome), Weight: rig.Void,
			Evidence: "workload: " + or(r.Detail, r.Outcome)})
	}
	for _, l := range r.Logs {
		if l.Refused != "" {
			j.raise(Flag{Kind: UnreadFact, Fact: "run.log", Expected: rig.TextOf("a timing log"), Seen: rig.TextOf("refused: " + l.Refused), Weight: rig.Void,
				Evidence: l.Name + ": " + l.Detail})
		}
		for _, m := range l.Marks {
			j.raise(Flag{Kind: Unsteady, Fact: "run.log", Expected: rig.TextOf("nothing to remark"), Seen: rig.TextOf(m.Code), Weight: markWeight(m.Code),
				Evidence: l.Name + ": " + m.Detail})
		}
	}
	for _, n := range r.MissingResults {
		j.raise(Flag{Kind: UnreadFact, Fact: rig.Of("run.result", n, ""), Expected: rig.TextOf("a figure"), Seen: rig.TextOf("unread: absent"), Weight: rig.Caution,
			Evidence: "output: the workload's pattern found nothing"})
	}
	if j.in.LastKey != "" && r.Key != "" && j.in.LastKey != r.Key {
		j.raise(Flag{Kind: Moved, Fact: "rig.key", Expected: rig.TextOf(j.in.LastKey), Seen: rig.TextOf(r.Key), Weight: rig.Caution,
			Evidence: "signature: this rig's last run was signed with another key"})
	}
}

// markWeight tells what only describes a log from what makes its numbers weak.
func markWeight(code string) rig.Weight {
	switch code {
	case "dropped_rows", "stall", "unit_contradicts_name", "kind_contradicts_name":
		return rig.Caution
	}
	return rig.Note
}

func at(d time.Duration) string { return fmt.Sprintf("%.1f s", d.Seconds()) }

func round(f float64) float64 { return float64(int64(f*10+0.5)) / 10 }
