package probe

import (
	"maps"
	"strings"
	"testing"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/labtest/trees"
	"witnessmark/internal/rig"
)

// cpus gives files of a processor with n threads, two a core where smt is set.
func cpus(n int, smt bool) files {
	f := files{}
	last := processors{}
	for i := range n {
		last = append(last, i)
		siblings := processors{i}
		if smt {
			siblings = processors{i / 2 * 2, i/2*2 + 1}
		}
		dir := cpuDir + "/cpu" + processors{i}.String() + "/topology/"
		f[dir+"physical_package_id"], f[dir+"core_cpus_list"] = "0\n", siblings.String()+"\n"
	}
	f[cpuDir+"/present"], f[cpuDir+"/online"] = last.String()+"\n", last.String()+"\n"
	return f
}

func merged(all ...files) files {
	f := files{}
	for _, a := range all {
		maps.Copy(f, a)
	}
	return f
}

func TestTopology(t *testing.T) {
	for name, c := range map[string]struct {
		files files
		want  map[rig.Key]any
	}{
		"two threads a core":                 {cpus(8, true), map[rig.Key]any{"cpu.cores": 4, "cpu.threads": 8, "cpu.sockets": 1, "cpu.smt": "on", "cpu.offline": "none"}},
		"one thread a core, no word on more": {cpus(4, false), map[rig.Key]any{"cpu.cores": 4, "cpu.smt": rig.Unknown}},
		"kernel's word":                      {merged(cpus(4, false), files{cpuDir + "/smt/control": "forceoff\n"}), map[rig.Key]any{"cpu.smt": "forceoff"}},
		"two offline": {merged(cpus(4, false), files{cpuDir + "/present": "0-5\n", cpuDir + "/offline": "4-31\n"}),
			map[rig.Key]any{"cpu.offline": "4-5", "cpu.threads": 4, "cpu.cores": 4, "cpu.present": "0-5", "cpu.online": "0-3"}},
		"two sockets": {merged(cpus(4, false), files{cpuDir + "/cpu2/topology/physical_package_id": "1\n", cpuDir + "/cpu3/topology/physical_package_id": "1\n"}),
			map[rig.Key]any{"cpu.sockets": 2, "cpu.cores": 4}},
		"socket unknown to the kernel": {merged(cpus(1, false), files{cpuDir + "/cpu0/topology/physical_package_id": "-1\n"}), map[rig.Key]any{"cpu.sockets": rig.Unknown}},
		"old kernel": {files{cpuDir + "/online": "0-1\n", cpuDir + "/cpu0/topology/physical_package_id": "0\n", cpuDir + "/cpu0/topology/core_id": "0\n",
			cpuDir + "/cpu1/topology/physical_package_id": "0\n", cpuDir + "/cpu1/topology/core_id": "4\n"}, map[rig.Key]any{"cpu.cores": 2, "cpu.present": rig.Absent, "cpu.offline": rig.Absent}},
		"from cpuinfo": {files{"proc/cpuinfo": "processor\t: 0\nphysical id\t: 0\ncore id\t: 0\n\nprocessor\t: 1\nphysical id\t: 0\ncore id\t: 1\n\nprocessor\t: 2\nphysical id\t: 1\ncore id\t: 0\n\n"},
			map[rig.Key]any{"cpu.cores": 3, "cpu.sockets": 2, "cpu.threads": 3}},
		"nothing known":    {files{"proc/cpuinfo": "junk\n"}, map[rig.Key]any{"cpu.cores": rig.Absent, "cpu.threads": rig.Absent, "cpu.model": rig.Absent}},
		"lists of nothing": {files{cpuDir + "/isolated": "\n", cpuDir + "/nohz_full": "(null)\n"}, map[rig.Key]any{"cpu.isolated": "none", "cpu.nohz_full": "none"}},
		"junk in a list":   {files{cpuDir + "/online": "0-zz\n", cpuDir + "/isolated": "2-1"}, map[rig.Key]any{"cpu.online": rig.Implausible, "cpu.isolated": rig.Implausible, "cpu.threads": rig.Implausible}},
		"kinds by capacity": {merged(cpus(2, false), files{cpuDir + "/cpu0/cpu_capacity": "446\n", cpuDir + "/cpu1/cpu_capacity": "1024\n"}),
			map[rig.Key]any{"cpu.kinds": "capacity 1024 1, capacity 446 0", "cpu.kind[capacity 446].cores": 1}},
		"one kind by capacity": {merged(cpus(2, false), files{cpuDir + "/cpu0/cpu_capacity": "1024\n", cpuDir + "/cpu1/cpu_capacity": "1024\n"}), map[rig.Key]any{"cpu.kinds": "all alike"}},
		"one kind by counters": {merged(cpus(2, false), files{"sys/bus/event_source/devices/cpu/type": "4\n"}), map[rig.Key]any{"cpu.kinds": "all alike"}},
	} {
		t.Run(name, func(t *testing.T) {
			s := read(plant(t, c.files))
			wellFormed(t, s)
			want(t, s, c.want)
		})
	}
}

