package drift

import (
	"fmt"
	"math"
	"slices"
	"time"

	"witnessmark/internal/rig"
)

// before looks at what else the machine was doing when the run was about to begin.
func (j *judge) before() {
	f := find(j.in.Before, "load.idle_before")
	idle, ok := f.Value.Number()
	least := max(j.bounds.IdleBefore, 100-j.busyShare())
	if !ok || idle >= least {
		return
	}
	ev := reading(f) + " idle"
	if busy, ok := j.in.Before.Text("load.busiest"); ok {
		ev += "; busiest: " + busy
	}
	j.raise(Flag{Kind: Unsteady, Fact: f.Key, Expected: rig.TextOf(fmt.Sprintf("at least %s", rig.NumberOf(round(least)))), Seen: f.Value,
		Unit: f.Unit, Weight: weightOf(f.Key), Evidence: ev})
}

// busyShare is what the bound's number of processors comes to, in percent of all.
func (j *judge) busyShare() float64 {
	n, ok := j.in.Before.Number("cpu.threads")
	if !ok || n < 1 {
		return 100
	}
	return 100 * j.bounds.BusyProcessors / n
}

// during looks for what changed while the workload ran.
func (j *judge) during() {
	j.changed()
	j.ceilings()
	j.clock()
	j.unsampled()
	for _, s := range j.signals() {
		if s.Key == otherLoad {
			j.others(s)
		}
	}
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
		j.raise(Flag{Kind: Unsteady, Fact: a.Key, Expected: a.Value, Seen: b.Value, Weight: rig.Void, Evidence: reading(b) + "; the rig was restarted within the run"})
	}
	for _, d := range differences(j.in.Before, after) {
		j.differs(d, Unsteady, "; seen after the run")
	}
}

// others looks at work by others than the workload and the agent.
func (j *judge) others(s rig.Signal) {
	var sum, most float64
	for i := range s.Values {
		sum += s.At(i)
		most = max(most, s.At(i))
	}
	mean, bound := sum/float64(len(s.Values)), min(j.bounds.OtherLoad, j.busyShare())
	if !(mean > bound) {
		return
	}
	w, few := rig.Caution, ""
	if len(s.Values) < j.bounds.FewSamples {
		w, few = rig.Note, ", too few to tell"
	}
	j.raise(Flag{Kind: Unsteady, Fact: s.Key, Expected: rig.TextOf(fmt.Sprintf("at most %s on average", rig.NumberOf(round(bound)))),
		Seen: rig.NumberOf(round(mean)), Unit: s.Unit, Weight: w,
		Evidence: fmt.Sprintf("%s: work by others: mean of %d samples%s, highest %.1f %%", s.Source, len(s.Values), few, most)})
}

// ceilings looks for limits of the clock that the kernel moved, and tells of the
// one that moved most.
func (j *judge) ceilings() {
	var worst rig.Signal
	least, more := 1.0, -1
	for _, s := range j.signals() {
		share := s.Scale(slices.Min(s.Values)) / s.Scale(slices.Max(s.Values))
		if s.Key.Family() != "cpu.policy[].clock_limit" || !(share < j.bounds.ClockFall) {
			continue
		}
		more++
		if share < least {
			worst, least = s, share
		}
	}
	if more < 0 {
		return
	}
	low := slices.Index(worst.Values, slices.Min(worst.Values))
	f := Flag{Kind: Unsteady, Fact: worst.Key, Expected: rig.NumberOf(worst.Scale(slices.Max(worst.Values))), Seen: rig.NumberOf(worst.At(low)),
		Unit: worst.Unit, Weight: weightOf(worst.Key),
		Evidence: fmt.Sprintf("%s: the ceiling moved during the run and was lowest at %s", worst.Source, at(worst.Offsets[low]))}
	if more > 0 {
		f.Evidence += fmt.Sprintf("; and those of %d more groups of processors", more)
	}
	j.raise(f)
}

// needed are the signals without which the run cannot be judged.
var needed = []struct {
	key rig.Key // of the flag
	is  func(rig.Signal) bool
}{
	{coreClock, func(s rig.Signal) bool { return s.Key.Family() == "cpu[].clock" }},
	{temperature, func(s rig.Signal) bool { return s.Key.Family() == "temperature[]" }},
	{otherLoad, func(s rig.Signal) bool { return s.Key == otherLoad }},
}

// unsampled raises what the judgement of the run needed and could not have.
func (j *judge) unsampled() {
	for _, n := range needed {
		f := Flag{Kind: UnreadFact, Fact: n.key, Expected: rig.TextOf("samples through the run"), Seen: rig.TextOf("unread: absent"), Weight: rig.Note,
			Evidence: "record: no such signal"}
		var until time.Duration
		sampled := false
		for _, s := range j.in.Run.Signals {
			switch {
			case !n.is(s):
			case len(s.Values) > 0:
				sampled, until = true, max(until, slices.Max(s.Offsets))
			case s.Unread.Reason != "":
				f.Seen, f.Evidence = unreadValue(s.Unread), s.Source+": "+string(s.Key)
			}
		}
		if sampled {
			f.Seen, f.Evidence = rig.TextOf("unread after "+at(until)), fmt.Sprintf("record: the run took %s", at(j.in.Run.Elapsed))
		}
		if !sampled || until.Seconds() < j.bounds.SampledShare*j.in.Run.Elapsed.Seconds() {
			f.Evidence += "; the built-in judgement looks at it" + j.virtualWord(n.key)
			j.raise(f)
		}
	}
}

// round keeps one decimal.
func round(f float64) float64 { return math.Round(f*10) / 10 }
