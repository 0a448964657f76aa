package drift

import (
	"fmt"
	"strings"

	"witnessmark/internal/rig"
)

// ratings looks for parts that run below what they are rated for. Where a setup
// declares the lower value, the finding stays and weighs as a note.
func (j *judge) ratings() {
	j.below("memory.speed", "memory.rated_speed", "the modules are rated for more; a firmware reset leaves memory at its default")
	j.below("memory.channels_populated", "memory.channels", "channels without a module add no bandwidth")
	j.below("cpu.clock_limit", "cpu.clock_max", "the kernel holds the clock below what the hardware offers")
	j.offline()
	if on, ok := j.truth("cpu.turbo"); ok && !on {
		f := find(j.in.Before, "cpu.turbo")
		j.raise(Flag{Kind: Underrated, Fact: f.Key, Expected: rig.TruthOf(true), Seen: f.Value, Weight: rig.Note,
			Evidence: source(f) + ": turbo is switched off"})
	}
	for _, f := range j.in.Before.Facts {
		if f.Key.Family() == "link[].width" {
			j.link(f)
		}
	}
}

// below raises a flag when one number is under another, tolerance allowed.
func (j *judge) below(k, rated rig.Key, why string) {
	e, _ := rig.Lookup(k)
	f, r := find(j.in.Before, k), find(j.in.Before, rated)
	got, ok1 := f.Value.Number()
	want, ok2 := r.Value.Number()
	if !ok1 || !ok2 || got >= want || e.Tolerance.Equal(r.Value, f.Value) {
		return
	}
	fl := Flag{Kind: Underrated, Fact: k, Expected: r.Value, Seen: f.Value, Unit: f.Unit, Weight: e.Weight,
		Evidence: fmt.Sprintf("%s: %s; %s = %s", source(f), why, rated, r)}
	if j.declaredHolds(k) {
		fl.WeightBefore, fl.Weight = fl.Weight, rig.Note
		fl.Evidence += "; setup " + j.in.Setup.Label + " declares it so"
	}
	j.raise(fl)
}

func (j *judge) offline() {
	f := find(j.in.Before, "cpu.offline")
	list, ok := f.Value.Text()
	if !ok || list == "" || list == "none" {
		return
	}
	e, _ := rig.Lookup(f.Key)
	w, why := e.Weight, "these processors do no work"
	if smt, ok := j.in.Before.Text("cpu.smt"); ok && strings.HasPrefix(smt, "off") || smt == "forceoff" {
		w, why = rig.Note, "second threads of a core are switched off"
	}
	j.raise(Flag{Kind: Underrated, Fact: f.Key, Expected: rig.TextOf("none"), Seen: f.Value, Weight: w, Evidence: source(f) + ": " + why})
}

// link judges a link's width at any time and its speed by the highest that was
// seen, since an idle link slows down to save power.
func (j *judge) link(width rig.Fact) {
	i := width.Key.Index()
	kind, _ := j.in.Before.Text(rig.Of("link", i, "kind"))
	if strings.Contains(kind, "bridge") || strings.Contains(kind, "port") {
		return // judged at the device behind it
	}
	j.below(width.Key, rig.Of("link", i, "width_max"), "the "+or(kind, "device")+" could use more lanes: look at seat, riser and slot")
	if j.in.Run == nil {
		return
	}
	speed := rig.Of("link", i, "speed")
	best, ok := j.in.Before.Number(speed)
	if a, ok2 := j.in.Run.After.Number(speed); ok2 {
		best, ok = max(best, a), true
	}
	sampled := false
	for _, s := range j.in.Run.Signals {
		if s.Key == speed {
			for n := range s.Values {
				best, ok, sampled = max(best, s.At(n)), true, true
			}
		}
	}
	top, known := j.in.Before.Number(rig.Of("link", i, "speed_max"))
	if !ok || !known || !sampled || best >= top {
		return
	}
	j.raise(Flag{Kind: Underrated, Fact: speed, Expected: rig.NumberOf(top), Seen: rig.NumberOf(best), Unit: rig.GTps, Weight: rig.Note,
		Evidence: source(find(j.in.Before, speed)) + ": the highest seen over the run; a link that was idle slows down by itself"})
}

func or(s, t string) string {
	if s == "" {
		return t
	}
	return s
}

// limits looks for sensors at or past a limit that they state themselves.
func (j *judge) limits() {
	for _, f := range j.in.Before.Facts {
		if f.Key.Family() != "temperature[]" || !f.Read() {
			continue
		}
		t, ok := f.Value.Number()
		if !ok {
			continue
		}
		for _, name := range []string{"max", "crit", "emergency"} {
			l, ok := j.in.Before.Number(rig.Of("temperature", f.Key.Index(), name))
			if ok && t >= l {
				j.raise(Flag{Kind: Unsteady, Fact: f.Key, Expected: rig.TextOf(fmt.Sprintf("below its %s of %v", name, l)), Seen: f.Value,
					Unit: rig.Celsius, Weight: rig.Caution, Evidence: source(f) + ": at or past its limit before the run; keep to the maker's limits"})
				break
			}
		}
	}
}

// before looks at what else the machine was doing.
func (j *judge) before() {
	f := find(j.in.Before, "load.idle_before")
	idle, ok := f.Value.Number()
	if !ok || idle >= j.bounds.IdleBefore {
		return
	}
	ev := source(f)
	if busy, ok := j.in.Before.Text("load.busiest"); ok {
		ev += ": busiest just before: " + busy
	}
	j.raise(Flag{Kind: Unsteady, Fact: f.Key, Expected: rig.TextOf(fmt.Sprintf("at least %v", j.bounds.IdleBefore)), Seen: f.Value,
		Unit: f.Unit, Weight: rig.Caution, Evidence: ev})
}
