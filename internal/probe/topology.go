package probe

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

const cpuDir = "sys/devices/system/cpu"

// topology is which processors there are and how they hang together.
type topology struct {
	present, online processors
	presentWhy      error
	onlineWhy       error

	info    []map[string]string // blocks of /proc/cpuinfo
	infoWhy error

	cores  [][]int // online processors that share a core, one entry a core
	socket map[int]string
	source string // of cores and sockets
	why    rig.Unread
}

func readTopology(t *Tree) topology {
	var c topology
	c.present, c.presentWhy = readProcessors(t, cpuDir+"/present")
	c.online, c.onlineWhy = readProcessors(t, cpuDir+"/online")
	b, err := t.ReadUpTo("proc/cpuinfo", 4<<20)
	c.info, c.infoWhy = parseBlocks(b), err
	c.readCores(t)
	return c
}

func readProcessors(t *Tree, file string) (processors, error) {
	text, err := t.Text(file)
	if err != nil {
		return nil, err
	}
	p, err := parseProcessors(text)
	if err != nil {
		return nil, &unreadError{file, rig.Unread{Reason: rig.Implausible, Detail: err.Error()}}
	}
	return p, nil
}

// readCores takes cores and sockets from sysfs and, where that has none, from
// /proc/cpuinfo. Both know online processors only.
func (c *topology) readCores(t *Tree) {
	c.source = "/" + cpuDir + "/cpu*/topology"
	ids := map[int]coreID{}
	for _, n := range c.online {
		id, err := readCoreID(t, n)
		if err != nil {
			c.why = Why(err)
			ids = nil
			break
		}
		ids[n] = id
	}
	if c.onlineWhy != nil {
		c.why = Why(c.onlineWhy)
	}
	if len(ids) == 0 {
		if ids = c.infoCores(); len(ids) > 0 {
			c.source, c.why = "/proc/cpuinfo: physical id, core id", rig.Unread{}
		}
	}
	c.gather(ids)
}

// coreID tells cores apart; siblings is used where the kernel has it.
type coreID struct{ socket, core, siblings string }

func readCoreID(t *Tree, n int) (id coreID, err error) {
	dir := fmt.Sprintf("%s/cpu%d/topology/", cpuDir, n)
	if id.socket, err = t.Text(dir + "physical_package_id"); err != nil {
		return coreID{}, err
	}
	if id.siblings, err = t.Text(dir + "core_cpus_list"); err != nil {
		id.siblings, err = t.Text(dir + "thread_siblings_list")
	}
	if err == nil {
		return id, nil
	}
	die, _ := t.Text(dir + "die_id")
	core, err := t.Text(dir + "core_id")
	id.core = die + "/" + core
	return id, err
}

func (c *topology) infoCores() map[int]coreID {
	ids := map[int]coreID{}
	for _, b := range c.info {
		n, err := strconv.ParseUint(b["processor"], 10, 13)
		if err != nil || b["physical id"] == "" || b["core id"] == "" {
			continue
		}
		ids[int(n)] = coreID{socket: b["physical id"], core: b["core id"]}
	}
	return ids
}

func (c *topology) gather(ids map[int]coreID) {
	if len(ids) == 0 {
		if c.why.Reason == "" {
			c.why = rig.Unread{Reason: rig.Absent}
		}
		return
	}
	c.socket = map[int]string{}
	at := map[coreID]int{}
	for _, n := range sorted(keys(ids)) {
		id := ids[n]
		c.socket[n] = id.socket
		i, met := at[id]
		if !met {
			i = len(c.cores)
			at[id] = i
			c.cores = append(c.cores, nil)
		}
		c.cores[i] = append(c.cores[i], n)
	}
}

// coresOf counts the cores that have a processor in p.
func (c *topology) coresOf(p processors) int {
	n := 0
	for _, core := range c.cores {
		if len(p.and(processors(core))) > 0 {
			n++
		}
	}
	return n
}

// layout puts sockets, cores, threads and the lists of processors.
func (s *sheet) layout() {
	c := &s.cpu
	s.put("cpu.cores", c.count(len(c.cores)))
	s.put("cpu.sockets", c.sockets())
	s.put("cpu.threads", c.threads())
	s.put("cpu.present", processorsReading(cpuDir+"/present", c.present, c.presentWhy))
	s.put("cpu.online", processorsReading(cpuDir+"/online", c.online, c.onlineWhy))
	s.put("cpu.offline", firstOf(c.offline(), s.processorList(cpuDir+"/offline")))
	for key, file := range map[rig.Key]string{"cpu.isolated": "isolated", "cpu.nohz_full": "nohz_full"} {
		s.put(key, s.processorList(cpuDir+"/"+file))
	}
	s.put("cpu.smt", s.threading())
	s.kinds()
}

func (c *topology) count(n int) reading {
	if c.why.Reason != "" {
		return reading{source: c.source, why: c.why}
	}
	return numberReading(c.source, float64(n), 1, maxProcessors)
}

func (c *topology) sockets() reading {
	distinct := map[string]bool{}
	for _, id := range c.socket {
		distinct[id] = true
	}
	if distinct["-1"] {
		return unread(c.source, rig.Unknown, "the kernel gives socket -1")
	}
	return c.count(len(distinct))
}

