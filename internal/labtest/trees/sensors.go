package trees

import (
	"fmt"
	"strings"
)

// Chip is one hwmon chip. Dir is where its hwmonN directory lies below
// sys/devices: "platform/coretemp.0/hwmon", "pci0000:00/.../nvme/nvme0".
type Chip struct {
	Name, Dir string
	Inputs    []Input
	Files     map[string]any // whatever else it shows
}

// Input is one reading of a chip: Kind and number "temp1", "fan2", in
// thousandths of a degree or turns a minute; limits of 0 have no file.
type Input struct {
	Stem, Label string
	Value       int
	Max, Crit   int
}

// Zone is a thermal zone. Device is its directory below sys/devices, or empty.
type Zone struct {
	Type, Device string
	Temp         int // thousandths of a degree
	Trips        []Trip
}

// Trip is a trip point, in thousandths of a degree.
type Trip struct {
	Type string
	Temp int
}

// Cooling is a cooling device.
type Cooling struct {
	Type       string
	State, Max int
	Device     string // below sys/devices, or empty
}

// Domain is an energy counter. Path is its directory below the control type:
// "intel-rapl:0", "intel-rapl:0/intel-rapl:0:0".
type Domain struct {
	Path, Name  string
	Microjoules int64
	Limits      []PowerLimit
}

// PowerLimit is a constraint of a domain.
type PowerLimit struct {
	Name       string
	Microwatts int
	Window     int // microseconds
}

func (b *builder) chip(number int, c Chip) {
	name := fmt.Sprintf("hwmon%d", number)
	dir := "sys/devices/" + c.Dir + "/" + name
	b.class("hwmon", name, dir)
	b.put(dir+"/name", c.Name)
	b.all(dir, c.Files)
	b.link(dir+"/device", "sys/devices/"+strings.TrimSuffix(c.Dir, "/hwmon"))
	for _, in := range c.Inputs {
		b.put(dir+"/"+in.Stem+"_input", in.Value)
		if in.Label != "" {
			b.put(dir+"/"+in.Stem+"_label", in.Label)
		}
		for word, limit := range map[string]int{"max": in.Max, "crit": in.Crit} {
			if limit != 0 {
				b.put(dir+"/"+in.Stem+"_"+word, limit)
			}
		}
	}
}

func (b *builder) zone(number int, z Zone) {
	name := fmt.Sprintf("thermal_zone%d", number)
	dir := "sys/devices/virtual/thermal/" + name
	b.class("thermal", name, dir)
	b.all(dir, map[string]any{"type": z.Type, "temp": z.Temp, "mode": "enabled", "policy": "step_wise"})
	for k, t := range z.Trips {
		b.all(dir, map[string]any{fmt.Sprintf("trip_point_%d_type", k): t.Type, fmt.Sprintf("trip_point_%d_temp", k): t.Temp})
	}
	b.backing(dir, z.Device)
}

func (b *builder) cooling(number int, c Cooling) {
	name := fmt.Sprintf("cooling_device%d", number)
	dir := "sys/devices/virtual/thermal/" + name
	b.class("thermal", name, dir)
	b.all(dir, map[string]any{"type": c.Type, "cur_state": c.State, "max_state": c.Max})
	b.backing(dir, c.Device)
}

// backing links a thermal device to the ACPI device behind it.
func (b *builder) backing(dir, device string) {
	if device == "" {
		return
	}
	device = "sys/devices/" + device
	b.link(dir+"/device", device)
	b.put(device+"/status", 15)
}

func (b *builder) domain(d Domain) {
	dir := "sys/devices/virtual/powercap/intel-rapl/" + d.Path
	b.class("powercap", dir[strings.LastIndexByte(dir, '/')+1:], dir)
	b.all(dir, map[string]any{"name": d.Name, "energy_uj": d.Microjoules, "max_energy_range_uj": int64(262143328850), "enabled": 1})
	for k, l := range d.Limits {
		c := fmt.Sprintf("constraint_%d_", k)
		b.all(dir, map[string]any{c + "name": l.Name, c + "power_limit_uw": l.Microwatts, c + "time_window_us": l.Window})
	}
}
