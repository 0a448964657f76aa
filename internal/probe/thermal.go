package probe

import (
	"path"
	"strconv"

	"witnessmark/internal/rig"
)

// thermals puts each temperature sensor with the limits it states, trip points,
// fans and cooling devices, as they are at the start. Names are those of the
// signals, so that a reading and its sensor are told apart by key alone.
func (s *sheet) thermals() {
	sensors, _ := temperatures(s.tree)
	for _, t := range sensors {
		s.put(keyOf("temperature", t.name, ""), s.unlessAsleep(t, s.temperature))
		met := map[string]int{}
		for _, l := range t.limits {
			source := "/" + l.path
			if met[l.Name]++; t.zone {
				index := t.name + " " + l.Name
				if n := met[l.Name]; n > 1 {
					index += " #" + strconv.Itoa(n)
				}
				s.put(keyOf("trip", index, ""), numberReading(source, l.Value, 1, 200))
				continue
			}
			s.put(keyOf("temperature", t.name, l.Name), numberReading(source, l.Value, 1, 200))
		}
	}
	blowers, _ := fans(s.tree)
	for _, f := range blowers {
		s.put(keyOf("fan", f.name, ""), s.unlessAsleep(f, func(file string) reading { return s.number(file, 1, 0, 100_000) }))
	}
	s.coolers()
}

// unlessAsleep reads a sensor, but not one whose device the reading would wake.
func (s *sheet) unlessAsleep(x sensor, read func(file string) reading) reading {
	if guard := x.guard(s.tree); guard != "" {
		if state, _ := s.tree.Text(guard); state == "suspended" {
			return unread("/"+x.input, rig.Refused, "the device sleeps; reading would wake it")
		}
	}
	return read(x.input)
}

// temperature reads thousandths of a degree; what no part of a running machine
// can have is implausible: inputs with nothing connected read so.
func (s *sheet) temperature(file string) reading {
	r := s.number(file, 1000, -273.15, 70_000)
	if n, ok := r.value.Number(); ok && (n < 1 || n > 125) {
		return unread(r.source, rig.Implausible, strconv.FormatFloat(n, 'f', -1, 64)+" °C")
	}
	return r
}

// coolers puts the steps of each cooling device.
func (s *sheet) coolers() {
	const class = "sys/class/thermal"
	met := map[string]int{}
	for _, d := range s.list(class) {
		if !numbered(d, "cooling_device") {
			continue
		}
		dir := path.Join(class, d)
		kind, err := s.tree.Text(dir + "/type")
		if err != nil {
			continue
		}
		index := withDevice(kind, stableDevice(s.tree, dir))
		if met[index]++; met[index] > 1 {
			index += " #" + strconv.Itoa(met[index])
		}
		state := s.number(dir+"/cur_state", 1, -1, 1e6)
		if n, ok := state.value.Number(); ok && n < 0 {
			state = unread(state.source, rig.Unknown, "not in force")
		}
		s.put(keyOf("cooling", index, "state"), state)
		s.put(keyOf("cooling", index, "state_max"), s.number(dir+"/max_state", 1, 0, 1e6))
	}
}
