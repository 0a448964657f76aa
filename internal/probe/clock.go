package probe

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

const freqDir = cpuDir + "/cpufreq"

// policy is one group of processors whose clock the kernel sets together.
type policy struct {
	dir string
	who processors // that share it, online or not
	max reading    // highest clock the hardware offers it
}

// clockCap is more than any processor runs at, in MHz.
const clockCap = 20_000

// clocks puts what sets the clocks and how far they may go.
func (s *sheet) clocks() {
	policies, why := s.policies()
	all := func(file string, read func(string) reading) reading { return s.ofAll(policies, why, file, read) }
	mhz := func(name string) reading { return s.number(name, 1000, 1, clockCap) } // files are in kHz

	s.put("cpu.clock_driver", all("scaling_driver", s.file))
	s.put("cpu.clock_driver_mode", s.driverMode())
	s.put("cpu.governor", all("scaling_governor", s.file))
	s.put("cpu.energy_preference", firstOf(all("energy_performance_preference", s.file), s.energyBias()))
	s.put("cpu.turbo", s.turbo(policies))
	s.put("platform.profile", s.file("sys/firmware/acpi/platform_profile"))

	s.put("cpu.clock_max", s.extreme(policies, why, "cpuinfo_max_freq", mhz, math.Max))
	s.put("cpu.clock_min", s.extreme(policies, why, "cpuinfo_min_freq", mhz, math.Min))
	s.put("cpu.clock_base", firstOf(s.extreme(policies, why, "base_frequency", mhz, math.Max), s.nominalClock()))
	s.put("cpu.clock_firmware_limit", s.extreme(policies, why, "bios_limit", mhz, math.Min))
	s.put("cpu.clock_limit", s.extreme(fastest(policies), why, "scaling_max_freq", mhz, math.Min))
	s.put("cpu.clock_floor", s.extreme(policies, why, "scaling_min_freq", mhz, math.Min))
	s.groups(policies, mhz)
}

// policies lists the groups that have a processor online.
func (s *sheet) policies() ([]policy, rig.Unread) {
	names, err := s.tree.List(freqDir)
	var all []policy
	for _, n := range names {
		if dir := freqDir + "/" + n; numbered(n, "policy") && s.inUse(dir) {
			all = append(all, s.policy(dir, strings.TrimPrefix(n, "policy")))
		}
	}
	if len(all) == 0 {
		all = s.perProcessor()
	}
	switch {
	case len(all) > 0:
		return all, rig.Unread{}
	case err != nil:
		return nil, Why(err)
	}
	return nil, rig.Unread{Reason: rig.Absent, Detail: "the kernel sets no clocks"}
}

// perProcessor lists the groups of a tree that has them below each processor
// only: kernels before 4.3 do, and trees put together by hand.
func (s *sheet) perProcessor() (all []policy) {
	met := map[string]bool{}
	for _, n := range s.list(cpuDir) {
		dir := cpuDir + "/" + n + "/cpufreq"
		if !numbered(n, "cpu") || !exists(s.tree, dir) || !s.inUse(dir) {
			continue
		}
		p := s.policy(dir, strings.TrimPrefix(n, "cpu"))
		if who := p.who.String(); !met[who] {
			met[who] = true
			all = append(all, p)
		}
	}
	return all
}

// inUse says whether a group has a processor online.
func (s *sheet) inUse(dir string) bool {
	online, err := s.tree.Text(dir + "/affected_cpus")
	return err != nil || online != ""
}

func (s *sheet) policy(dir, number string) policy {
	return policy{dir, s.policyProcessors(dir, number), s.number(dir+"/cpuinfo_max_freq", 1000, 1, clockCap)}
}

// places is a file of all policies as a source.
func places(policies []policy, file string) string {
	if len(policies) > 0 && !strings.HasPrefix(policies[0].dir, freqDir) {
		return "/" + cpuDir + "/cpu*/cpufreq/" + file
	}
	return "/" + freqDir + "/policy*/" + file
}

func (s *sheet) policyProcessors(dir, number string) processors {
	for _, file := range []string{"related_cpus", "affected_cpus"} {
		text, err := s.tree.Text(dir + "/" + file)
		if err != nil {
			continue
		}
		// these two files have blanks where others have commas
		if p, err := parseProcessors(strings.Join(strings.Fields(text), ",")); err == nil && len(p) > 0 {
			return p
		}
	}
	n, _ := strconv.Atoi(number)
	return processors{n}
}

// ofAll joins what the policies say in one file.
func (s *sheet) ofAll(policies []policy, why rig.Unread, file string, read func(string) reading) reading {
	source := places(policies, file)
	if len(policies) == 0 {
		return reading{source: source, why: why}
	}
	var parts []part
	for _, p := range policies {
		parts = append(parts, part{p.who, read(p.dir + "/" + file)})
	}
	return agree(source, parts)
}

