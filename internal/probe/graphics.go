package probe

import (
	"path"
	"strings"

	"witnessmark/internal/rig"
)

// graphics puts each display-class device: what it is, its driver, and what
// the driver says of its power plan.
func (s *sheet) graphics() {
	devices, err := s.pciDevices()
	if err != nil {
		return
	}
	for _, d := range devices {
		if strings.HasPrefix(d.class, "03") {
			s.card(d)
		}
	}
}

func (s *sheet) card(d pciDevice) {
	put := func(field string, r reading) { s.put(keyOf("graphics", d.address, field), r) }
	some := func(field string, r reading) { // what only some drivers have
		if r.why.Reason != rig.Absent {
			put(field, r)
		}
	}
	driver := s.driver(d)
	put("id", s.identity(d))
	put("driver", driver)
	put("driver_version", s.driverVersion(d, driver))
	put("aperture", s.memoryBAR(d))
	some("firmware", firstOf(s.file(d.where+"/vbios_version"), s.procCard(d, "Video BIOS")))
	if state, err := s.tree.Text(d.where + "/power/runtime_status"); err == nil && state == "suspended" {
		asleep := unread("/"+d.where+"/power/runtime_status", rig.Refused, "the card sleeps; reading would wake it")
		for _, f := range []string{"memory", "power_level", "power_cap", "clock_max"} {
			put(f, asleep)
		}
		return
	}
	some("memory", s.number(d.where+"/mem_info_vram_total", 1<<20, 1, 1<<30))
	some("power_level", s.file(d.where+"/power_dpm_force_performance_level"))
	some("power_cap", s.powerCap(d))
	some("clock_max", s.cardClock(d))
}

// identity is vendor, device, subsystem and revision: "1234:5678 abcd:ef01 rev c7".
func (s *sheet) identity(d pciDevice) reading {
	source := "/" + d.where + "/{vendor,device,subsystem_vendor,subsystem_device,revision}"
	var words [5]string
	for i, f := range []string{"vendor", "device", "subsystem_vendor", "subsystem_device", "revision"} {
		text, err := s.tree.Text(d.where + "/" + f)
		if err != nil && i < 2 {
			return failed(source, err)
		}
		words[i] = strings.TrimPrefix(text, "0x")
	}
	text := words[0] + ":" + words[1]
	if words[2] != "" {
		text += " " + words[2] + ":" + words[3]
	}
	if words[4] != "" {
		text += " rev " + words[4]
	}
	return textReading(source, text)
}

func (s *sheet) driver(d pciDevice) reading {
	source := "/" + d.where + "/driver"
	link, err := s.tree.Link(d.where + "/driver")
	if err != nil {
		return failed(source, err)
	}
	return textReading(source, path.Base(link))
}

// driverVersion is the version of the driver's module; a driver that came with
// the kernel has none of its own, and then it is the kernel's.
func (s *sheet) driverVersion(d pciDevice, driver reading) reading {
	name, ok := driver.value.Text()
	if !ok {
		return driver
	}
	module := name
	if link, err := s.tree.Link(d.where + "/driver/module"); err == nil {
		module = path.Base(link)
	}
	own := s.file("sys/module/" + module + "/version")
	if own.why.Reason == rig.Absent {
		kernel := s.file("proc/sys/kernel/osrelease")
		if text, ok := kernel.value.Text(); ok {
			kernel.value = rig.TextOf("kernel " + text)
		}
		return kernel
	}
	return own
}

// procCard is a line of what one driver says under /proc of the card.
func (s *sheet) procCard(d pciDevice, line string) reading {
	file := "proc/driver/nvidia/gpus/" + d.address + "/information"
	b, err := s.tree.Read(file)
	if err != nil {
		return failed("/"+file, err)
	}
	value, ok := parsePairs(b)[line]
	switch {
	case !ok:
		return unread("/"+file, rig.Absent, "no such line")
	case strings.Contains(value, "?"):
		return unread("/"+file, rig.Unknown, value)
	}
	return textReading("/"+file, value)
}

func (s *sheet) powerCap(d pciDevice) reading {
	dir := d.where + "/hwmon"
	names := s.list(dir)
	if len(names) == 0 {
		return unread("/"+dir, rig.Absent, "")
	}
	return s.number(dir+"/"+names[0]+"/power1_cap", 1e6, 0.1, 10_000)
}

// cardClock is the highest clock the driver lets the card have, in MHz.
func (s *sheet) cardClock(d pciDevice) reading {
	var places []reading
	for _, card := range s.list(d.where + "/drm") {
		if !numbered(card, "card") {
			continue
		}
		dir := d.where + "/drm/" + card
		places = append(places, s.number(dir+"/gt/gt0/rps_max_freq_mhz", 1, 1, clockCap), s.number(dir+"/gt_max_freq_mhz", 1, 1, clockCap))
	}
	places = append(places, s.number(d.where+"/tile0/gt0/freq0/max_freq", 1, 1, clockCap), s.clockTable(d))
	return firstOf(places...)
}

// clockTable reads lines "2: 2500Mhz *", lowest clock first.
func (s *sheet) clockTable(d pciDevice) reading {
	file := d.where + "/pp_dpm_sclk"
	text, err := s.tree.Text(file)
	if err != nil {
		return failed("/"+file, err)
	}
	lines := strings.Split(text, "\n")
	_, last, _ := strings.Cut(lines[len(lines)-1], ":")
	number, _, ok := strings.Cut(strings.ToLower(strings.TrimSpace(last)), "mhz")
	if !ok {
		return unread("/"+file, rig.Implausible, "no clock in "+cut(text))
	}
	return parsedNumber("/"+file, number, 1, 1, clockCap)
}

// displays puts the connectors of every card and what is plugged into them.
// The index is the card's place and the connector's name.
func (s *sheet) displays() {
	const dir = "sys/class/drm"
	for _, name := range s.list(dir) {
		card, connector, ok := strings.Cut(name, "-")
		if !ok || !numbered(card, "card") {
			continue
		}
		status := s.file(dir + "/" + name + "/status")
		if status.why.Reason == rig.Absent {
			continue
		}
		index := withPlace(stableDevice(s.tree, dir+"/"+card), connector)
		put := func(field string, r reading) { s.put(keyOf("display", index, field), r) }
		put("status", status)
		if text, _ := status.value.Text(); text != "connected" {
			continue
		}
		put("preferred_mode", s.preferredMode(dir+"/"+name+"/modes"))
		put("identity", s.displayIdentity(keyOf("display", index, "identity"), dir+"/"+name+"/edid"))
	}
}

func withPlace(place, name string) string {
	if place == "" {
		return name
	}
	return place + " " + name
}

// preferredMode is the first of the modes the display offers, which need not be
// the one in use.
func (s *sheet) preferredMode(file string) reading {
	text, err := s.tree.Text(file)
	if err != nil {
		return failed("/"+file, err)
	}
	first, _, _ := strings.Cut(text, "\n")
	return textReading("/"+file, first)
}

// displayIdentity hashes what the display says of itself, which holds its
// serial number; it is empty while the display is off.
func (s *sheet) displayIdentity(k rig.Key, file string) reading {
	b, err := s.tree.Read(file)
	if err != nil {
		return failed("/"+file, err)
	}
	if len(b) == 0 {
		return unread("/"+file, rig.Unknown, "empty, as while the display is off")
	}
	r := textReading("/"+file, hash(b))
	text, _ := r.value.Text()
	if s.tree.trace != nil {
		s.tree.trace.secret(k, text)
	}
	if original, ok := s.tree.notes.Hashed[text]; ok {
		return textReading(r.source, original)
	}
	return r
}
