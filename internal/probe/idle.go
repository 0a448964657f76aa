package probe

import (
	"fmt"
	"strings"

	"witnessmark/internal/rig"
)

// idling puts how processors are put to sleep.
func (s *sheet) idling() {
	const dir = cpuDir + "/cpuidle"
	s.put("cpu.idle_driver", s.file(dir+"/current_driver"))
	s.put("cpu.idle_governor", firstOf(s.file(dir+"/current_governor"), s.file(dir+"/current_governor_ro")))
	var parts []part
	for _, n := range s.cpu.online {
		r := s.idleStates(fmt.Sprintf("%s/cpu%d/cpuidle", cpuDir, n))
		if r.why.Reason == rig.Absent {
			parts = []part{{processors{n}, r}}
			break
		}
		parts = append(parts, part{processors{n}, r})
	}
	states := agree("/"+cpuDir+"/cpu*/cpuidle/state*", parts)
	if s.cpu.onlineWhy != nil {
		states = failed(states.source, s.cpu.onlineWhy)
	}
	s.put("cpu.idle_states", states)
	s.put("cpu.throttle_count", s.throttleCount())
}

// idleStates lists one processor's sleep states: "POLL, C1, C6 (disabled)".
func (s *sheet) idleStates(dir string) reading {
	names, err := s.tree.List(dir)
	if err != nil {
		return failed("/"+dir, err)
	}
	var states []string
	for _, n := range names {
		if !numbered(n, "state") {
			continue
		}
		name, err := s.tree.Text(dir + "/" + n + "/name")
		if err != nil {
			return failed("/"+dir+"/"+n+"/name", err)
		}
		if disabled, err := s.tree.Text(dir + "/" + n + "/disable"); err == nil && disabled != "0" {
			name += " (disabled)"
		}
		states = append(states, name)
	}
	if len(states) == 0 {
		return unread("/"+dir, rig.Absent, "no sleep states")
	}
	return textReading("/"+dir, strings.Join(states, ", "))
}

// throttleCount adds up the events of every core and every socket that counts
// them. Each core counts once, though all of its threads show its counter.
func (s *sheet) throttleCount() reading {
	source := "/" + cpuDir + "/cpu*/thermal_throttle"
	if len(s.cpu.cores) == 0 {
		return reading{source: source, why: firstWhy(s.cpu.why, rig.Unread{Reason: rig.Absent})}
	}
	total, read, counted := 0.0, 0, map[string]bool{}
	var absent reading
	for _, core := range s.cpu.cores {
		dir := fmt.Sprintf("%s/cpu%d/thermal_throttle/", cpuDir, core[0])
		files := []string{"core_throttle_count"}
		if socket := s.cpu.socket[core[0]]; !counted[socket] {
			counted[socket] = true
			files = append(files, "package_throttle_count")
		}
		for _, f := range files {
			r := s.number(dir+f, 1, 0, 1e15)
			n, ok := r.value.Number()
			switch {
			case ok:
				total += n
				read++
			case r.why.Reason != rig.Absent:
				return r
			default:
				absent = r
			}
		}
	}
	if read == 0 {
		return absent
	}
	return numberReading(source, total, 0, 1e18)
}

func firstWhy(all ...rig.Unread) rig.Unread {
	for _, w := range all {
		if w.Reason != "" {
			return w
		}
	}
	return rig.Unread{}
}

// powerLimits puts the constraints of each power zone: "package-0 long_term".
// Zones within a zone and zones of another control type are named after both.
func (s *sheet) powerLimits() {
	const dir = "sys/class/powercap"
	for _, zone := range s.list(dir) {
		control, path, ok := strings.Cut(zone, ":")
		if !ok {
			continue
		}
		name := s.zoneName(dir, control, path)
		for k := 0; ; k++ {
			constraint := fmt.Sprintf("%s/%s/constraint_%d_", dir, zone, k)
			word, err := s.tree.Text(constraint + "name")
			if err != nil {
				break
			}
			index := name + " " + word
			s.put(keyOf("cpu.power_limit", index, ""), s.number(constraint+"power_limit_uw", 1e6, 0.001, 100_000))
			s.put(keyOf("cpu.power_window", index, ""), s.number(constraint+"time_window_us", 1e6, 1e-6, 100_000))
		}
	}
}

// zoneName follows a zone's path, "0:1" being zone 1 within zone 0.
func (s *sheet) zoneName(dir, control, path string) string {
	var names []string
	parts := strings.Split(path, ":")
	for i := range parts {
		zone := control + ":" + strings.Join(parts[:i+1], ":")
		name, err := s.tree.Text(dir + "/" + zone + "/name")
		if err != nil || name == "" {
			name = zone
		}
		names = append(names, name)
	}
	if control != "intel-rapl" {
		return control + " " + strings.Join(names, "/")
	}
	return strings.Join(names, "/")
}
