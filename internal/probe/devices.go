package probe

import (
	"regexp"
	"strings"

	"witnessmark/internal/rig"
)

// drives puts each drive that is a device and not made by the kernel. The index
// is its place: the address of its controller, with port where there are several.
func (s *sheet) drives() {
	s.put("disk.free", s.freeDisk())
	const dir = "sys/block"
	met := map[string]int{}
	for _, name := range s.list(dir) {
		real, err := s.tree.Resolve(dir + "/" + name)
		if err != nil || strings.Contains(real, "/virtual/") {
			continue
		}
		if _, err := s.tree.Resolve(dir + "/" + name + "/device"); err != nil {
			continue
		}
		index := drivePlace(real, name)
		if met[index]++; met[index] > 1 {
			index += " " + name
		}
		s.drive(index, dir+"/"+name)
	}
}

func (s *sheet) drive(index, dir string) {
	put := func(field string, r reading) { s.put(keyOf("drive", index, field), r) }
	size := s.number(dir+"/size", 2048, 0, 1<<40) // sectors of 512 bytes whatever the drive's own
	if n, ok := size.value.Number(); ok {
		size.value = rig.NumberOf(rounded(n))
	}
	put("size", size)
	put("scheduler", s.choiceOrText(dir+"/queue/scheduler"))
	for field, files := range map[string][]string{"model": {"model"}, "firmware": {"firmware_rev", "rev"}} {
		var places []reading
		for _, f := range files {
			places = append(places, s.file(dir+"/device/"+f))
		}
		if r := firstOf(places...); r.why.Reason != rig.Absent {
			put(field, r)
		}
	}
}

// choiceOrText reads a choice of which there may be only one, unmarked: "none".
func (s *sheet) choiceOrText(file string) reading {
	text, err := s.tree.Text(file)
	if err == nil && text != "" && !strings.ContainsAny(text, "[ ") {
		return textReading("/"+file, text)
	}
	return s.choice(file)
}

var port = regexp.MustCompile(`^(ata[0-9]+|[0-9]+-[0-9.]+)$`)

// drivePlace is the last address on the bus in a device's path, with the port
// of its controller; the kernel's name for a drive on no such bus.
func drivePlace(real, name string) string {
	place := ""
	for _, p := range strings.Split(real, "/") {
		switch {
		case bdf.MatchString(p):
			place = p
		case place != "" && port.MatchString(p):
			place, _, _ = strings.Cut(place, " ")
			place += " " + p
		}
	}
	if place == "" {
		return name
	}
	return place
}

// networks puts the link speed of each network card, in Mb/s. A card whose
// cable is out refuses, and some say -1.
func (s *sheet) networks() {
	const dir = "sys/class/net"
	for _, name := range s.list(dir) {
		if _, err := s.tree.Resolve(dir + "/" + name + "/device"); err != nil {
			continue
		}
		r := s.number(dir+"/"+name+"/speed", 1, -1, 1e7)
		if n, ok := r.value.Number(); ok && n <= 0 {
			r = unread(r.source, rig.Unknown, "the driver does not know")
		}
		s.put(keyOf("network", name, "speed"), r)
	}
}
