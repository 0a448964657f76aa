package probe

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/rig"
)

// cache is one level and type, with the processors that have it in one size.
type cache struct {
	name string // "L1 data", "L3"
	size string // as the kernel prints it: "32K"
}

// caches puts the size of one cache of each level and type. Where kinds of
// cores differ, each size gets a fact, with its processors in the index.
func (s *sheet) caches() {
	who := map[cache]processors{}
	var order []cache
	for _, n := range s.cpu.online {
		dir := fmt.Sprintf("%s/cpu%d/cache", cpuDir, n)
		for _, index := range s.list(dir) {
			c, ok := s.cache(dir + "/" + index)
			if !ok {
				continue
			}
			if who[c] == nil {
				order = append(order, c)
			}
			who[c] = append(who[c], n)
		}
	}
	for _, c := range order {
		name := c.name
		if slices.ContainsFunc(order, func(d cache) bool { return d.name == c.name && d.size != c.size }) {
			name += " " + who[c].String()
		}
		source := "/" + cpuDir + "/cpu*/cache/index*/size"
		s.put(keyOf("cpu.cache", name, "size"), parsedNumber(source, strings.TrimSuffix(c.size, "K"), 1, 1, 64<<20))
	}
}

func (s *sheet) cache(dir string) (cache, bool) {
	level, err := s.tree.Text(dir + "/level")
	if err != nil {
		return cache{}, false
	}
	kind, err2 := s.tree.Text(dir + "/type")
	size, err3 := s.tree.Text(dir + "/size")
	if cmpErr(err2, err3) != nil {
		return cache{}, false
	}
	name := "L" + clean(level)
	if kind = strings.ToLower(clean(kind)); kind != "unified" && kind != "" {
		name += " " + kind
	}
	return cache{name, size}, true
}

// nodes puts the memory nodes: how many, which processors and how much memory
// each has.
func (s *sheet) nodes() {
	const dir = "sys/devices/system/node"
	names, err := s.tree.List(dir)
	if err != nil {
		s.put("cpu.numa_nodes", failed("/"+dir, err))
		return
	}
	count := 0
	for _, name := range names {
		if !numbered(name, "node") {
			continue
		}
		count++
		node := strings.TrimPrefix(name, "node")
		s.put(keyOf("cpu.numa", node, "processors"), s.processorList(dir+"/"+name+"/cpulist"))
		s.put(keyOf("cpu.numa", node, "memory"), s.nodeMemory(dir+"/"+name+"/meminfo", node))
	}
	if count == 0 {
		s.put("cpu.numa_nodes", unread("/"+dir, rig.Absent, "no node in it"))
		return
	}
	s.put("cpu.numa_nodes", numberReading("/"+dir, float64(count), 1, 4096))
}

func (s *sheet) nodeMemory(file, node string) reading {
	b, err := s.tree.Read(file)
	if err != nil {
		return failed("/"+file, err)
	}
	return kibibytes("/"+file, parsePairs(b), "Node "+node+" MemTotal")
}