// extreme is the highest or lowest number of the policies, unread if one is.
func (s *sheet) extreme(policies []policy, why rig.Unread, file string, read func(string) reading, pick func(a, b float64) float64) reading {
	source := places(policies, file)
	if len(policies) == 0 {
		return reading{source: source, why: why}
	}
	var parts []part
	for _, p := range policies {
		parts = append(parts, part{p.who, read(p.dir + "/" + file)})
	}
	if r := agree(source, parts); !r.ok() {
		return r
	}
	best := parts[0].reading
	for _, p := range parts[1:] {
		a, _ := best.value.Number()
		b, _ := p.value.Number()
		if pick(a, b) != a {
			best = p.reading
		}
	}
	return best
}

// fastest returns the policies that reach the highest clock. Where kinds of
// cores differ, the ceiling of a slower kind is no ceiling of the machine.
func fastest(policies []policy) []policy {
	var best []policy
	top := 0.0
	for _, p := range policies {
		n, ok := p.max.value.Number()
		if !ok {
			return policies
		}
		if n > top {
			top, best = n, nil
		}
		if n == top {
			best = append(best, p)
		}
	}
	return best
}

// groups puts the clocks of each group of processors with one highest clock,
// where there is more than one group. The index is the group's processors.
func (s *sheet) groups(policies []policy, mhz func(string) reading) {
	by := map[rig.Value][]policy{}
	var order []rig.Value
	for _, p := range policies {
		if by[p.max.value] == nil {
			order = append(order, p.max.value)
		}
		by[p.max.value] = append(by[p.max.value], p)
	}
	if len(order) < 2 {
		return
	}
	for _, v := range order {
		group := by[v]
		var who processors
		for _, p := range group {
			who = append(who, p.who...)
		}
		index := sorted(who).String()
		s.put(keyOf("cpu.policy", index, "clock_max"), group[0].max)
		s.put(keyOf("cpu.policy", index, "clock_limit"), s.extreme(group, rig.Unread{}, "scaling_max_freq", mhz, math.Min))
		s.put(keyOf("cpu.policy", index, "governor"), s.ofAll(group, rig.Unread{}, "scaling_governor", s.file))
	}
}

// driverMode is how the clock driver works: active, passive, guided.
func (s *sheet) driverMode() reading {
	intel := s.file(cpuDir + "/intel_pstate/status")
	amd := s.file(cpuDir + "/amd_pstate/status")
	if text, ok := amd.value.Text(); ok {
		if core := s.file(cpuDir + "/amd_pstate/prefcore"); core.ok() {
			amd.value = rig.TextOf(text + ", preferred cores " + core.value.String())
		}
	}
	return firstOf(intel, amd)
}

// energyBias is the older hint: 0 for speed to 15 for saving.
func (s *sheet) energyBias() reading {
	var parts []part
	for _, n := range s.cpu.online {
		r := s.number(fmt.Sprintf("%s/cpu%d/power/energy_perf_bias", cpuDir, n), 1, 0, 15)
		if r.why.Reason == rig.Absent {
			return r
		}
		if r.ok() {
			r.value = rig.TextOf("bias " + r.value.String())
		}
		parts = append(parts, part{processors{n}, r})
	}
	return agree("/"+cpuDir+"/cpu*/power/energy_perf_bias", parts)
}

// turbo asks the driver, then the kernel's common switch, then each policy's.
func (s *sheet) turbo(policies []policy) reading {
	off := s.toggle(cpuDir + "/intel_pstate/no_turbo")
	if yes, ok := off.value.Truth(); ok {
		off.value = rig.TruthOf(!yes)
	}
	each := unread("/"+freqDir+"/policy*/boost", rig.Absent, "")
	if len(policies) > 0 {
		each = s.ofAll(policies, rig.Unread{}, "boost", s.toggle)
	}
	return firstOf(off, s.toggle(freqDir+"/boost"), each)
}

func (s *sheet) toggle(name string) reading {
	r := s.number(name, 1, 0, 1)
	if n, ok := r.value.Number(); ok {
		r = truthReading(r.source, n == 1)
	}
	return r
}

// nominalClock is the clock the firmware promises without turbo, in MHz.
func (s *sheet) nominalClock() reading {
	best := unread("/"+cpuDir+"/cpu*/acpi_cppc/nominal_freq", rig.Absent, "")
	for _, n := range s.cpu.online {
		r := s.number(fmt.Sprintf("%s/cpu%d/acpi_cppc/nominal_freq", cpuDir, n), 1, 1, clockCap)
		if !r.ok() {
			return r
		}
		a, _ := best.value.Number()
		if b, _ := r.value.Number(); b > a {
			best = r
		}
	}
	return best
}
