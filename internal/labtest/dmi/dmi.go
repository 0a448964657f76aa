// Package dmi builds the firmware tables of rigs that do not exist: SMBIOS
// structures as DMTF DSP0134 lays them out, for tests, for captured trees made
// by a generator, and for the virtual rig.
//
// A Machine is what the firmware claims; its Table is the bytes that
// /sys/firmware/dmi/tables/DMI would hold, its Dump the same behind an entry
// point, in one file, as dmidecode --from-dump reads it.
//
//	m := dmi.Astrolabe()                  // four slots, two modules of 8 GiB, 3200 MT/s
//	m.Configure(2400)                     // memory fell back to its default speed
//	os.WriteFile("DMI", m.Table(), 0o444)
//
// Every name it writes by default is invented. It encodes on its own, sharing
// no code with the decoder it is used to test, and it does not check that a
// machine makes sense: contradictions are what tests want. Only what cannot be
// written down at all (a type 17 of 3 bytes) panics.
package dmi

// Bytes is a capacity.
type Bytes uint64

// Units of capacity.
const (
	KiB Bytes = 1 << 10
	MiB Bytes = 1 << 20
	GiB Bytes = 1 << 30
)

// UnknownSize is the Size of a module whose capacity the firmware does not know.
const UnknownSize Bytes = 1<<64 - 1

// A Machine is one rig as its firmware describes it. The zero value has a
// firmware, a system, a board and a chassis without names, and nothing else.
type Machine struct {
	Major, Minor uint8 // SMBIOS version; 0.0 stands for 3.3, and 2.8 in a 32-bit entry point
	Entry32      bool  // Dump and EntryPoint use the 32-bit form

	Firmware   Firmware
	System     System
	Board      Board
	Chassis    Chassis
	Processors []Processor // one a socket; qemu wants as many as it has sockets
	Slots      []Slot      // expansion slots
	OEMStrings []string    // type 11, left out when there are none
	Array      Array
	Modules    []Module // one a memory slot, empty ones included, in table order
	Extra      [][]byte // whole structures placed before the end structure

	ModuleLength int  // length of each type 17, 0x15 to 0xFF; 0 stands for 0x5C
	OmitEnd      bool // leave out type 127
}

// Firmware is type 0.
type Firmware struct {
	Maker, Version   string
	Date             string // mm/dd/yyyy
	Major, Minor     uint8  // release; 0xFF for each when not given
	ECMajor, ECMinor uint8  // embedded controller's; 0xFF for each when not given
}

// System is type 1. UUID is in the order it is printed in.
type System struct {
	Maker, Product, Version, Serial, SKU, Family string
	UUID                                         [16]byte
}

// Board is type 2.
type Board struct{ Maker, Product, Version, Serial, Asset string }

// Chassis is type 3; Kind 3 is a desktop.
type Chassis struct {
	Maker, Version, Serial, Asset, SKU string
	Kind                               uint8
}

// Processor is type 4, one socket.
type Processor struct {
	Socket, Maker, Version, Serial, Asset, Part string
	Cores, Enabled, Threads                     int // 0 unknown
	MaxMHz, CurrentMHz                          uint16
	Empty                                       bool // socket without a processor
}

// Slot is type 9. Width is the code of the data bus width (0x0D is x16).
type Slot struct {
	Designation  string
	Width        uint8
	InUse        bool
	Bus, DevFunc uint8
}

// Array is type 16, the memory slots together. Their number is len(Modules).
type Array struct {
	ECC uint8 // 3 none, 5 single-bit, 6 multi-bit
	Max Bytes
}