func TestProcessorIdentity(t *testing.T) {
	arm := dmi.Astrolabe()
	for name, c := range map[string]struct {
		files files
		want  map[rig.Key]any
	}{
		"mixed microcode": {files{"proc/cpuinfo": "processor: 0\nmicrocode: 0x17\n\nprocessor: 1\nmicrocode: 0x18\n\nprocessor: 2\nmicrocode: 0x17\n"}, map[rig.Key]any{"cpu.microcode": "0x17 0,2, 0x18 1"}},
		"no such lines":   {files{"proc/cpuinfo": "processor: 0\nFeatures: fp\n"}, map[rig.Key]any{"cpu.microcode": rig.Absent, "cpu.model": rig.Absent, "machine.virtual": rig.Unknown}},
		"microcode in sysfs": {files{"proc/cpuinfo": "processor: 0\n", cpuDir + "/online": "0\n", cpuDir + "/cpu0/microcode/version": "0x2f\n"},
			map[rig.Key]any{"cpu.microcode": "0x2f"}},
		"arm by table":     {files{"proc/cpuinfo": "processor: 0\n", tableFile: string(arm.Table())}, map[rig.Key]any{"cpu.model": "Sextant 6 Model 610"}},
		"arm by register":  {files{cpuDir + "/cpu0/regs/identification/midr_el1": "0x00000000413fd0c1\n"}, map[rig.Key]any{"cpu.model": "MIDR 0x00000000413fd0c1"}},
		"stepping unknown": {files{"proc/cpuinfo": "processor: 0\nstepping: unknown\ncpu family: 6\n"}, map[rig.Key]any{"cpu.stepping": rig.Unknown, "cpu.family": 6}},
		"guest by flag":    {files{"proc/cpuinfo": "processor: 0\nflags: fpu hypervisor\n"}, map[rig.Key]any{"machine.virtual": true}},
		"no guest":         {files{"proc/cpuinfo": "processor: 0\nflags: fpu hypervisory\n"}, map[rig.Key]any{"machine.virtual": false}},
		"guest by kernel":  {files{"proc/cpuinfo": "processor: 0\nflags: fpu\n", "sys/hypervisor/type": "xen\n"}, map[rig.Key]any{"machine.virtual": true}},
		"guest by tree":    {files{"proc/device-tree/hypervisor/compatible": "kvm\x00"}, map[rig.Key]any{"machine.virtual": true}},
		"no word":          {files{}, map[rig.Key]any{"machine.virtual": rig.Absent}},
	} {
		t.Run(name, func(t *testing.T) { want(t, read(plant(t, c.files)), c.want) })
	}
}

