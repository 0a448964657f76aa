package probe

import (
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

// memory puts what the kernel has of memory.
func (s *sheet) memory() {
	for k, r := range s.ram() {
		s.put(k, r)
	}
	const thp = "sys/kernel/mm/transparent_hugepage/"
	s.put("memory.transparent_huge_pages", s.choice(thp+"enabled"))
	s.put("memory.huge_page_defrag", s.choice(thp+"defrag"))
	s.put("memory.huge_pages", s.hugePages())

	b, err := s.tree.Read("proc/vmstat")
	events := func(names ...string) reading {
		source := "/proc/vmstat: " + strings.Join(names, ", ")
		if err != nil {
			return failed(source, err)
		}
		return summed(source, parseCounters(b), names...)
	}
	s.put("memory.pages_swapped", events("pswpin", "pswpout"))
	s.put("memory.major_faults", events("pgmajfault"))
}

// summed adds up counters, all of which must be there.
func summed(source string, counters map[string]string, names ...string) reading {
	total := 0.0
	for _, name := range names {
		text, ok := counters[name]
		if !ok {
			return unread(source, rig.Absent, "no "+name)
		}
		r := parsedNumber(source, text, 1, 0, 1e18)
		n, ok := r.value.Number()
		if !ok {
			return r
		}
		total += n
	}
	return numberReading(source, total, 0, 1e18)
}

// kibibytes is a line "name: 16306912 kB" in MiB.
func kibibytes(file string, lines map[string]string, name string) reading {
	text, ok := lines[name]
	if !ok {
		return unread(file+": "+name, rig.Absent, "no such line")
	}
	kib, ok := strings.CutSuffix(text, " kB")
	if !ok {
		return unread(file+": "+name, rig.Implausible, "no number of kB: "+strconv.Quote(cut(text)))
	}
	r := parsedNumber(file+": "+name, kib, 1024, 0, 1<<40)
	if n, ok := r.value.Number(); ok {
		r.value = rig.NumberOf(rounded(n))
	}
	return r
}

// hugePages lists what is reserved of each size: "2048kB: 512", or none.
func (s *sheet) hugePages() reading {
	const dir = "sys/kernel/mm/hugepages"
	names, err := s.tree.List(dir)
	if err != nil {
		return failed("/"+dir, err)
	}
	var kept []string
	for _, n := range names {
		size, ok := strings.CutPrefix(n, "hugepages-")
		if !ok {
			continue
		}
		r := s.number(dir+"/"+n+"/nr_hugepages", 1, 0, 1e12)
		count, ok := r.value.Number()
		switch {
		case !ok:
			return r
		case count > 0:
			kept = append(kept, size+": "+r.value.String())
		}
	}
	return textReading("/"+dir, orNone(strings.Join(kept, ", ")))
}

// memoryErrors adds up what the memory controllers have counted.
func (s *sheet) memoryErrors() {
	const dir = "sys/devices/system/edac/mc"
	for key, file := range map[rig.Key]string{"memory.corrected_errors": "ce_count", "memory.uncorrected_errors": "ue_count"} {
		s.put(key, s.controllerErrors(dir, file))
	}
}

func (s *sheet) controllerErrors(dir, file string) reading {
	source := "/" + dir + "/mc*/" + file
	names, err := s.tree.List(dir)
	if err != nil {
		return failed(source, err)
	}
	total, controllers := 0.0, 0
	for _, n := range names {
		if !numbered(n, "mc") {
			continue
		}
		r := s.number(dir+"/"+n+"/"+file, 1, 0, 1e15)
		count, ok := r.value.Number()
		if !ok {
			return r
		}
		total += count
		controllers++
	}
	if controllers == 0 {
		return unread(source, rig.Absent, "no driver for the memory controller")
	}
	return numberReading(source, total, 0, 1e18)
}