// Module is type 17, one memory slot. A Size of 0 is an empty slot.
type Module struct {
	Locator, Bank string
	Size          Bytes // UnknownSize when not known; written in KiB where MiB do not fit

	Type                    uint8 // code: DDR3 0x18, DDR4 0x1A, DDR5 0x22; 0 stands for 2, unknown
	Form                    uint8 // code: 0x09 DIMM, 0x0D SODIMM; 0 stands for DIMM
	Detail                  uint16
	TotalBits, DataBits     uint16 // 0 stands for unknown
	RatedMTs, ConfiguredMTs uint32 // megatransfers a second, 0 unknown

	Maker, Part, Serial, Asset string
	Rank                       uint8 // 0 unknown

	ConfiguredMV, MinMV, MaxMV uint16 // millivolts, 0 unknown
	Technology                 uint8  // 3 DRAM
	MakerID                    uint16 // JEP-106, low byte bank, high byte code
}

// Astrolabe returns the machine most tests start from: an Astrolabe X1 board
// with one processor of six cores, four memory slots on two channels and two
// DDR4 modules of 8 GiB, one a channel, running at the 3200 MT/s they are rated
// for. All of it is invented.
func Astrolabe() Machine {
	m := Machine{
		Firmware: Firmware{Maker: "Orbital Firmware", Version: "1.40", Date: "03/14/2031", Major: 5, Minor: 27, ECMajor: 0xFF, ECMinor: 0xFF},
		System: System{Maker: "Armillary Systems", Product: "Dome Station", Version: "A1", Serial: "DS-000417", SKU: "DS-A1", Family: "Dome",
			UUID: [16]byte{0x6f, 0x1d, 0x02, 0xc4, 0x5a, 0x77, 0x4e, 0x10, 0x9b, 0x3e, 0x51, 0x20, 0x8c, 0x44, 0xd9, 0x0b}},
		Board:      Board{Maker: "Armillary Systems", Product: "Astrolabe X1", Version: "Rev 1.02", Serial: "AX1-001873", Asset: "Default string"},
		Chassis:    Chassis{Maker: "Armillary Systems", Version: "C1", Serial: "CH-000093", Asset: "WS-17", SKU: "C1", Kind: 3},
		Processors: []Processor{Sextant("CPU0")},
		Slots:      []Slot{{Designation: "PCIEX16_1", Width: 0x0D, InUse: true, Bus: 1}, {Designation: "PCIEX4_1", Width: 0x0A, Bus: 4}},
		Array:      Array{ECC: 3, Max: 128 * GiB},
	}
	m.Modules = Fill(4, 2, MeridianDDR4())
	return m
}

// Sextant returns an invented processor of six cores and twelve threads.
func Sextant(socket string) Processor {
	return Processor{Socket: socket, Maker: "Sextant Devices", Version: "Sextant 6 Model 610", Serial: "SX-77120", Part: "SX610",
		Cores: 6, Enabled: 6, Threads: 12, MaxMHz: 4200, CurrentMHz: 3400}
}

// MeridianDDR4 returns an invented DDR4 module: 8 GiB, one rank, rated and
// configured at 3200 MT/s, 1.2 V, unbuffered, without ECC.
func MeridianDDR4() Module {
	return Module{
		Size: 8 * GiB, Type: 0x1A, Detail: 1<<7 | 1<<14, TotalBits: 64, DataBits: 64,
		RatedMTs: 3200, ConfiguredMTs: 3200, Maker: "Meridian Memory", Part: "MM4-3200-8G", Serial: "MM0007", Rank: 1,
		ConfiguredMV: 1200, MinMV: 1200, MaxMV: 1350, Technology: 3,
	}
}

// MeridianDDR5 returns an invented DDR5 module: 16 GiB, one rank, rated and
// configured at 6000 MT/s, 1.35 V.
func MeridianDDR5() Module {
	m := MeridianDDR4()
	m.Size, m.Type, m.Part = 16*GiB, 0x22, "MM5-6000-16G"
	m.RatedMTs, m.ConfiguredMTs = 6000, 6000
	m.ConfiguredMV, m.MinMV, m.MaxMV = 1350, 1100, 1350
	return m
}

// Configure sets the configured speed of every populated module, in
// megatransfers a second, and leaves what they are rated for.
func (m *Machine) Configure(mts uint32) {
	for i := range m.Modules {
		if m.Modules[i].Size != 0 {
			m.Modules[i].ConfiguredMTs = mts
		}
	}
}
