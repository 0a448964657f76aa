package dmi

import "encoding/binary"

// Handles of the structures in a table; those that repeat count up from here.
const (
	handleFirmware  = 0x0000
	handleSystem    = 0x0100
	handleBoard     = 0x0200
	handleChassis   = 0x0300
	handleProcessor = 0x0400
	handleSlot      = 0x0900
	handleOEM       = 0x0B00
	handleArray     = 0x1000
	handleModule    = 0x1100
	handleRange     = 0x1300
	handleEnd       = 0x7F00

	handleNone = 0xFFFE // information not given
)

// Structures returns each structure of the table on its own, in order, strings
// included: one file each for qemu's -smbios file=, which adds the end
// structure itself (set OmitEnd).
func (m Machine) Structures() [][]byte {
	var out [][]byte
	for _, s := range m.structures() {
		out = append(out, s.bytes())
	}
	out = append(out, m.Extra...)
	if !m.OmitEnd {
		out = append(out, newStructure(127, handleEnd, 4).bytes())
	}
	return out
}

// Table returns the structure table.
func (m Machine) Table() []byte {
	var table []byte
	for _, s := range m.Structures() {
		table = append(table, s...)
	}
	return table
}

func (m Machine) structures() []*structure {
	all := []*structure{m.firmware(), m.system(), m.board(), m.chassis()}
	for i, p := range m.Processors {
		all = append(all, p.structure(handleProcessor+uint16(i)))
	}
	for i, s := range m.Slots {
		all = append(all, s.structure(uint16(i)))
	}
	if len(m.OEMStrings) > 0 {
		all = append(all, m.oemStrings())
	}
	if len(m.Modules) == 0 {
		return all
	}
	all = append(all, m.array())
	for i, mod := range m.Modules {
		all = append(all, mod.structure(handleModule+uint16(i), m.moduleLength()))
	}
	if m.installed() < KiB { // nothing to map
		return all
	}
	return append(all, m.arrayRange())
}

func (m Machine) moduleLength() int {
	if m.ModuleLength == 0 {
		return 0x5C
	}
	return m.ModuleLength
}

func (m Machine) firmware() *structure {
	s := newStructure(0, handleFirmware, 0x1A)
	s.text(0x04, m.Firmware.Maker)
	s.text(0x05, m.Firmware.Version)
	s.word(0x06, 0xE800)
	s.text(0x08, m.Firmware.Date)
	s.byte(0x09, 0xFF)
	s.qword(0x0A, 1<<7|1<<11|1<<15) // PCI, upgradeable, boots from optical media
	s.byte(0x12, 1)                 // ACPI
	s.byte(0x13, 0x0C)              // targeted content distribution, UEFI
	s.byte(0x14, m.Firmware.Major)
	s.byte(0x15, m.Firmware.Minor)
	s.byte(0x16, m.Firmware.ECMajor)
	s.byte(0x17, m.Firmware.ECMinor)
	s.word(0x18, 16) // MiB of flash
	return s
}

func (m Machine) system() *structure {
	s := newStructure(1, handleSystem, 0x1B)
	s.text(0x04, m.System.Maker)
	s.text(0x05, m.System.Product)
	s.text(0x06, m.System.Version)
	s.text(0x07, m.System.Serial)
	copy(s.formatted[0x08:], m.wireUUID())
	s.byte(0x18, 6) // woken by the power switch
	s.text(0x19, m.System.SKU)
	s.text(0x1A, m.System.Family)
	return s
}

// wireUUID is the UUID as stored: from version 2.6 on, its first three fields
// are little-endian.
func (m Machine) wireUUID() []byte {
	u := append([]byte(nil), m.System.UUID[:]...)
	if major, minor := m.version(); major < 2 || major == 2 && minor < 6 {
		return u
	}
	binary.LittleEndian.PutUint32(u[0:], binary.BigEndian.Uint32(m.System.UUID[0:]))
	binary.LittleEndian.PutUint16(u[4:], binary.BigEndian.Uint16(m.System.UUID[4:]))
	binary.LittleEndian.PutUint16(u[6:], binary.BigEndian.Uint16(m.System.UUID[6:]))
	return u
}

func (m Machine) board() *structure {
	s := newStructure(2, handleBoard, 0x0F)
	s.text(0x04, m.Board.Maker)
	s.text(0x05, m.Board.Product)
	s.text(0x06, m.Board.Version)
	s.text(0x07, m.Board.Serial)
	s.text(0x08, m.Board.Asset)
	s.byte(0x09, 0x09) // hosting board, replaceable
	s.word(0x0B, handleChassis)
	s.byte(0x0D, 0x0A) // motherboard
	return s
}

func (m Machine) chassis() *structure {
	s := newStructure(3, handleChassis, 0x16)
	s.text(0x04, m.Chassis.Maker)
	s.byte(0x05, m.Chassis.Kind)
	s.text(0x06, m.Chassis.Version)
	s.text(0x07, m.Chassis.Serial)
	s.text(0x08, m.Chassis.Asset)
	for offset := 0x09; offset <= 0x0C; offset++ {
		s.byte(offset, 3) // boot state, supply, temperature: safe; security: none
	}
	s.byte(0x12, 1) // power cords
	s.text(0x15, m.Chassis.SKU)
	return s
}

func (p Processor) structure(handle uint16) *structure {
	s := newStructure(4, handle, 0x30)
	s.text(0x04, p.Socket)
	s.byte(0x05, 3) // central processor
	s.byte(0x06, 2) // family unknown
	s.text(0x07, p.Maker)
	s.text(0x10, p.Version)
	s.byte(0x11, 0x80|11) // 1.1 V
	s.word(0x12, 100)     // external clock, MHz
	s.word(0x14, p.MaxMHz)
	s.word(0x16, p.CurrentMHz)
	s.byte(0x18, 0x41) // populated, enabled
	if p.Empty {
		s.byte(0x18, 0)
	}
	s.byte(0x19, 1) // upgrade: other
	for _, cache := range []int{0x1A, 0x1C, 0x1E} {
		s.word(cache, 0xFFFF)
	}
	s.text(0x20, p.Serial)
	s.text(0x21, p.Asset)
	s.text(0x22, p.Part)
	s.count(0x23, 0x2A, p.Cores)
	s.count(0x24, 0x2C, p.Enabled)
	s.count(0x25, 0x2E, p.Threads)
	s.word(0x26, 1<<2) // 64-bit
	s.word(0x28, 2)
	return s
}

// count writes a count as a byte, or 0xFF there when it is larger; the word at
// wide holds it either way.
func (s *structure) count(offset, wide, n int) {
	s.byte(offset, uint8(min(n, 0xFF)))
	s.word(wide, uint16(n))
}

func (l Slot) structure(index uint16) *structure {
	s := newStructure(9, handleSlot+index, 0x13)
	s.text(0x04, l.Designation)
	s.byte(0x05, 0xA5) // PCI Express
	s.byte(0x06, l.Width)
	s.byte(0x07, 3) // available
	if l.InUse {
		s.byte(0x07, 4)
	}
	s.byte(0x08, 4) // long
	s.word(0x09, index+1)
	s.byte(0x0B, 1<<2) // 3.3 V
	s.byte(0x0C, 1)    // PME
	s.byte(0x0F, l.Bus)
	s.byte(0x10, l.DevFunc)
	return s
}

func (m Machine) oemStrings() *structure {
	s := newStructure(11, handleOEM, 5)
	for _, v := range m.OEMStrings {
		s.text(0x04, v)
	}
	return s
}
