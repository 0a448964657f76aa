package dmi

func (m Machine) array() *structure {
	s := newStructure(16, handleArray, 0x17)
	s.byte(0x04, 3) // on the board
	s.byte(0x05, 3) // system memory
	s.byte(0x06, m.Array.ECC)
	if kib := m.Array.Max / KiB; kib < 0x80000000 {
		s.dword(0x07, uint32(kib))
	} else {
		s.dword(0x07, 0x80000000)
		s.qword(0x0F, uint64(m.Array.Max))
	}
	s.word(0x0B, handleNone)
	s.word(0x0D, uint16(len(m.Modules)))
	return s
}

func (d Module) structure(handle uint16, length int) *structure {
	if length < 0x15 {
		panic("dmi: a type 17 has at least 0x15 bytes")
	}
	s := newStructure(17, handle, length)
	s.word(0x04, handleArray)
	s.word(0x06, handleNone)
	s.word(0x08, orUnknown(d.TotalBits))
	s.word(0x0A, orUnknown(d.DataBits))
	s.size(d.Size)
	s.byte(0x0E, or(d.Form, 0x09))
	s.text(0x10, d.Locator)
	s.text(0x11, d.Bank)
	s.byte(0x12, or(d.Type, 2))
	s.word(0x13, d.Detail)
	s.speed(0x15, 0x54, d.RatedMTs)
	s.text(0x17, d.Maker)
	s.text(0x18, d.Serial)
	s.text(0x19, d.Asset)
	s.text(0x1A, d.Part)
	s.byte(0x1B, d.Rank)
	s.speed(0x20, 0x58, d.ConfiguredMTs)
	s.word(0x22, d.MinMV)
	s.word(0x24, d.MaxMV)
	s.word(0x26, d.ConfiguredMV)
	s.byte(0x28, or(d.Technology, 2))
	s.word(0x29, 1<<3) // volatile memory
	s.word(0x2C, d.MakerID)
	if d.Size != UnknownSize {
		s.qword(0x3C, uint64(d.Size)) // all of it volatile
	}
	return s
}

// size writes a capacity: in MiB, in KiB where it is no whole number of MiB,
// and through the extended field when the word cannot hold it.
func (s *structure) size(b Bytes) {
	switch mib := b / MiB; {
	case b == UnknownSize:
		s.word(0x0C, 0xFFFF)
	case b%MiB != 0:
		s.word(0x0C, 0x8000|uint16(b/KiB))
	case mib >= 0x7FFF:
		s.word(0x0C, 0x7FFF)
		s.dword(0x1C, uint32(mib))
	default:
		s.word(0x0C, uint16(mib))
	}
}

func orUnknown(bits uint16) uint16 {
	if bits == 0 {
		return 0xFFFF
	}
	return bits
}

func or(v, standIn uint8) uint8 {
	if v == 0 {
		return standIn
	}
	return v
}

// installed is the capacity of all modules whose size is known.
func (m Machine) installed() (total Bytes) {
	for _, d := range m.Modules {
		if d.Size != UnknownSize {
			total += d.Size
		}
	}
	return total
}

// arrayRange is type 19: where the installed memory appears in the address
// space, from 0 up. Its partition width counts the populated modules.
func (m Machine) arrayRange() *structure {
	s := newStructure(19, handleRange, 0x1F)
	var populated uint8
	for _, d := range m.Modules {
		if d.Size != 0 {
			populated++
		}
	}
	s.word(0x0C, handleArray)
	s.byte(0x0E, populated)
	if last := m.installed()/KiB - 1; last < 0xFFFFFFFF {
		s.dword(0x08, uint32(last))
		return s
	}
	s.dword(0x04, 0xFFFFFFFF)
	s.dword(0x08, 0xFFFFFFFF)
	s.qword(0x17, uint64(m.installed()-1))
	return s
}