func TestGuestByTheTablesWord(t *testing.T) {
	m := dmi.Astrolabe()
	table := m.Table()
	table[0x13] |= 1 << 4 // the first structure is type 0
	want(t, read(plant(t, files{tableFile: string(table)})), map[rig.Key]any{"machine.virtual": true})
}

func TestClocks(t *testing.T) {
	policy := func(n, who, governor, max, limit string) files {
		dir := freqDir + "/policy" + n + "/"
		return files{dir + "affected_cpus": who + "\n", dir + "related_cpus": who + "\n", dir + "scaling_governor": governor + "\n",
			dir + "cpuinfo_max_freq": max + "\n", dir + "cpuinfo_min_freq": "800000\n", dir + "scaling_max_freq": limit + "\n", dir + "scaling_min_freq": "800000\n"}
	}
	fast, slow := policy("0", "0 1 2 3", "performance", "5000000", "5000000"), policy("4", "4 5", "powersave", "3800000", "3800000")
	for name, c := range map[string]struct {
		files files
		want  map[rig.Key]any
	}{
		"two kinds": {merged(fast, slow), map[rig.Key]any{"cpu.governor": "performance 0-3, powersave 4-5", "cpu.clock_max": 5000, "cpu.clock_limit": 5000,
			"cpu.policy[0-3].governor": "performance", "cpu.policy[4-5].clock_limit": 3800, "cpu.clock_firmware_limit": rig.Absent}},
		"slow kind held down":            {merged(fast, policy("4", "4 5", "powersave", "3800000", "1200000")), map[rig.Key]any{"cpu.clock_limit": 5000, "cpu.policy[4-5].clock_limit": 1200, "cpu.policy[4-5].clock_max": 3800}},
		"one of the fast ones held down": {merged(fast, policy("4", "4 5", "performance", "5000000", "2200000")), map[rig.Key]any{"cpu.clock_limit": 2200, "cpu.clock_max": 5000, "cpu.governor": "performance"}},
		"policy without processors": {merged(fast, slow, files{freqDir + "/policy4/affected_cpus": "\n", freqDir + "/policy4/scaling_governor": "|"}),
			map[rig.Key]any{"cpu.governor": "performance", "cpu.clock_max": 5000}},
		"one cannot be read":  {merged(fast, slow, files{freqDir + "/policy4/scaling_governor": "|"}), map[rig.Key]any{"cpu.governor": rig.Refused}},
		"beyond belief":       {policy("0", "0", "performance", "99999999", "0"), map[rig.Key]any{"cpu.clock_max": rig.Implausible, "cpu.clock_limit": rig.Implausible}},
		"no clocks":           {files{freqDir + "/": ""}, map[rig.Key]any{"cpu.clock_max": rig.Absent, "cpu.governor": rig.Absent, "cpu.turbo": rig.Absent}},
		"turbo off, intel":    {files{cpuDir + "/intel_pstate/no_turbo": "1\n"}, map[rig.Key]any{"cpu.turbo": false}},
		"turbo on, intel":     {files{cpuDir + "/intel_pstate/no_turbo": "0\n", freqDir + "/boost": "0\n"}, map[rig.Key]any{"cpu.turbo": true}},
		"turbo off, common":   {merged(fast, files{freqDir + "/boost": "0\n"}), map[rig.Key]any{"cpu.turbo": false}},
		"turbo, each":         {merged(fast, slow, files{freqDir + "/policy0/boost": "1\n", freqDir + "/policy4/boost": "1\n"}), map[rig.Key]any{"cpu.turbo": true}},
		"turbo, mixed":        {merged(fast, slow, files{freqDir + "/policy0/boost": "1\n", freqDir + "/policy4/boost": "0\n"}), map[rig.Key]any{"cpu.turbo": "yes 0-3, no 4-5"}},
		"turbo, junk":         {files{freqDir + "/boost": "2\n"}, map[rig.Key]any{"cpu.turbo": rig.Implausible}},
		"mode with preferred": {files{cpuDir + "/amd_pstate/status": "active\n", cpuDir + "/amd_pstate/prefcore": "enabled\n"}, map[rig.Key]any{"cpu.clock_driver_mode": "active, preferred cores enabled"}},
		"bias":                {merged(cpus(2, false), files{cpuDir + "/cpu0/power/energy_perf_bias": "6\n", cpuDir + "/cpu1/power/energy_perf_bias": "6\n"}), map[rig.Key]any{"cpu.energy_preference": "bias 6"}},
		"promised clock":      {merged(cpus(2, false), files{cpuDir + "/cpu0/acpi_cppc/nominal_freq": "3400\n", cpuDir + "/cpu1/acpi_cppc/nominal_freq": "3700\n"}), map[rig.Key]any{"cpu.clock_base": 3700}},
	} {
		t.Run(name, func(t *testing.T) {
			s := read(plant(t, c.files))
			wellFormed(t, s)
			want(t, s, c.want)
		})
	}
}

