package trees

import "witnessmark/internal/labtest/dmi"

// Hidden returns a plain virtual machine: no firmware tables, no sensors, no
// clocks, no link and no pressure can be read.
func Hidden() Rig {
	s := domeLinux("99d05a11-3c1f-4f6b-8a55-0d6be1a94410", "0c55d7ea8d5144d6a3a2f3f2f04a4002")
	s.Clocksource, s.Clocksources, s.LinkPolicy, s.NoPressure = "kvm-clock", "kvm-clock tsc acpi_pm", "", true
	cpu := heronCPU()
	cpu.Model, cpu.Microcode, cpu.SMT, cpu.IdleDriver, cpu.Idle = "Sextant Virtual Processor", "0x1", "notsupported", "", nil
	cpu.Flags += " hypervisor"
	cpu.Clocks, cpu.Throttle = nil, nil
	cpu.Kinds = []Kind{{Cores: 4, Threads: 1, L1d: 32, L1i: 32, L2: 512, BaseKHz: 3_400_000}}
	return Rig{
		Host: "hidden", CPU: cpu, System: s, Memory: Memory{TotalKiB: 8_142_220, AvailableKiB: 7_700_100},
		Devices: []Device{
			{Path: "0000:00:00.0", Class: 0x060000, Vendor: 0x5F01, ID: 0x1237},
			{Path: "0000:00:03.0", Class: 0x020000, Vendor: 0x5FF0, ID: 0x1000, Driver: "virtio-pci"},
		},
	}
}

// Plover returns a small machine in order, with two kinds of cores: a large
// one of two threads and four small ones, graphics on the processor.
func Plover() Rig {
	m := dmi.Astrolabe()
	m.Firmware = dmi.Firmware{Maker: "Orbital Firmware", Version: "2.07", Date: "06/30/2031", Major: 2, Minor: 7, ECMajor: 1, ECMinor: 9}
	m.System = dmi.System{Maker: "Armillary Systems", Product: "Field Station", Version: "B", Serial: "FS-000051", SKU: "FS-B", Family: "Field", UUID: [16]byte{0x11, 0x71, 0xA0, 5: 0x42, 8: 0x80, 15: 0x51}}
	m.Board = dmi.Board{Maker: "Armillary Systems", Product: "Sundial M2", Version: "Rev 2.00", Serial: "SM2-000811"}
	m.Processors = []dmi.Processor{{Socket: "CPU0", Maker: "Sextant Devices", Version: "Sextant Duo 14", Cores: 5, Enabled: 5, Threads: 6, MaxMHz: 5000, CurrentMHz: 2100}}
	m.Slots = nil
	module := dmi.MeridianDDR5()
	module.Form, module.Part, module.RatedMTs, module.ConfiguredMTs, module.ConfiguredMV = 0x0D, "MM5-4800-16S", 4800, 4800, 1100
	m.Modules = dmi.Fill(2, 2, module)
	s := domeLinux("2fe7b3cd-1a20-44c9-b6f7-7a0e4de0f203", "a8e2f64d5b1c4c0d8f0b7de3d3f0b003")
	s.Profile = "balanced"
	return Rig{
		Host: "plover", Firmware: &m, UEFI: true, CPU: ploverCPU(), System: s,
		Memory: Memory{TotalKiB: 32_610_448, AvailableKiB: 31_002_816, SwapKiB: 2_097_148},
		Chips: []Chip{
			coretemp(46_000, 5),
			{Name: "nvme", Dir: "pci0000:00/0000:00:06.0/0000:01:00.0/nvme/nvme0", Inputs: []Input{{Stem: "temp1", Label: "Composite", Value: 41_850, Max: 82_850, Crit: 86_850}}},
		},
		Zones:   []Zone{{Type: "x86_pkg_temp", Temp: 46_000}},
		Cooling: processors(6),
		Energy:  []Domain{{Path: "intel-rapl:0", Name: "package-0", Microjoules: 20_118_442_010, Limits: []PowerLimit{{"long_term", 28_000_000, 27_983_872}, {"short_term", 64_000_000, 2_440}}}},
		Devices: []Device{
			{Path: "0000:00:00.0", Class: 0x060000, Vendor: 0x5F01, ID: 0xA706},
			{Path: "0000:00:02.0", Class: 0x030000, Vendor: 0x5F01, ID: 0xA7A0, Driver: "i915", Apertures: []uint64{16 * mib, 0, 256 * mib}},
			{Path: "0000:00:06.0", Class: 0x060400, Vendor: 0x5F01, ID: 0xA74D, Driver: "pcieport", Link: &Link{"16.0 GT/s PCIe", "16.0 GT/s PCIe", 4, 4}},
			{Path: "0000:00:06.0/0000:01:00.0", Class: 0x010802, Vendor: 0x5F31, ID: 0xA80B, Driver: "nvme", DriverVersion: "1.0", Link: &Link{"16.0 GT/s PCIe", "16.0 GT/s PCIe", 4, 4}},
		},
		Cards:  []Card{{Device: "0000:00:02.0", Outputs: []Output{{Name: "eDP-1", Status: "connected", Modes: []string{"1920x1200"}, EDID: edid(0x1312, "FIELD PANEL")}}}},
		Drives: []Drive{{Device: "0000:00:06.0/0000:01:00.0", Model: "Almanac Drive 512", Firmware: "AD2.00", Serial: "AL01377", Scheduler: "[none] mq-deadline", Sectors: 1_000_215_216}},
	}
}

