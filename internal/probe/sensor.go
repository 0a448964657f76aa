package probe

import (
	"path"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

// A sensor is one input of a monitoring chip (hwmon) or one thermal zone of the
// kernel. Its name is its index in keys, unique in the tree and the same after
// a reboot, which hwmonN and thermal_zoneN are not:
//
//	coretemp/coretemp.0 Package id 0
//	nvme/0000:04:00.0 Composite
//	acpitz/LNXTHERM:00
type sensor struct {
	name   string
	chip   string // name of the chip, or type of the zone
	dir    string // of the chip or zone
	input  string // path of the file with the reading
	zone   bool
	limits []sensorLimit
}

// sensorLimit is a bound a sensor states, in degrees Celsius, and where.
type sensorLimit struct {
	rig.Limit
	path string
}

// temperatures lists the temperature sensors of the tree: chips first, then
// zones. A chip that only repeats a zone is left out, because the zone knows
// its trip points and the chip may not (the kernel dropped temp1_crit of acpitz
// between 6.1 and 6.12). The error says why there are none.
func temperatures(t *Tree) ([]sensor, error) {
	zones, zerr := zones(t)
	chips, err := chipInputs(t, "temp")
	repeats := func(s sensor) bool {
		return slices.ContainsFunc(zones, func(z sensor) bool { return s.repeats(t, z) })
	}
	all := slices.DeleteFunc(chips, repeats)
	for _, z := range zones {
		if !slices.ContainsFunc(all, z.echoes) {
			all = append(all, z)
		}
	}
	tellApart(all)
	if len(all) == 0 {
		return nil, cmpErr(err, zerr)
	}
	return all, nil
}

// fans lists the fan speeds of the tree.
func fans(t *Tree) ([]sensor, error) {
	all, err := chipInputs(t, "fan")
	tellApart(all)
	return all, err
}

// repeats says whether the chip's input is the kernel's copy of the zone.
func (s sensor) repeats(t *Tree, zone sensor) bool {
	if s.chip != strings.ReplaceAll(zone.chip, "-", "_") {
		return false
	}
	real, err := t.Resolve(s.dir)
	return err == nil && strings.Contains(real, "/thermal_zone")
}

// echoes says whether zone s shows what the processor's own sensor shows.
func (s sensor) echoes(chip sensor) bool {
	return s.chip == "x86_pkg_temp" && chip.chip == "coretemp"
}

// chipInputs lists the files kindN_input ("temp", "fan") of every chip.
func chipInputs(t *Tree, kind string) ([]sensor, error) {
	const class = "sys/class/hwmon"
	dirs, err := t.List(class)
	if err != nil {
		return nil, err
	}
	var all []sensor
	for _, d := range dirs {
		dir := path.Join(class, d)
		names, err := t.List(dir)
		if err != nil {
			continue // no chip, or gone meanwhile
		}
		for _, n := range names {
			stem, ok := strings.CutSuffix(n, "_input")
			if ok && numbered(stem, kind) {
				all = append(all, chipInput(t, dir, stem))
			}
		}
	}
	return all, nil
}

func chipInput(t *Tree, dir, stem string) sensor {
	s := sensor{name: sensorName(t, dir, stem), chip: chipName(t, dir), dir: dir, input: path.Join(dir, stem+"_input")}
	for _, word := range []string{"max", "crit", "emergency"} {
		s.addLimit(t, word, path.Join(dir, stem+"_"+word))
	}
	return s
}

// addLimit notes the limit in the file, if it is set: chips state -273.15 or
// 65261.85 °C, or 0, for one that is not.
func (s *sensor) addLimit(t *Tree, word, file string) {
	text, err := t.Text(file)
	if err != nil {
		return
	}
	milli, err := strconv.ParseInt(text, 10, 64)
	if err == nil && milli >= 1000 && milli <= 200_000 {
		s.limits = append(s.limits, sensorLimit{rig.Limit{Name: word, Value: float64(milli) / 1000}, file})
	}
}

// sensorName names input stem ("temp1") of the chip in a directory of
// sys/class/hwmon: chip/device label, with the stem for a label it lacks.
func sensorName(t *Tree, hwmonDir, stem string) string {
	label, err := t.Text(path.Join(hwmonDir, stem+"_label"))
	if err != nil || label == "" {
		label = stem
	}
	return withDevice(chipName(t, hwmonDir), stableDevice(t, hwmonDir)) + " " + label
}

func chipName(t *Tree, hwmonDir string) string {
	name, err := t.Text(path.Join(hwmonDir, "name"))
	if err != nil || name == "" {
		return "unnamed"
	}
	return name
}

func withDevice(name, device string) string {
	if device == "" {
		return name
	}
	return name + "/" + device
}

// zones lists the thermal zones of the tree, with their trip points as limits.
func zones(t *Tree) ([]sensor, error) {
	const class = "sys/class/thermal"
	dirs, err := t.List(class)
	if err != nil {
		return nil, err
	}
	var all []sensor
	for _, d := range dirs {
		dir := path.Join(class, d)
		if kind, err := t.Text(path.Join(dir, "type")); err == nil && numbered(d, "thermal_zone") {
			z := sensor{name: withDevice(kind, stableDevice(t, dir)), chip: kind, dir: dir, input: path.Join(dir, "temp"), zone: true}
			z.addTrips(t)
			all = append(all, z)
		}
	}
	return all, nil
}

func (s *sensor) addTrips(t *Tree) {
	for k := 0; ; k++ {
		trip := path.Join(s.dir, "trip_point_"+strconv.Itoa(k))
		kind, err := t.Text(trip + "_type")
		if err != nil {
			return
		}
		s.addLimit(t, kind, trip+"_temp")
	}
}

// stableDevice names the device that an entry of sys/class belongs to in a way
// that a reboot does not change: "coretemp.0", "0000:04:00.0", for a chip on a
// bus of its adapter "0000:00:1f.4-0050". It is empty when there is none.
func stableDevice(t *Tree, entry string) string {
	for _, p := range []string{path.Join(entry, "device"), entry} {
		real, err := t.Resolve(p)
		if err != nil {
			continue
		}
		if d := stableTail(real); d != "" {
			return d
		}
	}
	return ""
}

// stableTail walks a path of sys/devices upwards, past names that the kernel
// numbers as it meets devices, to one that stands for a place in the machine.
func stableTail(real string) string {
	suffix := ""
	rest, ok := strings.CutPrefix(real, "sys/devices/")
	if !ok {
		return ""
	}
	parts := strings.Split(rest, "/")
	for _, p := range slices.Backward(parts) {
		switch {
		case p == "virtual":
			return ""
		case i2cAddress(p) != "":
			suffix = "-" + i2cAddress(p)
		case numbered(p, "ata"):
			suffix = "-" + p
		case !passing(p):
			return p + suffix
		}
	}
	return ""
}

// passing says whether a directory's name is a class or is numbered in the
// order of discovery.
func passing(p string) bool {
	for _, class := range []string{"hwmon", "nvme", "thermal", "drm", "powercap", "thermal_zone", "cooling_device", "card", "i2c-", "host", "platform"} {
		if p == class || numbered(p, class) {
			return true
		}
	}
	return strings.HasPrefix(p, "target") || strings.Count(p, ":") == 3 // SCSI
}

// i2cAddress returns the address of an I2C device's directory name, "0050" of
// "3-0050", or nothing.
func i2cAddress(p string) string {
	bus, address, ok := strings.Cut(p, "-")
	if !ok || len(address) != 4 || !numbered(bus, "") {
		return ""
	}
	if _, err := strconv.ParseUint(address, 16, 16); err != nil {
		return ""
	}
	return address
}

// numbered says whether s is prefix and a decimal number.
func numbered(s, prefix string) bool {
	n, ok := strings.CutPrefix(s, prefix)
	return ok && n != "" && strings.Trim(n, "0123456789") == ""
}

// tellApart appends " #2", " #3" to names that come again.
func tellApart(all []sensor) {
	met := map[string]int{}
	for i := range all {
		met[all[i].name]++
		if n := met[all[i].name]; n > 1 {
			all[i].name += " #" + strconv.Itoa(n)
		}
	}
}
