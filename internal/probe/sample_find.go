package probe

import (
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

// family is a kind of signal and how its sources are found.
type family struct {
	key  rig.Key // of the unread signal when there are none
	unit rig.Unit
	dir  string // where they would be
	find func(t *Tree) ([]source, error)
}

func (f family) missing(err error) rig.Signal {
	u := Why(err)
	if err == nil {
		u = rig.Unread{Reason: rig.Absent}
	}
	return rig.Signal{Key: f.key, Unit: f.unit, Source: "/" + f.dir, Unread: u}
}

// families lists what is sampled from one file each. Adding a signal is one
// entry here.
var families = []family{
	{"cpu[].clock", rig.MHz, freqDir, findClocks},
	{"cpu.policy[].clock_limit", rig.MHz, freqDir, findLimits},
	{"temperature[]", rig.Celsius, "sys/class/hwmon", findTemperatures},
	{"fan[]", rig.RPM, "sys/class/hwmon", findFans},
	{"energy[]", rig.Joule, "sys/class/powercap", findEnergy},
	{"throttle[].count", rig.NoUnit, cpuDir, findThrottle},
	{"cooling[].state", rig.NoUnit, "sys/class/thermal", findCooling},
	{"pressure[].stalled", rig.Microsec, "proc/pressure", findPressure},
	{"link[].speed", rig.GTps, pciDevices, findLinks},
	{"memory.available", rig.MiB, "proc/meminfo", findAvailable},
}

const pciDevices = "sys/bus/pci/devices"

// findClocks lists the clock of each processor, or of each group of them that
// has one clock. Kernels from 6.15 on measure it in cpuinfo_avg_freq and give
// the last request in scaling_cur_freq; before, x86 measured the latter. The
// source says which it was.
func findClocks(t *Tree) ([]source, error) {
	return eachPolicy(t, func(dir, who string) source {
		file := dir + "/scaling_cur_freq"
		if average := dir + "/cpuinfo_avg_freq"; exists(t, average) {
			file = average
		}
		return clockSource(rig.Of("cpu", who, "clock"), file)
	})
}

func findLimits(t *Tree) ([]source, error) {
	return eachPolicy(t, func(dir, who string) source {
		return clockSource(rig.Of("cpu.policy", who, "clock_limit"), dir+"/scaling_max_freq")
	})
}

func clockSource(k rig.Key, file string) source {
	s := newSource(k, rig.MHz, file)
	s.head.Exponent, s.least, s.most = -3, 1, clockCap*1000 // the file is in kHz
	return s
}

func eachPolicy(t *Tree, describe func(dir, who string) source) ([]source, error) {
	names, err := t.List(freqDir)
	if err != nil {
		return nil, err
	}
	var all []source
	for _, n := range names {
		if numbered(n, "policy") {
			dir := freqDir + "/" + n
			all = append(all, describe(dir, (&sheet{tree: t}).policyProcessors(dir, n).String()))
		}
	}
	return all, nil
}

// Readings of a temperature that can be true of a part that runs, in
// thousandths of a degree: inputs with nothing connected read -64, 127.5 or 255.
const coldest, hottest = 1000, 125_000

func findTemperatures(t *Tree) ([]source, error) {
	sensors, err := temperatures(t)
	var all []source
	for _, x := range sensors {
		s := newSource(rig.Of("temperature", x.name, ""), rig.Celsius, x.input)
		s.head.Exponent, s.least, s.most = -3, coldest, hottest
		s.pace, s.doubted = x.cost()
		s.guardPath = x.guard(t)
		for _, l := range x.limits {
			s.head.Limits = append(s.head.Limits, l.Limit)
		}
		all = append(all, s)
	}
	return all, err
}

// cost says how often a temperature may be read, and whether one that never
// moves is to be doubted: board inputs and ACPI zones often show a constant
// that means nothing, parts that measure themselves do not. A processor's
// sensor costs next to nothing to read, a graphics card's some bus traffic; a
// drive is sent a command, a chip on an I2C bus holds the bus for milliseconds,
// and an ACPI zone runs firmware code.
func (s sensor) cost() (p pace, doubted bool) {
	switch {
	case slices.Contains([]string{"coretemp", "k10temp", "zenpower", "x86_pkg_temp"}, s.chip):
		return fast, false
	case s.zone && (strings.Contains(s.chip, "cpu") || strings.Contains(s.chip, "soc")):
		return fast, false
	case slices.Contains([]string{"amdgpu", "i915", "xe", "nouveau", "radeon"}, s.chip):
		return steady, false
	case slices.Contains([]string{"nvme", "drivetemp", "jc42", "spd5118"}, s.chip):
		return slow, false
	}
	return slow, true
}

// guard is the file that says whether the sensor's device sleeps.
func (s sensor) guard(t *Tree) string {
	return existing(t, path.Join(s.dir, "device/power/runtime_status"))
}

func findFans(t *Tree) ([]source, error) {
	blowers, err := fans(t)
	var all []source
	for _, x := range blowers {
		s := newSource(rig.Of("fan", x.name, ""), rig.RPM, x.input)
		s.least, s.most, s.pace = 0, 100_000, slow
		s.guardPath = x.guard(t)
		all = append(all, s)
	}
	return all, err
}

// findEnergy lists the energy counters of the power zones. Another control
// type's zone of the same name counts the same energy and stands beside it.
func findEnergy(t *Tree) ([]source, error) {
	const class = "sys/class/powercap"
	names, err := t.List(class)
	var all []source
	for _, n := range names {
		control, zone, ok := strings.Cut(n, ":")
		if !ok {
			continue
		}
		dir := class + "/" + n
		s := newSource(rig.Of("energy", (&sheet{tree: t}).zoneName(class, control, zone), ""), rig.Joule, dir+"/energy_uj")
		s.head.Exponent, s.head.Counter, s.least = -6, true, 0
		if text, err := t.Text(dir + "/max_energy_range_uj"); err == nil {
			s.modulus, _ = strconv.ParseInt(text, 10, 64) // 0 when it is no number: not known
		}
		all = append(all, s)
	}
	return all, err
}

// findThrottle lists the throttle counters: of each core once, though all its
// threads show it, and of each package once.
func findThrottle(t *Tree) ([]source, error) {
	online, err := readProcessors(t, cpuDir+"/online")
	if err != nil {
		return nil, err
	}
	var all []source
	cores, packages := map[string]bool{}, map[string]bool{}
	for _, n := range online {
		cpu := fmt.Sprintf("%s/cpu%d", cpuDir, n)
		if !exists(t, cpu+"/thermal_throttle/core_throttle_count") {
			continue
		}
		id, err := readCoreID(t, n)
		core := fmt.Sprint(id)
		if err != nil {
			core = cpu // not known to share
		}
		if !cores[core] {
			cores[core] = true
			all = append(all, throttleSource(n, "core", "count"))
		}
		if !packages[id.socket] {
			packages[id.socket] = true
			all = append(all, throttleSource(n, "package", "count"), throttleSource(n, "package", "total_time_ms"))
		}
	}
	all = slices.DeleteFunc(all, func(s source) bool { return !exists(t, s.path) })
	return all, nil
}

func throttleSource(processor int, of, file string) source {
	field, unit := file, rig.NoUnit
	if file != "count" {
		field, unit = "time", rig.Millisec
	}
	s := newSource(rig.Of("throttle", fmt.Sprintf("cpu%d %s", processor, of), field), unit,
		fmt.Sprintf("%s/cpu%d/thermal_throttle/%s_throttle_%s", cpuDir, processor, of, file))
	s.head.Counter, s.least = true, 0
	return s
}

func findCooling(t *Tree) ([]source, error) {
	const class = "sys/class/thermal"
	dirs, err := t.List(class)
	if err != nil {
		return nil, err
	}
	var coolers []sensor
	for _, d := range dirs {
		dir := class + "/" + d
		if kind, err := t.Text(dir + "/type"); err == nil && numbered(d, "cooling_device") {
			coolers = append(coolers, sensor{name: withDevice(kind, stableDevice(t, dir)), chip: kind, input: dir + "/cur_state", dir: dir})
		}
	}
	tellApart(coolers)
	var all []source
	for _, c := range coolers {
		s := newSource(rig.Of("cooling", c.name, "state"), rig.NoUnit, c.input)
		s.parse, s.least, s.most = parseCooling, 0, 1e6
		if c.chip == "Fan" {
			s.pace = slow // runs firmware code
		}
		if most, err := t.Text(c.dir + "/max_state"); err == nil {
			if n, err := strconv.ParseFloat(most, 64); err == nil && n > 0 {
				s.head.Limits = []rig.Limit{{Name: "max", Value: n}}
			}
		}
		all = append(all, s)
	}
	return all, nil
}

func findPressure(t *Tree) ([]source, error) {
	if _, err := t.List("proc/pressure"); err != nil {
		return nil, err
	}
	var all []source
	for _, what := range []string{"cpu", "memory", "io"} {
		s := newSource(rig.Of("pressure", what, "stalled"), rig.Microsec, "proc/pressure/"+what)
		s.parse, s.head.Counter, s.least = parsePressure, true, 0
		all = append(all, s)
	}
	return all, nil
}

// findLinks lists the speed of each link as its own end shows it. The fact of
// the same key is the slowest link on the way to the root port; here every link
// of the way has a signal.
func findLinks(t *Tree) ([]source, error) {
	names, err := t.List(pciDevices)
	var all []source
	for _, bdf := range names {
		dir := pciDevices + "/" + bdf
		if !exists(t, dir+"/current_link_speed") {
			continue
		}
		s := newSource(rig.Of("link", bdf, "speed"), rig.GTps, dir+"/current_link_speed")
		s.parse, s.head.Exponent, s.least, s.most, s.pace = parseLinkSpeed, -1, 1, 10_000, steady
		s.guardPath = existing(t, dir+"/power/runtime_status")
		all = append(all, s)
	}
	return all, err
}

func findAvailable(t *Tree) ([]source, error) {
	if _, err := t.Read("proc/meminfo"); err != nil {
		return nil, err
	}
	s := newSource("memory.available", rig.MiB, "proc/meminfo")
	s.parse, s.least, s.pace = parseAvailable, 0, steady
	return []source{s}, nil
}

// exists says whether the tree has the file, readable or not.
func exists(t *Tree, file string) bool {
	_, err := t.Resolve(file)
	return err == nil || Why(err).Reason == rig.Denied
}

// existing is the file's name if the tree has it.
func existing(t *Tree, file string) string {
	if !exists(t, file) {
		return ""
	}
	return file
}
