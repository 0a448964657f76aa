package probe

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/rig"
	"witnessmark/internal/smbios"
)

const moduleSource = tableSource + ": type 17"

// slot is one memory slot of the machine's main memory, under the name its
// facts carry.
type slot struct {
	smbios.Module
	name string
}

// slots returns the slots of system memory in table order. Slots that hold the
// firmware's own flash, or belong to an array for something else, are not.
func (f firmwareTable) slots() []slot {
	use := map[smbios.Handle]bool{}
	for _, a := range f.Arrays() {
		u, ok := a.Use.Get()
		use[a.Handle] = !ok || u == smbios.UseSystemMemory
	}
	var all []slot
	for _, m := range f.Modules() {
		if h, ok := m.Array.Get(); ok {
			if system, met := use[h]; met && !system {
				continue
			}
		}
		if t, ok := m.Type.Get(); ok && slices.Contains([]string{"ROM", "Flash", "EEPROM", "FEPROM", "EPROM"}, t.String()) {
			continue
		}
		all = append(all, slot{Module: m})
	}
	nameSlots(all)
	return all
}

// nameSlots names slots by locator; by bank and locator where locators repeat;
// and tells those apart that are still the same by their order.
func nameSlots(all []slot) {
	count := func(names []string) map[string]int {
		m := map[string]int{}
		for _, n := range names {
			m[n]++
		}
		return m
	}
	names := make([]string, len(all))
	for i, s := range all {
		names[i] = "slot"
		if text, ok := s.Locator.Get(); ok {
			names[i] = text
		}
	}
	met := count(names)
	for i, s := range all {
		if bank, ok := s.Bank.Get(); ok && met[names[i]] > 1 {
			names[i] = bank + "/" + names[i]
		}
	}
	met, seen := count(names), map[string]int{}
	for i, n := range names {
		if seen[n]++; met[n] > 1 || n == "slot" {
			n = fmt.Sprintf("%s #%d", n, seen[n])
		}
		all[i].name = n
	}
}

// modules puts each memory slot and what they come to together.
func (s *sheet) modules() {
	t := s.table
	if t.err != nil {
		for _, k := range []rig.Key{"memory.modules", "memory.slots", "memory.size", "memory.type", "memory.rated_speed", "memory.speed", "memory.ecc", "memory.max_size"} {
			s.put(k, failed(moduleSource, t.err))
		}
		s.channels(nil, failed(moduleSource, t.err).why)
		return
	}
	slots := t.slots()
	for _, m := range slots {
		s.module(m)
	}
	why := t.incomplete(slots)
	whole := func(k rig.Key, r reading) {
		if why.Reason != "" {
			r = reading{source: moduleSource, why: why}
		}
		s.put(k, r)
	}
	populated := slices.DeleteFunc(slices.Clone(slots), func(m slot) bool { return !m.Populated() })
	whole("memory.modules", numberReading(moduleSource, float64(len(populated)), 1, 4096))
	whole("memory.size", totalSize(populated))
	whole("memory.type", memoryType(populated))
	whole("memory.rated_speed", lowestSpeed(populated, func(m slot) smbios.Value[smbios.MegatransfersPerSec] { return m.Rated }))
	whole("memory.speed", lowestSpeed(populated, func(m slot) smbios.Value[smbios.MegatransfersPerSec] { return m.Configured }))
	s.arrays(len(slots), why)
	s.channels(slots, why)
}

// incomplete says why the slots that were read may not be all there are: none
// were, or the table is damaged before the last that its arrays announce.
func (f firmwareTable) incomplete(slots []slot) rig.Unread {
	if len(f.Damage) > 0 {
		announced, known := f.announcedSlots()
		if !known || len(slots) < announced {
			return rig.Unread{Reason: rig.Implausible, Detail: fmt.Sprintf("the table is damaged, %d slots could be read: %s", len(slots), f.Damage[0])}
		}
	}
	if len(slots) == 0 {
		return rig.Unread{Reason: rig.Absent, Detail: "no memory slots in the table"}
	}
	return rig.Unread{}
}

// systemArrays returns the arrays that hold what programs run in.
func (f firmwareTable) systemArrays() []smbios.Array {
	return slices.DeleteFunc(f.Arrays(), func(a smbios.Array) bool {
		u, ok := a.Use.Get()
		return ok && u != smbios.UseSystemMemory
	})
}

func (f firmwareTable) announcedSlots() (n int, ok bool) {
	for _, a := range f.systemArrays() {
		slots, known := a.Slots.Get()
		if !known {
			return 0, false
		}
		n += int(slots)
	}
	return n, n > 0
}