func TestIdleAndThrottle(t *testing.T) {
	state := func(cpu, n, name, disabled string) files {
		dir := cpuDir + "/cpu" + cpu + "/cpuidle/state" + n + "/"
		return files{dir + "name": name + "\n", dir + "disable": disabled + "\n"}
	}
	both := merged(cpus(2, false), state("0", "0", "POLL", "0"), state("0", "10", "C6", "0"), state("0", "2", "C1", "0"), state("1", "0", "POLL", "0"), state("1", "2", "C1", "0"), state("1", "10", "C6", "1"))
	want(t, read(plant(t, both)), map[rig.Key]any{"cpu.idle_states": "POLL, C1, C6 0, POLL, C1, C6 (disabled) 1", "cpu.throttle_count": rig.Absent})

	throttle := func(cpu, core, socket string) files {
		dir := cpuDir + "/cpu" + cpu + "/thermal_throttle/"
		return files{dir + "core_throttle_count": core + "\n", dir + "package_throttle_count": socket + "\n"}
	}
	threads := merged(cpus(4, true), throttle("0", "5", "7"), throttle("1", "5", "7"), throttle("2", "3", "7"), throttle("3", "3", "7"))
	want(t, read(plant(t, threads)), map[rig.Key]any{"cpu.throttle_count": 5 + 3 + 7})
	some := merged(cpus(4, true), files{cpuDir + "/cpu0/thermal_throttle/package_throttle_count": "17\n"})
	want(t, read(plant(t, some)), map[rig.Key]any{"cpu.throttle_count": 17})
	damaged := merged(some, files{cpuDir + "/cpu2/thermal_throttle/core_throttle_count": "many\n"})
	want(t, read(plant(t, damaged)), map[rig.Key]any{"cpu.throttle_count": rig.Implausible})
}

// Kernels before 4.3 have the policies below the processors, and so may a tree
// that somebody put together.
func TestPoliciesBelowProcessors(t *testing.T) {
	policy := func(cpu, governor, max, related string) files {
		dir := cpuDir + "/cpu" + cpu + "/cpufreq/"
		return files{dir + "scaling_governor": governor + "\n", dir + "cpuinfo_max_freq": max + "\n", dir + "related_cpus": related + "\n", dir + "boost": "1\n"}
	}
	four := merged(cpus(4, false), policy("0", "performance", "4200000", "0 1"), policy("1", "performance", "4200000", "0 1"), policy("2", "powersave", "2900000", "2 3"), policy("3", "powersave", "2900000", "2 3"))
	want(t, read(plant(t, four)), map[rig.Key]any{"cpu.governor": "performance 0-1, powersave 2-3", "cpu.clock_max": 4200, "cpu.turbo": true, "cpu.policy[2-3].clock_max": 2900})
	s := read(plant(t, merged(cpus(1, false), policy("0", "performance", "4200000", "0"))))
	if f, _ := s.Find("cpu.clock_limit"); f.Source != "/"+cpuDir+"/cpu0/cpufreq/scaling_max_freq" {
		t.Errorf("the limit is read from %s", f.Source)
	}
	want(t, read(plant(t, files{cpuDir + "/cpu0/cpufreq/": ""})), map[rig.Key]any{"cpu.governor": rig.Absent, "cpu.clock_max": rig.Absent})
}

