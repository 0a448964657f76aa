package compare

import (
	"cmp"
	"fmt"
	"slices"

	"witnessmark/internal/rig"
)

// CoreClock stands for the clock of the cores as a factor: set by any of the
// facts that bound it, valued by what was measured under load.
const CoreClock rig.Key = "cpu.clock"

// clockSettings are the facts that bound the clock.
var clockSettings = []rig.Key{"cpu.clock_max", "cpu.clock_limit", "cpu.clock_firmware_limit", "cpu.turbo"}

// Factor is one fact that a grid varies, with its levels from the lowest on.
type Factor struct {
	Fact     rig.Key // as it was asked for; CoreClock for each of the facts that bound it
	Name     string  // in words
	Unit     rig.Unit
	Settings []rig.Key // the facts that set it
	Measured bool      // its values were measured under load
	Source   string    // where they were read
	Levels   []Level

	clock bool
	at    map[string]int     // the level of a run
	value map[string]float64 // of a run
	why   map[string]string  // why a run has none
}

// Level is one setting of a factor.
type Level struct {
	Setting float64 // the lowest bound of the clock; what was measured where no setting was read
	Label   string  // with its unit, and what else sets it: "3600 MHz, turbo off"
}

// KnownFactor says whether a grid can be made over the fact: the clock, or a fact
// of the catalogue that is a number.
func KnownFactor(k rig.Key) bool {
	if k == CoreClock {
		return true
	}
	e, ok := rig.Lookup(k)
	return ok && (e.Unit != rig.NoUnit || counted[e.Key]) && e.Pace != rig.Passing || slices.Contains(clockSettings, k)
}

// counted is the facts that are plain counts.
var counted = map[rig.Key]bool{
	"cpu.sockets": true, "cpu.cores": true, "cpu.threads": true, "cpu.kind[].cores": true, "cpu.kind[].threads": true, "cpu.numa_nodes": true,
	"memory.modules": true, "memory.channels_populated": true, "memory.module[].rank": true,
}

func newFactor(k rig.Key) Factor {
	f := Factor{Fact: k, Name: string(k), Settings: []rig.Key{k}, at: map[string]int{}, value: map[string]float64{}, why: map[string]string{}}
	e, _ := rig.Lookup(k)
	f.Unit = e.Unit
	switch {
	case k == CoreClock || slices.Contains(clockSettings, k):
		f.Fact, f.Name, f.Unit, f.Settings, f.clock = CoreClock, "core clock", rig.MHz, clockSettings, true
	case k == "memory.speed":
		f.Name = "memory speed"
	}
	return f
}

func (f Factor) missing(r Run) string {
	return cmp.Or(f.why[r.ID], f.Name+" was not read")
}

// point is one run's setting of a factor.
type point struct {
	run     string
	setting float64
	word    string // what sets it beside a number
	value   float64
	ok      bool
}

// level gives every run its level of each factor.
func (s *Scaling) level(runs []Run) {
	for i := range s.Factors {
		f := &s.Factors[i]
		var points []point
		if f.clock {
			f.narrow(runs)
			points = f.clockPoints(runs)
		} else {
			points = f.factPoints(runs)
		}
		e, _ := rig.Lookup(f.lookedUp())
		tolerance := e.Tolerance
		if f.clock && len(points) > 0 && points[0].word == byMeasure {
			tolerance = rig.Tolerance{Relative: s.Options.ClockBand}
		}
		f.levels(points, tolerance)
	}
}

// lookedUp is the fact whose tolerance the levels have.
func (f Factor) lookedUp() rig.Key {
	if f.clock {
		return clockSettings[0]
	}
	return f.Settings[0]
}

// narrow keeps the settings of the clock that some run's rig was asked for.
func (f *Factor) narrow(runs []Run) {
	f.Settings = slices.DeleteFunc(slices.Clone(f.Settings), func(k rig.Key) bool {
		return !slices.ContainsFunc(runs, func(r Run) bool {
			fact, ok := r.Before.Find(k)
			return ok && fact.Read()
		})
	})
}