// arrays puts what the table says of the slots together.
func (s *sheet) arrays(slots int, why rig.Unread) {
	const source = tableSource + ": type 16"
	announced, ok := s.table.announcedSlots()
	switch {
	case ok:
		s.put("memory.slots", numberReading(source, float64(announced), 1, 4096))
	case why.Reason != "":
		s.put("memory.slots", reading{source: source, why: why})
	default:
		s.put("memory.slots", numberReading(moduleSource, float64(slots), 1, 4096))
	}
	arrays := s.table.systemArrays()
	if len(arrays) == 0 {
		for _, k := range []rig.Key{"memory.ecc", "memory.max_size"} {
			s.put(k, unread(source, rig.Absent, "not in the table"))
		}
		return
	}
	var ecc []string
	total := 0.0
	eccWhy, maxWhy := smbios.Known, smbios.Known
	for _, a := range arrays {
		if kind, ok := a.ECC.Get(); !ok {
			eccWhy = a.ECC.State()
		} else if !slices.Contains(ecc, kind.String()) {
			ecc = append(ecc, kind.String())
		}
		most, ok := a.Max.Get()
		if !ok {
			maxWhy = a.Max.State()
		}
		total += float64(most) / float64(smbios.MiB)
	}
	s.put("memory.ecc", orState(eccWhy, textReading(source, strings.Join(ecc, ", "))))
	s.put("memory.max_size", orState(maxWhy, numberReading(source, total, 0, 1<<40)))
}

func orState(state smbios.State, r reading) reading {
	if state == smbios.Known {
		return r
	}
	return unread(r.source, stateReason(state), state.String())
}

// module puts one slot. An empty one has a size of 0, which is what the
// firmware says of it, and no more.
func (s *sheet) module(m slot) {
	put := func(field string, r reading) { s.put(keyOf("memory.module", m.name, field), r) }
	put("size", field(m.Size, func(b smbios.Bytes) rig.Value { return rig.NumberOf(float64(b) / float64(smbios.MiB)) }))
	if !m.Populated() {
		return
	}
	put("rated_speed", numeric(m.Rated))
	put("speed", numeric(m.Configured))
	put("voltage", numeric(m.ConfiguredVoltage))
	put("rank", numeric(m.Rank))
	put("width", numeric(m.TotalWidth))
	put("type", field(m.Type, func(t smbios.MemoryType) rig.Value { return rig.TextOf(t.String()) }))
	put("bank", tableText(moduleSource, m.Bank))
	put("maker", firstOf(tableText(moduleSource, m.Maker), field(m.MakerID, func(j smbios.JEP106) rig.Value { return rig.TextOf("JEP106 " + j.String()) })))
	put("part", tableText(moduleSource, m.Part))
	s.putHashed(keyOf("memory.module", m.name, "serial"), tableText(moduleSource, m.Serial))
}

func field[T any](v smbios.Value[T], value func(T) rig.Value) reading {
	if x, ok := v.Get(); ok {
		return reading{value: value(x), source: moduleSource}
	}
	return unread(moduleSource, stateReason(v.State()), v.State().String())
}

func numeric[T ~uint8 | ~uint16 | ~uint32](v smbios.Value[T]) reading {
	return field(v, func(x T) rig.Value { return rig.NumberOf(float64(x)) })
}

// totalSize adds up the modules, all of which must say how large they are.
func totalSize(populated []slot) reading {
	if len(populated) == 0 {
		return unread(moduleSource, rig.Absent, "no modules")
	}
	total := 0.0
	for _, m := range populated {
		size, ok := m.Size.Get()
		if !ok {
			return unreadSlot(m, m.Size.State())
		}
		total += float64(size) / float64(smbios.MiB)
	}
	return numberReading(moduleSource, total, 0, 1<<40)
}

func unreadSlot(m slot, state smbios.State) reading {
	return unread(moduleSource, stateReason(state), m.name+": "+state.String())
}

func memoryType(populated []slot) reading {
	var types []string
	for _, m := range populated {
		t, ok := m.Type.Get()
		if !ok {
			return unreadSlot(m, m.Type.State())
		}
		if !slices.Contains(types, t.String()) {
			types = append(types, t.String())
		}
	}
	if len(types) == 0 {
		return unread(moduleSource, rig.Absent, "no modules")
	}
	slices.Sort(types)
	return textReading(moduleSource, strings.Join(types, ", "))
}

// lowestSpeed is the speed of the slowest module, in MT/s. With one module's
// speed unknown it is unknown too: the lowest of the others would be a claim
// that nobody made.
func lowestSpeed(populated []slot, speed func(slot) smbios.Value[smbios.MegatransfersPerSec]) reading {
	if len(populated) == 0 {
		return unread(moduleSource, rig.Absent, "no modules")
	}
	var lowest smbios.MegatransfersPerSec
	for i, m := range populated {
		v, ok := speed(m).Get()
		if !ok {
			return unreadSlot(m, speed(m).State())
		}
		if i == 0 || v < lowest {
			lowest = v
		}
	}
	return numberReading(moduleSource, float64(lowest), 1, 1e6)
}
