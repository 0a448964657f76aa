package trees

import (
	"fmt"
	"strings"

	"witnessmark/internal/labtest/dmi"
)

// Named is a rig, the directory its tree is kept in, and what is the matter with it.
type Named struct {
	Dir  string
	Says string
	Rig
}

// All lists the rigs of testdata/rigs.
func All() []Named {
	return []Named{
		{"heron", "in order", Heron()},
		{"heron-default", "memory at its default 2400 MT/s instead of the rated 3200", with(func(r *Rig) { r.Firmware.Configure(2400) })},
		{"heron-half", "both memory modules on one channel", with(func(r *Rig) { r.Firmware.Modules = dmi.OneChannel(4, 2, dmi.MeridianDDR4()) })},
		{"heron-throttling", "processor at its temperature limit, throttle events counted, clocks held at 2200 MHz", with(throttle)},
		{"heron-narrow", "graphics link trained at 8 of 16 lanes", with(func(r *Rig) { narrow(r, "0000:01:00.0", 8) })},
		{"heron-updated", "newer board firmware and microcode", with(update)},
		{"heron-unprivileged", "in order, captured by a user without rights", with(drop)},
		{"hidden", "a plain virtual machine: no tables, sensors, clocks, links or pressure", Hidden()},
		{"plover", "in order, two kinds of cores", Plover()},
		{"avocet", "in order, and unlike heron in every part", Avocet()},
	}
}

// Readme is the note that stands beside the trees.
func Readme() string {
	var s strings.Builder
	s.WriteString("# Captured trees of invented rigs\n\nEvery machine, maker, model and number here is invented. Written by `go generate ./internal/labtest/trees`; do not edit.\n\n| tree | what it shows |\n| --- | --- |\n")
	for _, r := range All() {
		fmt.Fprintf(&s, "| `%s` | %s |\n", r.Dir, r.Says)
	}
	return s.String()
}

func with(change func(*Rig)) Rig {
	r := Heron()
	change(&r)
	return r
}

// throttle makes the processor too hot: at its limit, counted so by the
// hardware, and held down by the kernel.
func throttle(r *Rig) {
	const hot = 100_000
	r.CPU.Throttle = &Throttle{Core: 412, Package: 397, PackageMs: 4987}
	r.CPU.Clocks.LimitKHz, r.CPU.Clocks.CurrentKHz = 2_200_000, 2_199_000
	for i := range r.Cooling {
		if r.Cooling[i].Type == "Processor" {
			r.Cooling[i].State = 2
		}
	}
	for i := range r.Zones {
		if r.Zones[i].Type == "x86_pkg_temp" {
			r.Zones[i].Temp = hot
		}
	}
	for _, c := range r.Chips {
		for i := range c.Inputs {
			if c.Name == "coretemp" {
				c.Inputs[i].Value = hot - 1000*(i%3)
			}
		}
	}
	r.System.Load = 8.1
	r.System.BootID = "5b1fe0a4-77c1-4c37-8b0f-2f6a30b6d5c2"
}

// narrow trains the link to a device at fewer lanes than both ends have.
func narrow(r *Rig, bdf string, width int) {
	for i, d := range r.Devices {
		if d.Path != "0000:00:01.0" && d.Path != "0000:00:01.0/"+bdf {
			continue
		}
		l := *d.Link
		l.Width = width
		r.Devices[i].Link = &l
	}
}

// update brings newer board firmware, which carries newer microcode.
func update(r *Rig) {
	r.Firmware.Firmware.Version, r.Firmware.Firmware.Date, r.Firmware.Firmware.Minor = "1.52", "11/02/2031", 31
	r.CPU.Microcode = "0x34"
	r.CPU.Vulnerabilities["gather_data_sampling"] = "Mitigation: Microcode"
	r.System.BootID = "c0a3b1d2-0be7-4a1e-9d9b-3b7c5f2d1e66"
}

// drop takes the rights of the one who captured the tree.
func drop(r *Rig) {
	for _, p := range []string{
		"sys/devices/virtual/dmi/id/board_serial", "sys/devices/virtual/dmi/id/chassis_serial",
		"sys/devices/virtual/dmi/id/product_serial", "sys/devices/virtual/dmi/id/product_uuid",
		"sys/devices/virtual/powercap/intel-rapl/intel-rapl:0/energy_uj",
		"sys/devices/virtual/powercap/intel-rapl/intel-rapl:0/intel-rapl:0:0/energy_uj",
		"sys/firmware/dmi/tables/DMI", "sys/firmware/dmi/tables/smbios_entry_point",
	} {
		r.Unread = append(r.Unread, Unread{Path: p, Reason: "denied", Detail: "needs CAP_DAC_READ_SEARCH"})
	}
}