func (f *Factor) levels(points []point, t rig.Tolerance) {
	points = slices.DeleteFunc(points, func(p point) bool { return !p.ok })
	slices.SortStableFunc(points, func(a, b point) int {
		return cmp.Or(cmp.Compare(a.setting, b.setting), cmp.Compare(b.word, a.word))
	})
	var words []string // of the levels
	for _, p := range points {
		at := slices.IndexFunc(f.Levels, func(l Level) bool { return t.Equal(rig.NumberOf(l.Setting), rig.NumberOf(p.setting)) })
		for at >= 0 && at < len(words) && words[at] != p.word {
			if at++; at == len(words) || !t.Equal(rig.NumberOf(f.Levels[at].Setting), rig.NumberOf(p.setting)) {
				at = -1
			}
		}
		if at < 0 {
			at = len(f.Levels)
			f.Levels, words = append(f.Levels, Level{p.setting, f.label(p)}), append(words, p.word)
		}
		f.at[p.run], f.value[p.run] = at, p.value
	}
}

func (f *Factor) label(p point) string {
	s := rig.NumberOf(p.setting).String()
	if p.word == byMeasure {
		s = fmt.Sprintf("%.0f", p.setting)
	}
	if f.Unit != rig.NoUnit {
		s += " " + string(f.Unit)
	}
	if p.word != "" {
		s += ", " + p.word
	}
	return s
}

func (f *Factor) factPoints(runs []Run) (out []point) {
	for _, r := range runs {
		p := point{run: r.ID}
		fact, ok := r.Before.Find(f.Settings[0])
		switch v, number := fact.Value.Number(); {
		case !ok:
			f.why[r.ID] = f.Name + " was not looked for"
		case !fact.Read():
			f.why[r.ID] = fmt.Sprintf("%s is unread: %s", f.Name, fact.Unread)
		case !number || !(v > 0):
			f.why[r.ID] = f.Name + " is no number above zero"
		default:
			p.setting, p.value, p.ok = v, v, true
			f.Source = cmp.Or(f.Source, fact.Source)
		}
		out = append(out, p)
	}
	return out
}

// byMeasure marks levels that were told apart by what was measured.
const byMeasure = "measured"

// clockPoints takes the settings as levels and the measured clock as value. Where
// some runs have a measured clock, those without one have no value; where none
// has, the setting stands in.
func (f *Factor) clockPoints(runs []Run) (out []point) {
	measured := map[string]Measured{}
	settings := 0
	for _, r := range runs {
		if m := r.MeanClock(); m.Known() {
			measured[r.ID] = m
			f.Source = cmp.Or(f.Source, m.Source)
		}
		if _, _, ok := clockSetting(r.Before); ok {
			settings++
		}
	}
	f.Measured = len(measured) > 0
	for _, r := range runs {
		p := point{run: r.ID, ok: true}
		m, known := measured[r.ID]
		set, word, ok := clockSetting(r.Before)
		switch {
		case f.Measured && !known:
			p.ok, f.why[r.ID] = false, "the clock was not measured, which it was in other runs"
		case settings == 0 && f.Measured:
			p.setting, p.word, p.value = m.Value, byMeasure, m.Value
		case !ok:
			p.ok, f.why[r.ID] = false, "no setting of the clock was read"
		default:
			p.setting, p.word, p.value = set, word, set
			if known {
				p.value = m.Value
			}
		}
		out = append(out, p)
	}
	return out
}

// clockSetting is the lowest bound of the clock that was read.
func clockSetting(s rig.Snapshot) (mhz float64, word string, ok bool) {
	lower := func(k rig.Key) bool {
		v, read := s.Number(k)
		if read && v > 0 && (!ok || v < mhz) {
			mhz, ok = v, true
		}
		return read
	}
	lower("cpu.clock_max")
	lower("cpu.clock_limit")
	lower("cpu.clock_firmware_limit")
	if f, found := s.Find("cpu.turbo"); found && f.Read() {
		if on, truth := f.Value.Truth(); truth && !on && !lower("cpu.clock_base") {
			word = "turbo off"
		}
	}
	return mhz, word, ok
}
