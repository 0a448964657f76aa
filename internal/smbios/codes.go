package smbios

import (
	"fmt"
	"strings"
)

// named gives the name of a code, or the code itself where the table has none.
func named[T ~uint8](c T, names []string) string {
	if int(c) < len(names) && names[c] != "" {
		return names[c]
	}
	return fmt.Sprintf("code 0x%02x", uint8(c))
}

// MemoryType is the generation of a memory module.
type MemoryType uint8

// The memory types that rigs of today have.
const (
	DDR3   MemoryType = 0x18
	DDR4   MemoryType = 0x1A
	LPDDR4 MemoryType = 0x1E
	DDR5   MemoryType = 0x22
	LPDDR5 MemoryType = 0x23
)

var memoryTypes = []string{
	0x01: "Other", 0x02: "Unknown", 0x03: "DRAM", 0x04: "EDRAM", 0x05: "VRAM", 0x06: "SRAM", 0x07: "RAM",
	0x08: "ROM", 0x09: "Flash", 0x0A: "EEPROM", 0x0B: "FEPROM", 0x0C: "EPROM", 0x0D: "CDRAM", 0x0E: "3DRAM",
	0x0F: "SDRAM", 0x10: "SGRAM", 0x11: "RDRAM", 0x12: "DDR", 0x13: "DDR2", 0x14: "DDR2 FB-DIMM",
	0x18: "DDR3", 0x19: "FBD2", 0x1A: "DDR4", 0x1B: "LPDDR", 0x1C: "LPDDR2", 0x1D: "LPDDR3", 0x1E: "LPDDR4",
	0x1F: "Logical non-volatile device", 0x20: "HBM", 0x21: "HBM2", 0x22: "DDR5", 0x23: "LPDDR5", 0x24: "HBM3",
}

// String gives "DDR5", or "code 0x2a" for a type newer than this table.
func (t MemoryType) String() string { return named(t, memoryTypes) }

// FormFactor is the shape of a memory module.
type FormFactor uint8

var formFactors = []string{
	0x01: "Other", 0x02: "Unknown", 0x03: "SIMM", 0x04: "SIP", 0x05: "Chip", 0x06: "DIP", 0x07: "ZIP",
	0x08: "Proprietary card", 0x09: "DIMM", 0x0A: "TSOP", 0x0B: "Row of chips", 0x0C: "RIMM", 0x0D: "SODIMM",
	0x0E: "SRIMM", 0x0F: "FB-DIMM", 0x10: "Die", 0x11: "CAMM",
}

// String gives "DIMM", or "code 0x20" for a form newer than this table.
func (f FormFactor) String() string { return named(f, formFactors) }

// TypeDetail is a set of bits that say more of a module's type.
type TypeDetail uint16

// The details that tell modules of one type apart.
const (
	DetailUnknown    TypeDetail = 1 << 2
	DetailRegistered TypeDetail = 1 << 13
	DetailUnbuffered TypeDetail = 1 << 14
	DetailLRDIMM     TypeDetail = 1 << 15
)

var typeDetails = []string{
	1: "Other", 2: "Unknown", 3: "Fast-paged", 4: "Static column", 5: "Pseudo-static", 6: "RAMBUS", 7: "Synchronous", 8: "CMOS",
	9: "EDO", 10: "Window DRAM", 11: "Cache DRAM", 12: "Non-volatile", 13: "Registered (buffered)", 14: "Unbuffered (unregistered)", 15: "LRDIMM",
}

// Has reports whether every bit of d is set.
func (t TypeDetail) Has(d TypeDetail) bool { return t&d == d }

// String lists the details: "Synchronous, Unbuffered (unregistered)".
func (t TypeDetail) String() string {
	var words []string
	for bit, name := range typeDetails {
		if name != "" && t.Has(1<<bit) {
			words = append(words, name)
		}
	}
	return strings.Join(words, ", ")
}

// Technology is what a module stores bits in.
type Technology uint8

var technologies = []string{
	0x01: "Other", 0x02: "Unknown", 0x03: "DRAM", 0x04: "NVDIMM-N", 0x05: "NVDIMM-F", 0x06: "NVDIMM-P", 0x07: "Persistent memory",
}

// String gives "DRAM".
func (t Technology) String() string { return named(t, technologies) }

// ArrayUse is what a group of memory slots is for.
type ArrayUse uint8

// UseSystemMemory is the use of the memory that programs run in.
const UseSystemMemory ArrayUse = 3

var arrayUses = []string{
	1: "Other", 2: "Unknown", 3: "System memory", 4: "Video memory", 5: "Flash memory", 6: "Non-volatile RAM", 7: "Cache memory",
}

// String gives "System memory".
func (u ArrayUse) String() string { return named(u, arrayUses) }

// ECC is the error correction a group of memory slots works with.
type ECC uint8

var eccKinds = []string{
	1: "Other", 2: "Unknown", 3: "None", 4: "Parity", 5: "Single-bit ECC", 6: "Multi-bit ECC", 7: "CRC",
}

// String gives "Multi-bit ECC".
func (e ECC) String() string { return named(e, eccKinds) }

// SlotWidth is the width of an expansion slot's data path.
type SlotWidth uint8

var slotWidths = []string{
	0x01: "Other", 0x02: "Unknown", 0x03: "8-bit", 0x04: "16-bit", 0x05: "32-bit", 0x06: "64-bit", 0x07: "128-bit",
	0x08: "x1", 0x09: "x2", 0x0A: "x4", 0x0B: "x8", 0x0C: "x12", 0x0D: "x16", 0x0E: "x32",
}

// String gives "x16".
func (w SlotWidth) String() string { return named(w, slotWidths) }

// SlotUsage tells whether something is in an expansion slot.
type SlotUsage uint8

var slotUsages = []string{1: "Other", 2: "Unknown", 3: "Available", 4: "In use", 5: "Unavailable"}

// String gives "In use".
func (u SlotUsage) String() string { return named(u, slotUsages) }

// ChassisKind is what sort of case a machine is in.
type ChassisKind uint8

var chassisKinds = []string{
	0x01: "Other", 0x02: "Unknown", 0x03: "Desktop", 0x04: "Low profile desktop", 0x05: "Pizza box", 0x06: "Mini tower",
	0x07: "Tower", 0x08: "Portable", 0x09: "Laptop", 0x0A: "Notebook", 0x0B: "Hand held", 0x0C: "Docking station",
	0x0D: "All in one", 0x0E: "Sub notebook", 0x0F: "Space-saving", 0x10: "Lunch box", 0x11: "Main server chassis",
	0x12: "Expansion chassis", 0x13: "Sub chassis", 0x14: "Bus expansion chassis", 0x15: "Peripheral chassis",
	0x16: "RAID chassis", 0x17: "Rack mount chassis", 0x18: "Sealed-case PC", 0x19: "Multi-system", 0x1A: "CompactPCI",
	0x1B: "AdvancedTCA", 0x1C: "Blade", 0x1D: "Blade enclosing", 0x1E: "Tablet", 0x1F: "Convertible", 0x20: "Detachable",
	0x21: "IoT gateway", 0x22: "Embedded PC", 0x23: "Mini PC", 0x24: "Stick PC",
}

// String gives "Desktop".
func (k ChassisKind) String() string { return named(k, chassisKinds) }