func ploverCPU() CPU {
	c := heronCPU()
	c.Model, c.ModelNumber, c.Stepping, c.Microcode, c.L3 = "Sextant Duo 14", 218, 1, "0x4119", 12_288
	c.Kinds = []Kind{
		{Name: "cpu_core", Cores: 1, Threads: 2, L1d: 48, L1i: 32, L2: 1280, MaxKHz: 5_000_000, BaseKHz: 2_100_000, Capacity: 1024},
		{Name: "cpu_atom", Cores: 4, Threads: 1, L1d: 32, L1i: 64, L2: 2048, L2Cores: 4, MaxKHz: 3_800_000, BaseKHz: 1_500_000, Capacity: 638},
	}
	c.SMT, c.Idle = "on", []string{"POLL", "C1E"}
	c.Clocks.Governor, c.Clocks.Preference, c.Clocks.MinKHz, c.Clocks.CurrentKHz = "powersave", "balance_performance", 400_000, 2_100_000
	return c
}

// Avocet returns a second desktop machine in order that differs from Heron in
// every part: six cores, DDR5 with error correction, a card behind a bridge of
// its own whose link rests at its lowest speed while idle.
func Avocet() Rig {
	m := dmi.Astrolabe()
	m.Firmware = dmi.Firmware{Maker: "Zenith Firmware", Version: "F7b", Date: "01/19/2032", Major: 5, Minor: 35, ECMajor: 0xFF, ECMinor: 0xFF}
	m.System = dmi.System{Maker: "Equatorial Boards", Product: "Default string", Serial: "Default string"}
	m.Board = dmi.Board{Maker: "Equatorial Boards", Product: "Gnomon B2", Version: "x.x", Serial: "EQ-20771"}
	m.Processors = []dmi.Processor{{Socket: "SOCKET0", Maker: "Quadrant", Version: "Quadrant 6 Model 9600", Cores: 6, Enabled: 6, Threads: 6, MaxMHz: 5200, CurrentMHz: 3900}}
	m.Slots = nil
	m.Array.ECC = 5
	module := dmi.MeridianDDR5()
	module.TotalBits = 72
	m.Modules = dmi.Fill(4, 2, module)
	s := domeLinux("e41c9d70-5f4e-4a8a-9f29-6c0ac5cb5504", "5d0f3b1a7c6e4e5f9d8c2b1a0f9e8004")
	const upper, lower = "0000:00:01.1/0000:01:00.0", "0000:00:01.1/0000:01:00.0/0000:02:00.0"
	return Rig{
		Host: "avocet", Firmware: &m, UEFI: true, CPU: avocetCPU(), System: s,
		Memory: Memory{TotalKiB: 32_544_100, AvailableKiB: 30_881_204, ECC: true},
		Chips: []Chip{
			{Name: "k10temp", Dir: "pci0000:00/0000:00:18.3/hwmon", Inputs: []Input{{Stem: "temp1", Label: "Tctl", Value: 48_375}, {Stem: "temp3", Label: "Tccd1", Value: 39_500}}},
			{Name: "spd5118", Dir: "pci0000:00/0000:00:14.0/i2c-3/3-0051/hwmon", Inputs: []Input{{Stem: "temp1", Value: 36_250, Max: 55_000, Crit: 85_000}}},
			{Name: "spd5118", Dir: "pci0000:00/0000:00:14.0/i2c-3/3-0053/hwmon", Inputs: []Input{{Stem: "temp1", Value: 37_000, Max: 55_000, Crit: 85_000}}},
			{Name: "amdgpu", Dir: "pci0000:00/" + lower + "/0000:03:00.0/hwmon", Inputs: []Input{{Stem: "temp1", Label: "edge", Value: 34_000, Crit: 100_000}}},
		},
		Energy: []Domain{{Path: "intel-rapl:0", Name: "package-0", Microjoules: 7_220_101_994}, {Path: "intel-rapl:0/intel-rapl:0:0", Name: "core", Microjoules: 2_118_300_112}},
		Devices: []Device{
			{Path: "0000:00:00.0", Class: 0x060000, Vendor: 0x5F02, ID: 0x14D8},
			{Path: "0000:00:01.1", Class: 0x060400, Vendor: 0x5F02, ID: 0x14DB, Driver: "pcieport", Link: &Link{"2.5 GT/s PCIe", "16.0 GT/s PCIe", 16, 16}},
			{Path: upper, Class: 0x060400, Vendor: 0x5F0A, ID: 0x1478, Driver: "pcieport", Link: &Link{"2.5 GT/s PCIe", "16.0 GT/s PCIe", 16, 16}},
			{Path: lower, Class: 0x060400, Vendor: 0x5F0A, ID: 0x1479, Driver: "pcieport", Link: &Link{"16.0 GT/s PCIe", "16.0 GT/s PCIe", 16, 16}},
			{Path: lower + "/0000:03:00.0", Class: 0x030000, Vendor: 0x5F0A, ID: 0x747E, SubVendor: 0x5F21, SubID: 0x0031, Revision: 0xC8, Driver: "amdgpu", Link: &Link{"16.0 GT/s PCIe", "16.0 GT/s PCIe", 16, 16},
				Apertures: []uint64{16384 * mib, 0, 2 * mib, 0, 0, mib}},
			{Path: "0000:00:14.0", Class: 0x0C0500, Vendor: 0x5F02, ID: 0x790B, Driver: "piix4_smbus"},
			{Path: "0000:00:18.3", Class: 0x060000, Vendor: 0x5F02, ID: 0x14E3, Driver: "k10temp"},
		},
		Cards:    []Card{{Device: lower + "/0000:03:00.0", Files: map[string]any{"vbios_version": "OR-747E-002", "mem_info_vram_total": 16384 * mib, "power_dpm_force_performance_level": "auto"}, Outputs: []Output{{Name: "DP-1", Status: "connected", Modes: []string{"3840x2160"}, EDID: edid(0x3C21, "DOME WALL")}}}},
		Networks: nil,
	}
}

func avocetCPU() CPU {
	return CPU{
		Vendor: "QuadrantInc.", Model: "Quadrant 6 Model 9600", Family: 25, ModelNumber: 97, Stepping: 2, Microcode: "0xa601209",
		Flags: "fpu tsc msr apic sse sse2 ht lm constant_tsc nonstop_tsc aperfmperf sse4_1 sse4_2 avx avx2 avx512f",
		Kinds: []Kind{{Cores: 6, Threads: 1, L1d: 32, L1i: 32, L2: 1024, MaxKHz: 5_200_000}},
		L3:    32_768, SMT: "notsupported",
		Clocks: &Clocks{Driver: "amd-pstate-epp", Governor: "performance", Preference: "performance", MinKHz: 400_000, CurrentKHz: 4_950_000,
			Mode: "amd_pstate", Settings: map[string]any{"status": "active", "prefcore": "enabled"}, Boost: "1"},
		Idle: []string{"POLL", "C1", "C2"}, IdleDriver: "acpi_idle",
		Vulnerabilities: weaknesses("Not affected"),
	}
}
