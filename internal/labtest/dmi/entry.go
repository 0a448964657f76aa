package dmi

import "encoding/binary"

// tableOffset is where Dump puts the table and what entry points name.
const tableOffset = 0x20

func (m Machine) version() (major, minor uint8) {
	switch {
	case m.Major != 0:
		return m.Major, m.Minor
	case m.Entry32:
		return 2, 8
	}
	return 3, 3
}

// EntryPoint64 returns the 24 bytes of a 64-bit entry point for a table of
// tableLen bytes.
func (m Machine) EntryPoint64(tableLen int) []byte {
	e := make([]byte, 0x18)
	copy(e, "_SM3_")
	m.Entry32 = false
	e[0x06] = byte(len(e))
	e[0x07], e[0x08] = m.version()
	e[0x0A] = 1 // entry point revision
	binary.LittleEndian.PutUint32(e[0x0C:], uint32(tableLen))
	binary.LittleEndian.PutUint64(e[0x10:], tableOffset)
	e[0x05] = checksum(e)
	return e
}

// EntryPoint32 returns the 31 bytes of a 32-bit entry point for a table of
// tableLen bytes, its count and longest structure taken from m.
func (m Machine) EntryPoint32(tableLen int) []byte {
	e := make([]byte, 0x1F)
	copy(e, "_SM_")
	m.Entry32 = true
	e[0x05] = byte(len(e))
	e[0x06], e[0x07] = m.version()
	longest, all := 0, m.Structures()
	for _, s := range all {
		longest = max(longest, len(s))
	}
	binary.LittleEndian.PutUint16(e[0x08:], uint16(longest))
	copy(e[0x10:], "_DMI_")
	binary.LittleEndian.PutUint16(e[0x16:], uint16(tableLen))
	binary.LittleEndian.PutUint32(e[0x18:], tableOffset)
	binary.LittleEndian.PutUint16(e[0x1C:], uint16(len(all)))
	e[0x1E] = e[0x06]<<4 | e[0x07]&0x0F
	e[0x15] = checksum(e[0x10:])
	e[0x04] = checksum(e)
	return e
}

// EntryPoint returns the entry point that m asks for with Entry32, for its own
// table: what /sys/firmware/dmi/tables/smbios_entry_point would hold.
func (m Machine) EntryPoint() []byte {
	if m.Entry32 {
		return m.EntryPoint32(len(m.Table()))
	}
	return m.EntryPoint64(len(m.Table()))
}

// Dump returns entry point and table in one, the table at the offset that the
// entry point names.
func (m Machine) Dump() []byte {
	dump := make([]byte, tableOffset)
	copy(dump, m.EntryPoint())
	return append(dump, m.Table()...)
}

// checksum is the byte that makes all bytes of b add up to 0.
func checksum(b []byte) byte {
	var sum byte
	for _, c := range b {
		sum += c
	}
	return -sum
}
