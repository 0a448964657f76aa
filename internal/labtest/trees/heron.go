package trees

import (
	"fmt"

	"witnessmark/internal/labtest/dmi"
)

const mib = 1 << 20

// Heron returns a desktop machine in order: four cores, two
// DDR4 modules on two channels at the 3200 MT/s they are rated for, a graphics
// card on sixteen lanes, everything readable.
func Heron() Rig {
	m := dmi.Astrolabe()
	m.Processors = []dmi.Processor{{Socket: "CPU0", Maker: "Sextant Devices", Version: "Sextant 4 Model 440", Serial: "SX-44017", Part: "SX440",
		Cores: 4, Enabled: 4, Threads: 4, MaxMHz: 4200, CurrentMHz: 3400}}
	return Rig{
		Host: "heron", Firmware: &m, UEFI: true,
		CPU:    heronCPU(),
		Memory: Memory{TotalKiB: 16_253_104, AvailableKiB: 15_102_888, SwapKiB: 2_097_148},
		System: domeLinux("1d3b7c88-64f2-4d0a-9a55-b2a3d1d9c001", "7be0a54cc3f14f1c9a2f0d6a4a1c1001"),
		Chips: []Chip{
			{Name: "acpitz", Dir: "virtual/thermal/thermal_zone0", Inputs: []Input{{Stem: "temp1", Value: 27_800}}},
			{Name: "nvme", Dir: "pci0000:00/0000:00:06.0/0000:02:00.0/nvme/nvme0", Inputs: []Input{{Stem: "temp1", Label: "Composite", Value: 38_850, Max: 81_850, Crit: 84_850}}},
			{Name: "nct6798", Dir: "platform/nct6775.656/hwmon", Inputs: []Input{
				{Stem: "temp1", Label: "SYSTIN", Value: 31_000, Max: 80_000}, {Stem: "temp2", Label: "AUXTIN0", Value: -64_000},
				{Stem: "fan1", Value: 0}, {Stem: "fan2", Value: 1184}}},
			coretemp(41_000, 4),
			{Name: "amdgpu", Dir: "pci0000:00/0000:00:01.0/0000:01:00.0/hwmon", Files: map[string]any{"power1_cap": 220_000_000, "power1_average": 14_000_000, "freq1_input": 500_000_000, "freq1_label": "sclk"},
				Inputs: []Input{{Stem: "temp1", Label: "edge", Value: 39_000, Crit: 100_000}, {Stem: "temp2", Label: "junction", Value: 42_000, Crit: 110_000}, {Stem: "fan1", Value: 0}}},
		},
		Zones: []Zone{
			{Type: "acpitz", Device: "LNXSYSTM:00/LNXSYBUS:01/LNXTHERM:00", Temp: 27_800, Trips: []Trip{{"critical", 119_000}}},
			{Type: "x86_pkg_temp", Temp: 41_000},
		},
		Cooling:  append(processors(4), Cooling{Type: "intel_powerclamp", State: -1, Max: 50}),
		Energy:   []Domain{{Path: "intel-rapl:0", Name: "package-0", Microjoules: 91_204_118_021, Limits: []PowerLimit{{"long_term", 65_000_000, 27_983_872}, {"short_term", 120_000_000, 2_440}}}, {Path: "intel-rapl:0/intel-rapl:0:0", Name: "core", Microjoules: 40_118_300_112}},
		Devices:  heronDevices(),
		Cards:    []Card{heronCard("0000:00:01.0/0000:01:00.0")},
		Drives:   []Drive{{Device: "0000:00:06.0/0000:02:00.0", Model: "Almanac Drive 1T", Firmware: "AD1.07", Serial: "AL00918", Scheduler: "[none] mq-deadline", Sectors: 1_953_525_168}},
		Networks: []Network{{Device: "0000:00:1c.0/0000:03:00.0", Name: "enp3s0", Mbps: 1000}},
	}
}

func heronCPU() CPU {
	return CPU{
		Vendor: "SextantDevcs", Model: "Sextant 4 Model 440", Family: 6, ModelNumber: 201, Stepping: 2, Microcode: "0x2f",
		Flags: "fpu tsc msr apic sse sse2 ht lm constant_tsc nonstop_tsc aperfmperf sse4_1 sse4_2 avx avx2",
		Kinds: []Kind{{Cores: 4, Threads: 1, L1d: 32, L1i: 32, L2: 512, MaxKHz: 4_200_000, BaseKHz: 3_400_000}},
		L3:    8192, SMT: "notsupported",
		Clocks: &Clocks{Driver: "intel_pstate", Governor: "performance", Preference: "performance", MinKHz: 800_000, CurrentKHz: 4_190_000,
			Mode: "intel_pstate", Settings: map[string]any{"status": "active", "no_turbo": 0, "max_perf_pct": 100, "min_perf_pct": 19}},
		Throttle: &Throttle{}, Idle: []string{"POLL", "C1E", "C6"}, IdleDriver: "intel_idle",
		Vulnerabilities: weaknesses("Mitigation: PTI"),
	}
}

