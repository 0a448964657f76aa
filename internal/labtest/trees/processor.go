package trees

import (
	"fmt"
	"strings"
)

// CPU is the processor as the kernel shows it.
type CPU struct {
	Vendor, Model                 string
	Family, ModelNumber, Stepping int
	Microcode                     string // as in cpuinfo, "0x2f"; empty: no such line
	Flags                         string
	Kinds                         []Kind // one, or two for a processor of unlike cores
	L3                            int    // KiB, shared by all cores
	SMT                           string // smt/control
	Clocks                        *Clocks
	Throttle                      *Throttle
	Idle                          []string // names of sleep states; nil: no driver
	IdleDriver                    string
	Vulnerabilities               map[string]string
}

// Kind is a number of equal cores.
type Kind struct {
	Name            string // of its event source, "cpu_core"; empty on a uniform processor
	Cores, Threads  int    // threads a core
	L1d, L1i, L2    int    // KiB
	L2Cores         int    // cores that share one L2; 0 stands for 1
	MaxKHz, BaseKHz int
	Capacity        int // cpu_capacity; 0: no such file
}

// Clocks is cpufreq.
type Clocks struct {
	Driver, Governor, Preference string
	MinKHz                       int
	LimitKHz                     int // scaling_max_freq; 0 stands for each kind's highest
	CurrentKHz                   int
	Mode                         string // directory of the driver's own settings, "intel_pstate"
	Settings                     map[string]any
	Boost                        string // cpufreq/boost; empty: no such file
}

// Throttle is what the thermal interrupt has counted.
type Throttle struct {
	Core, Package int
	PackageMs     int
}

// thread is one processor as the kernel counts them.
type thread struct {
	id, core int
	kind     Kind
	siblings []int
	l2       []int // processors that share the L2 cache
}

// threads numbers the processors: on a uniform one the first threads of all
// cores come before the second ones, on an unlike one the threads of a core
// stand together.
func (c CPU) threads() []thread {
	var all []thread
	id, core := 0, 0
	for _, k := range c.Kinds {
		first := len(all)
		for i := range k.Cores * k.Threads {
			own := i / k.Threads
			if len(c.Kinds) == 1 {
				own = i % k.Cores
			}
			all = append(all, thread{id: id, core: core + own, kind: k})
			id++
		}
		share(all[first:], max(k.L2Cores, 1), core)
		core += k.Cores
	}
	return all
}

// share fills in which of the threads, all of one kind, share a core and an L2.
func share(of []thread, l2Cores, firstCore int) {
	for i := range of {
		for _, o := range of {
			if o.core == of[i].core {
				of[i].siblings = append(of[i].siblings, o.id)
			}
			if (o.core-firstCore)/l2Cores == (of[i].core-firstCore)/l2Cores {
				of[i].l2 = append(of[i].l2, o.id)
			}
		}
	}
}

const cpuDir = "sys/devices/system/cpu"

func (b *builder) processors(r Rig) {
	c := r.CPU
	ts := c.threads()
	every := list(0, len(ts)-1)
	b.all(cpuDir, map[string]any{"present": every, "possible": every, "online": every, "offline": "", "isolated": ""})
	b.all(cpuDir+"/smt", map[string]any{"control": c.SMT, "active": truth(c.SMT == "on")})
	for name, text := range c.Vulnerabilities {
		b.put(cpuDir+"/vulnerabilities/"+name, text)
	}
	var info []string
	for _, t := range ts {
		b.processor(c, t, every)
		info = append(info, c.info(t, len(ts)))
	}
	b.text("proc/cpuinfo", info...)
	b.kinds(c, ts)
	b.clockSettings(c)
	b.idle(c)
}

func (b *builder) processor(c CPU, t thread, every string) {
	dir := fmt.Sprintf("%s/cpu%d", cpuDir, t.id)
	if t.id > 0 {
		b.put(dir+"/online", 1)
	}
	b.all(dir+"/topology", map[string]any{"physical_package_id": 0, "core_cpus_list": span(t.siblings)})
	if t.kind.Capacity > 0 {
		b.put(dir+"/cpu_capacity", t.kind.Capacity)
	}
	b.cache(dir, 0, 1, "Data", t.kind.L1d, span(t.siblings))
	b.cache(dir, 1, 1, "Instruction", t.kind.L1i, span(t.siblings))
	b.cache(dir, 2, 2, "Unified", t.kind.L2, span(t.l2))
	b.cache(dir, 3, 3, "Unified", c.L3, every)
	if c.Throttle != nil {
		b.all(dir+"/thermal_throttle", map[string]any{
			"core_throttle_count": c.Throttle.Core, "package_throttle_count": c.Throttle.Package,
			"package_throttle_total_time_ms": c.Throttle.PackageMs,
		})
	}
	if c.Clocks != nil {
		b.policy(*c.Clocks, t)
	}
}