func TestPowerZones(t *testing.T) {
	const dir = "sys/class/powercap/"
	zone := func(name, title, word, uw string) files {
		d := dir + name + "/"
		return files{d + "name": title + "\n", d + "constraint_0_name": word + "\n", d + "constraint_0_power_limit_uw": uw + "\n", d + "constraint_0_time_window_us": "28000000\n"}
	}
	s := read(plant(t, zone("intel-rapl:0", "package-0", "long_term", "65000000"), zone("intel-rapl:0:0", "core", "long_term", "0"), zone("intel-rapl-mmio:0", "package-0", "long_term", "45000000")))
	want(t, s, map[rig.Key]any{"cpu.power_limit[package-0 long_term]": 65, "cpu.power_window[package-0 long_term]": 28,
		"cpu.power_limit[package-0/core long_term]": rig.Implausible, "cpu.power_limit[intel-rapl-mmio package-0 long_term]": 45})
}

func TestMitigations(t *testing.T) {
	const dir = cpuDir + "/vulnerabilities/"
	s := read(plant(t, files{dir + "a": "Mitigation: x\n", dir + "b": "Not affected\n", dir + "c": "KVM: Mitigation: VMX disabled\n",
		dir + "d": "Vulnerable\n", dir + "e": "Unknown: Dependent on hypervisor status\n", dir + "f": "Processor vulnerable\n"}))
	want(t, s, map[rig.Key]any{"kernel.mitigations": "Mitigation: 2, Not affected: 1, Vulnerable: 1 (d), Unknown: 1 (e), Other: 1 (f)", "cpu.vulnerability[d]": "Vulnerable"})
	want(t, read(plant(t, files{dir + "a": "|"})), map[rig.Key]any{"kernel.mitigations": rig.Refused})
}

func TestFirmwareFallsBackOnTheTable(t *testing.T) {
	r := trees.Heron()
	tree := trees.Of(r)
	for name := range tree.Files {
		if strings.Contains(name, "/dmi/id/") {
			delete(tree.Files, name)
		}
	}
	dir := t.TempDir()
	if err := tree.Write(dir); err != nil {
		t.Fatal(err)
	}
	whole, table := read(plantRig(t, r)), read(open(t, dir))
	for _, k := range []rig.Key{"firmware.maker", "firmware.version", "firmware.date", "firmware.release", "machine.maker", "machine.model", "machine.serial", "machine.uuid",
		"board.maker", "board.model", "board.revision", "board.serial"} {
		a, _ := whole.Find(k)
		b, _ := table.Find(k)
		if !a.Read() || a.Value != b.Value || a.Source == b.Source {
			t.Errorf("%s is %v from %s and %v from %s", k, a, a.Source, b, b.Source)
		}
	}
}