func weaknesses(meltdown string) map[string]string {
	return map[string]string{
		"meltdown": meltdown, "mds": "Not affected", "retbleed": "Not affected", "gather_data_sampling": "Vulnerable: No microcode",
		"spectre_v1": "Mitigation: usercopy/swapgs barriers and __user pointer sanitization",
		"spectre_v2": "Mitigation: Enhanced / Automatic IBRS; IBPB: conditional; RSB filling; PBRSB-eIBRS: Not affected; BHI: Not affected",
	}
}

func domeLinux(boot, machine string) System {
	return System{
		Release: "6.12.40-dome", Build: "#1 SMP PREEMPT_DYNAMIC Dome 6.12.40-1 (2031-02-11)", OS: "Dome Linux", OSVersion: "9",
		CommandLine: "BOOT_IMAGE=/boot/vmlinuz-6.12.40-dome root=UUID=4a1c0d3e-0000-4000-8000-00000000d0e1 ro quiet",
		Clocksource: "tsc", Clocksources: "tsc hpet acpi_pm", THP: "always [madvise] never", THPDefrag: "always defer defer+madvise [madvise] never",
		BootID: boot, MachineID: machine, Uptime: 5412.37, Load: 0.08, Tasks: 231, LinkPolicy: "[default] performance powersave powersupersave",
	}
}

// coretemp is the processor's own sensor: the package and each core.
func coretemp(milli, cores int) Chip {
	c := Chip{Name: "coretemp", Dir: "platform/coretemp.0/hwmon"}
	for i := range cores + 1 {
		label := "Package id 0"
		if i > 0 {
			label = fmt.Sprintf("Core %d", i-1)
		}
		c.Inputs = append(c.Inputs, Input{Stem: fmt.Sprintf("temp%d", i+1), Label: label, Value: milli - 1000*(i%3), Max: 80_000, Crit: 100_000})
	}
	return c
}

// processors are the kernel's cooling devices, one a processor.
func processors(n int) []Cooling {
	var all []Cooling
	for range n {
		all = append(all, Cooling{Type: "Processor", Max: 3})
	}
	return all
}

func heronDevices() []Device {
	gen4 := func(width int) *Link { return &Link{"16.0 GT/s PCIe", "16.0 GT/s PCIe", width, width} }
	return []Device{
		{Path: "0000:00:00.0", Class: 0x060000, Vendor: 0x5F01, ID: 0x4660},
		{Path: "0000:00:01.0", Class: 0x060400, Vendor: 0x5F01, ID: 0x4601, Driver: "pcieport", Link: gen4(16), Errors: &Errors{}},
		{Path: "0000:00:01.0/0000:01:00.0", Class: 0x030000, Vendor: 0x5F0A, ID: 0x7340, SubVendor: 0x5F20, SubID: 0x0914, Revision: 0xC1, Driver: "amdgpu", Link: gen4(16), Errors: &Errors{},
			Apertures: []uint64{8192 * mib, 0, 2 * mib, 0, 0, mib}},
		{Path: "0000:00:06.0", Class: 0x060400, Vendor: 0x5F01, ID: 0x464D, Driver: "pcieport", Link: gen4(4)},
		{Path: "0000:00:06.0/0000:02:00.0", Class: 0x010802, Vendor: 0x5F31, ID: 0xA80A, Driver: "nvme", DriverVersion: "1.0", Link: gen4(4)},
		{Path: "0000:00:1c.0", Class: 0x060400, Vendor: 0x5F01, ID: 0x7AB8, Driver: "pcieport", Link: &Link{"5.0 GT/s PCIe", "8.0 GT/s PCIe", 1, 1}},
		{Path: "0000:00:1c.0/0000:03:00.0", Class: 0x020000, Vendor: 0x5F42, ID: 0x8125, Driver: "r8169", Link: &Link{"5.0 GT/s PCIe", "5.0 GT/s PCIe", 1, 1}},
	}
}

func heronCard(device string) Card {
	return Card{
		Device: device,
		Files: map[string]any{"vbios_version": "OR-7340-014", "mem_info_vram_total": 8192 * mib, "gpu_busy_percent": 0, "power_dpm_force_performance_level": "auto",
			"pp_dpm_sclk": "0: 500Mhz *\n1: 2400Mhz", "pp_dpm_mclk": "0: 96Mhz *\n1: 875Mhz"},
		Outputs: []Output{
			{Name: "DP-1", Status: "connected", Modes: []string{"2560x1440", "1920x1080"}, EDID: edid(0x2714, "DOME PANEL")},
			{Name: "HDMI-A-1", Status: "disconnected"},
		},
	}
}
