package drift

import (
	"slices"

	"witnessmark/internal/rig"
)

// ratings looks for parts that run below what they are rated for.
func (j *judge) ratings() {
	j.memory()
	j.clocks()
	j.offline()
	j.links()
	if virtual, _ := j.truth("machine.virtual"); virtual {
		j.below(find(j.in.Before, "machine.virtual"), rig.TruthOf(false), rig.Note, "a guest shares its processors and hides much of what it runs on")
	}
	slow := []string{"hpet", "acpi_pm", "jiffies", "refined-jiffies", "pit"}
	if f := find(j.in.Before, "kernel.clocksource"); slices.Contains(slow, f.Value.String()) {
		j.below(f, rig.TextOf("a clock in the processor"), rig.Note, "reading the time takes long, which every time stamp shows; the kernel takes this clock when it has given up the processor's")
	}
}

// below raises a flag on a part that gives less than it should. What a setup
// declares so stays a finding and weighs as a note.
func (j *judge) below(f rig.Fact, rated rig.Value, w rig.Weight, why string) {
	fl := Flag{Kind: Underrated, Fact: f.Key, Expected: rated, Seen: f.Value, Unit: f.Unit, Weight: w, Evidence: reading(f) + "; " + why}
	if j.declaredSo(f.Key) {
		if w > rig.Note {
			fl.WeightBefore, fl.Weight = w, rig.Note
		}
		fl.Evidence += "; setup " + j.in.Setup.Label + " declares it so"
	}
	j.raise(fl)
}

// short gives two facts when both are numbers and the first is under the
// second by more than its tolerance.
func (j *judge) short(k, rated rig.Key) (f, r rig.Fact, yes bool) {
	f, r = find(j.in.Before, k), find(j.in.Before, rated)
	e, _ := rig.Lookup(k)
	got, ok1 := f.Value.Number()
	want, ok2 := r.Value.Number()
	return f, r, ok1 && ok2 && got < want && !e.Tolerance.Equal(r.Value, f.Value)
}

// under raises a flag when a fact falls short of its rating.
func (j *judge) under(k, rated rig.Key, why string) bool {
	f, r, yes := j.short(k, rated)
	if yes {
		j.below(f, r.Value, weightOf(k), string(rated)+" is "+r.String()+"; "+why)
	}
	return yes
}

// memory holds the speed, the channels and the size of memory against what the
// modules and the board are for.
func (j *judge) memory() {
	whole := j.under("memory.speed", "memory.rated_speed", "a firmware reset leaves memory at its default speed")
	if !whole {
		j.modules()
	}
	j.under("memory.channels_populated", "memory.channels", "a channel without a module adds no bandwidth")

	f, r, yes := j.short("memory.total", "memory.size")
	total, _ := f.Value.Number()
	size, _ := r.Value.Number()
	if yes && total < j.bounds.MemoryShare*size {
		j.below(f, r.Value, rig.Note, "the firmware lists modules of "+r.String()+": the rest is held back or not recognised")
	}
}

// modules looks at each module where the slowest one shows nothing: its rating
// bounds the others, which then run below theirs.
func (j *judge) modules() {
	slowest, known := j.in.Before.Number("memory.rated_speed")
	for _, f := range j.in.Before.Facts {
		if f.Key.Family() != "memory.module[].speed" {
			continue
		}
		f, r, yes := j.short(f.Key, rig.Of("memory.module", f.Key.Index(), "rated_speed"))
		if !yes {
			continue
		}
		w, why := rig.Caution, "the module is rated for "+r.String()
		if got, _ := f.Value.Number(); known && got >= slowest {
			w, why = rig.Note, why+"; the slowest module is rated for no more than it runs at"
		}
		j.below(f, r.Value, w, why)
	}
}

// clocks holds ceilings against what the hardware offers.
func (j *judge) clocks() {
	turbo, told := j.truth("cpu.turbo")
	off := told && !turbo
	if off {
		j.below(find(j.in.Before, "cpu.turbo"), rig.TruthOf(true), weightOf("cpu.turbo"), "turbo is switched off")
	}
	j.ceiling("cpu.clock_limit", "cpu.clock_max", off)
	top := find(j.in.Before, "cpu.clock_max")
	for _, f := range j.in.Before.Facts {
		most := rig.Of("cpu.policy", f.Key.Index(), "clock_max")
		if f.Key.Family() == "cpu.policy[].clock_limit" && find(j.in.Before, most).Value != top.Value {
			j.ceiling(f.Key, most, off)
		}
	}
	j.under("cpu.clock_firmware_limit", "cpu.clock_base", "the firmware asks the kernel to stay below the clock that the processor holds without turbo")
}

// ceiling looks at a limit set by the kernel. Without turbo it may be as low as
// the base clock, and turbo has its own flag.
func (j *judge) ceiling(limit, most rig.Key, turboOff bool) {
	f, r, yes := j.short(limit, most)
	if !yes {
		return
	}
	w, why := weightOf(limit), string(most)+" is "+r.String()+"; the kernel holds the clock below what the hardware offers"
	if _, _, lower := j.short(limit, "cpu.clock_base"); turboOff && !lower {
		w, why = rig.Note, why+"; follows from cpu.turbo"
	}
	j.below(f, r.Value, w, why)
}

// offline looks for processors that are there and do no work.
func (j *judge) offline() {
	f := find(j.in.Before, "cpu.offline")
	list, ok := f.Value.Text()
	if !ok || list == "" || list == "none" {
		return
	}
	w, why := weightOf(f.Key), "these processors do no work"
	if smt, _ := j.in.Before.Text("cpu.smt"); smt == "off" || smt == "forceoff" {
		w, why = rig.Note, "second threads of cores are switched off"
	}
	j.below(f, rig.TextOf("none"), w, why)
}