func (b *builder) cache(cpu string, index, level int, kind string, kib int, shared string) {
	if kib == 0 {
		return
	}
	b.all(fmt.Sprintf("%s/cache/index%d", cpu, index), map[string]any{
		"level": level, "type": kind, "size": fmt.Sprintf("%dK", kib), "shared_cpu_list": shared,
	})
}

func (b *builder) policy(c Clocks, t thread) {
	dir := fmt.Sprintf("%s/cpufreq/policy%d", cpuDir, t.id)
	limit := c.LimitKHz
	if limit == 0 || limit > t.kind.MaxKHz {
		limit = t.kind.MaxKHz
	}
	b.all(dir, map[string]any{
		"scaling_driver": c.Driver, "scaling_governor": c.Governor, "affected_cpus": t.id,
		"scaling_min_freq": c.MinKHz, "scaling_max_freq": limit, "cpuinfo_min_freq": c.MinKHz, "cpuinfo_max_freq": t.kind.MaxKHz,
		"scaling_cur_freq": min(c.CurrentKHz, limit) - 1337*t.id,
	})
	if t.kind.BaseKHz > 0 {
		b.put(dir+"/base_frequency", t.kind.BaseKHz)
	}
	if c.Preference != "" {
		b.put(dir+"/energy_performance_preference", c.Preference)
	}
	b.link(fmt.Sprintf("%s/cpu%d/cpufreq", cpuDir, t.id), dir)
}

func (b *builder) clockSettings(c CPU) {
	if c.Clocks == nil {
		return
	}
	b.all(cpuDir+"/"+c.Clocks.Mode, c.Clocks.Settings)
	if c.Clocks.Boost != "" {
		b.put(cpuDir+"/cpufreq/boost", c.Clocks.Boost)
	}
}

// idle shows the sleep states, the same on each processor.
func (b *builder) idle(c CPU) {
	driver := c.IdleDriver
	if driver == "" {
		driver = "none"
	}
	b.all(cpuDir+"/cpuidle", map[string]any{"current_driver": driver, "current_governor": "menu"})
	for _, t := range c.threads() {
		for k, name := range c.Idle {
			b.all(fmt.Sprintf("%s/cpu%d/cpuidle/state%d", cpuDir, t.id, k), map[string]any{"name": name, "disable": 0})
		}
	}
}

// kinds enters the event sources that tell unlike cores apart.
func (b *builder) kinds(c CPU, ts []thread) {
	for _, k := range c.Kinds {
		if k.Name == "" {
			continue
		}
		var of []int
		for _, t := range ts {
			if t.kind.Name == k.Name {
				of = append(of, t.id)
			}
		}
		b.put("sys/devices/"+k.Name+"/cpus", span(of))
		b.link("sys/bus/event_source/devices/"+k.Name, "sys/devices/"+k.Name)
	}
}

// info is one processor's part of /proc/cpuinfo.
func (c CPU) info(t thread, threads int) string {
	khz := t.kind.BaseKHz
	if c.Clocks != nil {
		khz = min(c.Clocks.CurrentKHz, t.kind.MaxKHz) - 1337*t.id
	}
	cores := 0
	for _, k := range c.Kinds {
		cores += k.Cores
	}
	var s strings.Builder
	line := func(name string, value any) { fmt.Fprintf(&s, "%s\t: %v\n", name, value) }
	line("processor", t.id)
	line("vendor_id", c.Vendor)
	line("cpu family", c.Family)
	line("model", c.ModelNumber)
	line("model name", c.Model)
	line("stepping", c.Stepping)
	if c.Microcode != "" {
		line("microcode", c.Microcode)
	}
	line("cpu MHz", fmt.Sprintf("%d.%03d", khz/1000, khz%1000))
	line("cache size", fmt.Sprintf("%d KB", c.L3))
	line("physical id", 0)
	line("siblings", threads)
	line("core id", t.core)
	line("cpu cores", cores)
	line("flags", c.Flags)
	return s.String()
}

// span writes processors as the kernel lists them: "0-3,8".
func span(ids []int) string {
	var parts []string
	for i := 0; i < len(ids); {
		j := i
		for j+1 < len(ids) && ids[j+1] == ids[j]+1 {
			j++
		}
		parts = append(parts, list(ids[i], ids[j]))
		i = j + 1
	}
	return strings.Join(parts, ",")
}

func list(from, to int) string {
	if from == to {
		return fmt.Sprint(from)
	}
	return fmt.Sprintf("%d-%d", from, to)
}

func truth(b bool) int {
	if b {
		return 1
	}
	return 0
}