func TestFirmwareTexts(t *testing.T) {
	const id = "sys/class/dmi/id/"
	want(t, read(plant(t, files{id + "board_name": "To Be Filled By O.E.M.\n", id + "board_vendor": "Default string\n", id + "product_uuid": "6F1D02C4-5A77-4E10-9B3E-51208C44D90B\n",
		"proc/device-tree/model": "Sundial Board 4\x00", "sys/firmware/devicetree/": ""})),
		map[rig.Key]any{"board.model": rig.Unknown, "board.maker": rig.Unknown, "machine.uuid": hash([]byte("6f1d02c4-5a77-4e10-9b3e-51208c44d90b")), "machine.model": "Sundial Board 4", "firmware.mode": "device tree"})
	want(t, read(plant(t, files{"sys/firmware/acpi/": ""})), map[rig.Key]any{"firmware.mode": "legacy", "firmware.secure_boot": rig.Absent})
	want(t, read(plant(t, files{"sys/firmware/memmap/": ""})), map[rig.Key]any{"firmware.mode": rig.Unknown})
	want(t, read(plant(t, files{tableFile: "\x7f\x04\x00\x00\x00\x00"})), map[rig.Key]any{"firmware.mode": rig.Unknown})
	want(t, read(plant(t, files{id + "bios_version": "\xff\xfe\x00\n"})), map[rig.Key]any{"firmware.version": rig.Implausible})
	const boot = "sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c"
	want(t, read(plant(t, files{boot: "\x06\x00\x00\x00\x01"})), map[rig.Key]any{"firmware.mode": "UEFI", "firmware.secure_boot": true})
	want(t, read(plant(t, files{boot: "\x06\x00\x00"})), map[rig.Key]any{"firmware.secure_boot": rig.Implausible})
}

func TestKernelFacts(t *testing.T) {
	want(t, read(plant(t, files{
		"proc/cmdline": "BOOT_IMAGE=/boot/vmlinuz root=UUID=2f3a1c44-9d0e-4b6a-8f11-0c5d7e6a9b20 ro resume=UUID=2f3a1c44-9d0e-4b6a-8f11-0c5d7e6a9b20 ifname=e:52:54:00:12:34:56 mitigations=off isolcpus=2-3 -- --own",
		"proc/version": "Linux version 6.1.0-9 (b@c) (cc 12) #1 SMP PREEMPT_RT Dome\n", "usr/lib/os-release": "NAME='Dome Linux'\nVERSION=\"9 (Apsis)\"\n",
		"proc/sys/kernel/tainted": "4097\n", "proc/uptime": "5412.37 21000.00\n", "sys/kernel/debug/sched/preempt": "none voluntary (full)\n",
		"sys/module/pcie_aspm/parameters/policy": "default [performance] powersave \n",
	})), map[rig.Key]any{"kernel.command_line": "isolcpus=2-3 mitigations=off ro", "kernel.release": "6.1.0-9", "kernel.preemption": "PREEMPT_RT full", "os.name": "Dome Linux", "os.version": "9 (Apsis)",
		"kernel.taint": 4097, "kernel.uptime": 5412.37, "link.power_saving": "performance"})
	want(t, read(plant(t, files{"proc/cmdline": "\n", "proc/version": "Linux version 6.1 (b) #1 SMP\n"})), map[rig.Key]any{"kernel.command_line": "none", "kernel.preemption": "PREEMPT not built in"})
}

func TestMemoryLines(t *testing.T) {
	for text, facts := range map[string]map[rig.Key]any{
		"MemTotal: 16252928 kB\nMemAvailable: 1048576 kB\nSwapTotal: 2048 kB\nSwapFree: 1024 kB\n": {"memory.total": 15872, "memory.available": 1024, "memory.swap_total": 2, "memory.swap_used": 1},
		"MemTotal: 16252928 kB\n":                {"memory.total": 15872, "memory.available": rig.Absent, "memory.swap_total": rig.Absent, "memory.swap_used": rig.Absent},
		"MemTotal: 0 kB\n":                       {"memory.total": rig.Implausible},
		"MemTotal: many kB\n":                    {"memory.total": rig.Implausible},
		"MemTotal: 16 MB\n":                      {"memory.total": rig.Implausible},
		"SwapTotal: 1 kB\nSwapFree: 2048 kB\n":   {"memory.swap_used": rig.Implausible},
		"MemTotal: 99999999999999999999999 kB\n": {"memory.total": rig.Implausible},
	} {
		want(t, read(plant(t, files{"proc/meminfo": text})), facts)
	}
	huge := "sys/kernel/mm/hugepages/hugepages-"
	want(t, read(plant(t, files{huge + "2048kB/nr_hugepages": "512\n", huge + "1048576kB/nr_hugepages": "0\n", "sys/kernel/mm/transparent_hugepage/enabled": "always never\n"})),
		map[rig.Key]any{"memory.huge_pages": "2048kB: 512", "memory.transparent_huge_pages": rig.Implausible})
}