// threads counts online processors, in sysfs or as blocks of /proc/cpuinfo.
func (c *topology) threads() reading {
	if c.onlineWhy == nil {
		return numberReading("/"+cpuDir+"/online", float64(len(c.online)), 1, maxProcessors)
	}
	n := 0
	for _, b := range c.info {
		if _, ok := b["processor"]; ok {
			n++
		}
	}
	if n > 0 {
		return numberReading("/proc/cpuinfo: processor", float64(n), 1, maxProcessors)
	}
	return failed("/"+cpuDir+"/online", c.onlineWhy)
}

// offline is what is present and not online; the kernel's own list may hold
// processors that could be plugged in and are not.
func (c *topology) offline() reading {
	const source = "/" + cpuDir + "/{present,online}"
	if err := cmpErr(c.presentWhy, c.onlineWhy); err != nil {
		return failed(source, err)
	}
	return processorsReading(source[1:], c.present.without(c.online), nil)
}

func processorsReading(file string, p processors, err error) reading {
	if err != nil {
		return failed("/"+file, err)
	}
	return textReading("/"+file, orNone(p.String()))
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func (s *sheet) processorList(file string) reading {
	text, err := s.tree.Text(file)
	if err == nil && (text == "" || text == "(null)") { // what some kernels print for an empty set
		return textReading("/"+file, "none")
	}
	p, err := readProcessors(s.tree, file)
	return processorsReading(file, p, err)
}

// threading is what the kernel says of threads per core: on, off, forceoff,
// notsupported, notimplemented. Without its word, a core with two threads is
// proof of on; cores with one prove nothing.
func (s *sheet) threading() reading {
	r := s.file(cpuDir + "/smt/control")
	if r.ok() || len(s.cpu.cores) == 0 {
		return r
	}
	for _, core := range s.cpu.cores {
		if len(core) > 1 {
			return textReading(s.cpu.source, "on")
		}
	}
	return unread(r.source, rig.Unknown, "each core has one thread, and the kernel does not say whether it could have more")
}

// kinds puts the kinds of cores: by the counters the kernel keeps for each kind
// on x86, else by the capacity it gives each processor.
func (s *sheet) kinds() {
	parts, source, err := s.kindParts()
	switch {
	case err != nil:
		s.put("cpu.kinds", failed(source, err))
		return
	case len(parts) < 2:
		s.put("cpu.kinds", textReading(source, "all alike"))
		return
	}
	names := make([]string, len(parts))
	for i, p := range parts {
		names[i] = p.name + " " + p.who.String()
		s.put(keyOf("cpu.kind", p.name, "threads"), numberReading(source, float64(len(p.who)), 1, maxProcessors))
		if len(s.cpu.cores) > 0 {
			s.put(keyOf("cpu.kind", p.name, "cores"), numberReading(source, float64(s.cpu.coresOf(p.who)), 1, maxProcessors))
		}
	}
	s.put("cpu.kinds", textReading(source, strings.Join(names, ", ")))
}

type kind struct {
	name string
	who  processors
}

func (s *sheet) kindParts() ([]kind, string, error) {
	const events = "sys/bus/event_source/devices"
	var kinds []kind
	for _, d := range s.list(events) {
		name, isKind := strings.CutPrefix(d, "cpu_")
		if !isKind {
			continue
		}
		who, err := readProcessors(s.tree, events+"/"+d+"/cpus")
		if err == nil && len(who) > 0 {
			kinds = append(kinds, kind{name, who})
		}
	}
	if len(kinds) > 0 {
		return kinds, "/" + events + "/cpu_*/cpus", nil
	}
	kinds, err := s.capacities()
	if err != nil && slices.Contains(s.list(events), "cpu") {
		return nil, "/" + events + "/cpu", nil // one set of counters: one kind
	}
	return kinds, "/" + cpuDir + "/cpu*/cpu_capacity", err
}

func (s *sheet) capacities() ([]kind, error) {
	if s.cpu.onlineWhy != nil {
		return nil, s.cpu.onlineWhy
	}
	by := map[int]processors{}
	for _, n := range s.cpu.online {
		text, err := s.tree.Text(fmt.Sprintf("%s/cpu%d/cpu_capacity", cpuDir, n))
		if err != nil {
			return nil, err
		}
		capacity, err := strconv.ParseUint(text, 10, 16)
		if err != nil {
			return nil, &unreadError{"cpu_capacity", rig.Unread{Reason: rig.Implausible, Detail: fmt.Sprintf("no number: %q", cut(text))}}
		}
		by[int(capacity)] = append(by[int(capacity)], n)
	}
	var kinds []kind
	for _, capacity := range slices.Backward(sorted(keys(by))) {
		kinds = append(kinds, kind{"capacity " + strconv.Itoa(capacity), by[capacity]})
	}
	return kinds, nil
}

func keys[V any](m map[int]V) []int {
	var out []int
	for k := range m {
		out = append(out, k)
	}
	return out
}

func sorted(p processors) processors {
	slices.Sort(p)
	return slices.Compact(p)
}
