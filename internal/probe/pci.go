package probe

import (
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

const pciDir = "sys/bus/pci/devices"

// bdf is a device's address as the kernel writes it: 0000:01:00.0.
var bdf = regexp.MustCompile(`^[0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]$`)

// pciDevice is one function on the bus.
type pciDevice struct {
	address string
	dir     string   // resolved: sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0
	where   string   // sys/bus/pci/devices/0000:01:00.0, for reading
	class   string   // six hexadecimal digits: 030000
	below   []string // addresses behind it, if it is a bridge
}

// pciDevices lists the bus.
func (s *sheet) pciDevices() ([]pciDevice, error) {
	names, err := s.tree.List(pciDir)
	if err != nil {
		return nil, err
	}
	var all []pciDevice
	for _, n := range names {
		dir, err := s.tree.Resolve(pciDir + "/" + n)
		if err != nil || !bdf.MatchString(n) {
			continue
		}
		class, _ := s.tree.Text(dir + "/class")
		all = append(all, pciDevice{address: n, dir: dir, where: pciDir + "/" + n, class: strings.TrimPrefix(class, "0x")})
	}
	for i := range all {
		for _, d := range all {
			if path.Dir(d.dir) == all[i].dir {
				all[i].below = append(all[i].below, d.address)
			}
		}
	}
	return all, nil
}

// links puts the link of each device that has one.
func (s *sheet) links() {
	s.put("link.power_saving", s.choice("sys/module/pcie_aspm/parameters/policy"))
	devices, err := s.pciDevices()
	if err != nil {
		return
	}
	at := map[string]pciDevice{}
	for _, d := range devices {
		at[d.address] = d
	}
	for _, d := range devices {
		if r := s.linkWidth(d, "current"); r.why.Reason == rig.Absent {
			continue
		}
		s.link(d, at)
	}
}

// link puts one device's link. A link is as good as the worst stretch of its
// path up to the processor, because a device may sit behind a bridge of its own
// whose inner link is always in order; and for a port that faces away from the
// processor, the most it can be is what the device at its other end allows.
func (s *sheet) link(d pciDevice, at map[string]pciDevice) {
	put := func(field string, r reading) { s.put(keyOf("link", d.address, field), r) }
	way, ends := pathUp(d, at), []pciDevice(nil)
	ends = append(ends, way...)
	if len(d.below) > 0 {
		ends = append(ends, at[d.below[0]])
	}
	put("width", narrowest(way, func(d pciDevice) reading { return s.linkWidth(d, "current") }))
	put("width_max", narrowest(ends, func(d pciDevice) reading { return s.linkWidth(d, "max") }))
	put("speed", narrowest(way, func(d pciDevice) reading { return s.linkSpeed(d, "current") }))
	put("speed_max", narrowest(ends, func(d pciDevice) reading { return s.linkSpeed(d, "max") }))
	put("kind", textReading("/"+d.where+"/class", kindOf(d.class)))
	for field, file := range map[string]string{"errors_corrected": "aer_dev_correctable", "errors_fatal": "aer_dev_fatal"} {
		if r := s.linkErrors(d, file); r.why.Reason != rig.Absent {
			put(field, r)
		}
	}
}

// pathUp returns the device and the bridges between it and the processor.
func pathUp(d pciDevice, at map[string]pciDevice) []pciDevice {
	way := []pciDevice{d}
	for dir := path.Dir(d.dir); ; dir = path.Dir(dir) {
		up, ok := at[path.Base(dir)]
		if !ok {
			return way
		}
		way = append(way, up)
	}
}

// narrowest is the least number along the way. The first device's own must be
// known; others that are not are passed over.
func narrowest(way []pciDevice, read func(pciDevice) reading) reading {
	least := read(way[0])
	if !least.ok() {
		return least
	}
	for _, d := range way[1:] {
		r := read(d)
		a, _ := least.value.Number()
		if b, ok := r.value.Number(); ok && b < a {
			least = r
		}
	}
	return least
}

// linkWidth reads lanes; 0, 63 and 255 stand for unknown.
func (s *sheet) linkWidth(d pciDevice, which string) reading {
	r := s.number(d.where+"/"+which+"_link_width", 1, 0, 255)
	if n, ok := r.value.Number(); ok {
		if !slices.Contains([]float64{1, 2, 4, 8, 12, 16, 32}, n) {
			return unread(r.source, rig.Unknown, "the kernel gives a width of "+r.value.String())
		}
	}
	return r
}

// linkSpeed reads "16.0 GT/s PCIe".
func (s *sheet) linkSpeed(d pciDevice, which string) reading {
	source := "/" + d.where + "/" + which + "_link_speed"
	text, err := s.tree.Text(source[1:])
	if err != nil {
		return failed(source, err)
	}
	number, _, ok := strings.Cut(text, " GT/s")
	if !ok {
		return unread(source, rig.Unknown, text)
	}
	return parsedNumber(source, number, 1, 0.1, 1024)
}

// linkErrors reads the kernel's sum line of one kind of error.
func (s *sheet) linkErrors(d pciDevice, file string) reading {
	source := "/" + d.where + "/" + file
	b, err := s.tree.Read(source[1:])
	if err != nil {
		return failed(source, err)
	}
	for name, value := range parseCounters(b) {
		if strings.HasPrefix(name, "TOTAL_ERR_") {
			return parsedNumber(source, value, 1, 0, 1e15)
		}
	}
	return unread(source, rig.Implausible, "no line with the total")
}

// kindOf says what a class code means, in our own words.
func kindOf(class string) string {
	kinds := []struct{ prefix, word string }{
		{"0108", "drive"}, {"01", "drive controller"}, {"02", "network"}, {"03", "graphics"}, {"0403", "sound"},
		{"04", "media"}, {"05", "memory"}, {"06", "bridge"}, {"0c03", "USB"}, {"0d", "radio"}, {"12", "accelerator"},
	}
	for _, k := range kinds {
		if strings.HasPrefix(class, k.prefix) {
			return k.word
		}
	}
	if class == "" {
		return "unknown"
	}
	return "class " + class
}

// memoryBAR is the size in MiB of the device's largest window onto its memory,
// from lines "start end flags" of hexadecimal numbers.
func (s *sheet) memoryBAR(d pciDevice) reading {
	source := "/" + d.where + "/resource"
	b, err := s.tree.Read(source[1:])
	if err != nil {
		return failed(source, err)
	}
	const isMemory, isROM = 0x200, 6 // the seventh line is the expansion ROM
	largest := uint64(0)
	for i, line := range strings.Split(string(b), "\n") {
		f := strings.Fields(line)
		if len(f) != 3 || i >= isROM {
			continue
		}
		start, err1 := strconv.ParseUint(f[0], 0, 64)
		end, err2 := strconv.ParseUint(f[1], 0, 64)
		flags, err3 := strconv.ParseUint(f[2], 0, 64)
		if cmpErr(err1, err2, err3) == nil && flags&isMemory != 0 && end > start && end-start < 1<<50 {
			largest = max(largest, end-start+1)
		}
	}
	if largest == 0 {
		return unread(source, rig.Absent, "no window onto memory")
	}
	return numberReading(source, float64(largest)/(1<<20), 0, 1<<40)
}