func TestSleepingDevicesAreLeftAlone(t *testing.T) {
	const dir = "sys/class/hwmon/hwmon0/"
	f := files{dir + "name": "amdgpu\n", dir + "temp1_input": "41000\n", dir + "fan1_input": "900\n", dir + "device/power/runtime_status": "suspended\n"}
	want(t, read(plant(t, f)), map[rig.Key]any{"temperature[amdgpu temp1]": rig.Refused, "fan[amdgpu fan1]": rig.Refused})
	f[dir+"device/power/runtime_status"] = "active\n"
	want(t, read(plant(t, f)), map[rig.Key]any{"temperature[amdgpu temp1]": 41, "fan[amdgpu fan1]": 900})
}

func TestLoadFromTwoSamples(t *testing.T) {
	stat := func(user, idle string) string {
		return "cpu  " + user + " 0 0 " + idle + " 0 0 0 0 0 0\nctxt 77\nintr 9 1 2\n"
	}
	proc := func(name, ticks string) string {
		return "7 (" + name + ") S 1 7 7 0 -1 0 0 0 0 0 " + ticks + " 0 0 0 20 0 1 0 5 0 0"
	}
	f := files{"proc/stat": stat("100", "1000"), "proc/stat.later": stat("150", "1150"), "proc/loadavg": "0.50 0.1 0.1 2/231 4711\n",
		"proc/7/stat": proc("tar", "10"), "proc/7/stat.later": proc("tar", "40"), "proc/8/stat": proc("tar", "0"), "proc/8/stat.later": proc("tar", "10"),
		"proc/9/stat": proc("gone", "5"), "proc/10/stat": proc("old name", "5"), "proc/10/stat.later": proc("new name", "50"),
		"proc/pressure/cpu": "some avg10=0.00 avg60=0.00 avg300=0.00 total=7301442\nfull avg10=0.00 total=5\n", "proc/pressure/io": "full total=3\n"}
	want(t, read(plant(t, f)), map[rig.Key]any{"load.idle_before": 75, "load.busiest": "tar 20.0 %", "load.average": 0.5, "load.processes": 231,
		"load.context_switches": 77, "load.interrupts": 9, "pressure[cpu].stalled": 7301442, "pressure[io].stalled": rig.Absent})
	f["proc/stat.later"] = f["proc/stat"]
	want(t, read(plant(t, f)), map[rig.Key]any{"load.idle_before": rig.Refused, "load.busiest": rig.Refused})
	f["proc/stat.later"] = "cpu  1 2\n"
	want(t, read(plant(t, f)), map[rig.Key]any{"load.idle_before": rig.Implausible})
	delete(f, "proc/stat.later")
	f["proc/loadavg"] = ""
	want(t, read(plant(t, f)), map[rig.Key]any{"load.idle_before": rig.Absent, "load.average": rig.Implausible})
}

func TestAskedAtTheCapture(t *testing.T) {
	want(t, read(plant(t, files{"asked/adjtimex": "synchronised=0 maxerror_us=16000000 offset_us=-2.5", "asked/diskfree": "1572864"})),
		map[rig.Key]any{"clock.synchronised": false, "clock.error_max": 16e6, "clock.offset": -2.5, "disk.free": 1.5})
	want(t, read(plant(t, files{"asked/adjtimex": "no", "asked/diskfree": "-1"})), map[rig.Key]any{"clock.synchronised": rig.Implausible, "disk.free": rig.Implausible})
}
