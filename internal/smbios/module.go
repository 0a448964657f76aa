package smbios

import "fmt"

// Module is type 17: one memory slot, whether or not a module is in it.
//
// Rated and Configured are what the firmware says, and firmware differs in
// what it takes Rated to be: the speed the module was sold for, its standard
// speed, or just what runs now. Configured below Rated is a finding; equality
// is not an acquittal.
type Module struct {
	Handle        Handle
	Array         Value[Handle]
	Locator, Bank Text // free texts of the board's maker; a locator may occur twice

	Size                  Value[Bytes] // 0 in an empty slot
	Form                  Value[FormFactor]
	Type                  Value[MemoryType]
	Detail                Value[TypeDetail]
	TotalWidth, DataWidth Value[Bits] // total includes the bits for error correction

	Rated, Configured Value[MegatransfersPerSec]

	Maker, Part, Serial, Asset Text
	Rank                       Value[uint8]

	ConfiguredVoltage, MinVoltage, MaxVoltage Value[Millivolts]

	Technology Value[Technology]
	Firmware   Text
	MakerID    Value[JEP106]
}

// Populated reports whether a module is in the slot: false only where the
// firmware says that the slot is empty, so true for one of unknown size.
func (m Module) Populated() bool {
	size, ok := m.Size.Get()
	return !ok || size != 0
}

// ECC reports whether the module is wider than its data, by bits that carry an
// error correction code.
func (m Module) ECC() Value[bool] {
	total, ok := m.TotalWidth.Get()
	if !ok {
		return unread[bool](m.TotalWidth.State())
	}
	data, ok := m.DataWidth.Get()
	if !ok {
		return unread[bool](m.DataWidth.State())
	}
	return known(total > data)
}

// Modules returns every type 17 in table order, empty slots included.
func (t Table) Modules() []Module {
	var out []Module
	for _, s := range t.of(17) {
		out = append(out, s.module())
	}
	return out
}

func (s Structure) module() Module {
	attributes, hasRank := s.byte(0x1B)
	id, hasID := s.word(0x2C)
	return Module{
		Handle:     s.Handle,
		Array:      s.handle(0x04),
		TotalWidth: s.width(0x08),
		DataWidth:  s.width(0x0A),
		Size:       s.moduleSize(),
		Form:       code[FormFactor](s, 0x0E),
		Locator:    s.text(0x10),
		Bank:       s.text(0x11),
		Type:       code[MemoryType](s, 0x12),
		Detail:     s.typeDetail(),
		Rated:      s.dataRate(0x15, 0x54),
		Maker:      s.text(0x17),
		Serial:     s.text(0x18),
		Asset:      s.text(0x19),
		Part:       s.text(0x1A),
		Rank:       given(attributes&0x0F, hasRank, 0),
		Configured: s.dataRate(0x20, 0x58),

		MinVoltage:        s.voltage(0x22),
		MaxVoltage:        s.voltage(0x24),
		ConfiguredVoltage: s.voltage(0x26),

		Technology: code[Technology](s, 0x28),
		Firmware:   s.text(0x2B),
		MakerID:    given(JEP106(id), hasID, 0),
	}
}

// moduleSize reads a capacity: 0 for an empty slot, 0xFFFF for an unknown one,
// 0x7FFF to go to the extended field in MiB; otherwise in MiB, or with the
// highest bit set in KiB. A structure that ends before the extended field is
// of a time when 0x7FFF was a size like any other, and dmidecode reads it so.
func (s Structure) moduleSize() Value[Bytes] {
	w, ok := s.word(0x0C)
	extended, hasExtended := s.dword(0x1C)
	switch {
	case !ok:
		return unread[Bytes](Absent)
	case w == 0:
		return known(Bytes(0))
	case w == 0xFFFF:
		return unread[Bytes](NotGiven)
	case w == 0x7FFF && hasExtended:
		return given(Bytes(extended&0x7FFFFFFF)*MiB, true, 0)
	case w&0x8000 != 0:
		return given(Bytes(w&0x7FFF)*KiB, true, 0)
	}
	return known(Bytes(w) * MiB)
}

// extendedRates is where the two extended speeds end. They came into the
// specification together, so one without the other is not taken for a speed.
const extendedRates = 0x5C

// dataRate reads a speed: 0 for an unknown one, 0xFFFF to go to the extended
// field, of which the highest bit is reserved.
func (s Structure) dataRate(offset, extended int) Value[MegatransfersPerSec] {
	w, ok := s.word(offset)
	if w == 0xFFFF {
		d, _ := s.dword(extended)
		return given(MegatransfersPerSec(d&0x7FFFFFFF), s.Length() >= extendedRates, 0)
	}
	return given(MegatransfersPerSec(w), ok, 0)
}

func (s Structure) width(offset int) Value[Bits] {
	w, ok := s.word(offset)
	return given(Bits(w), ok, 0, 0xFFFF)
}

func (s Structure) voltage(offset int) Value[Millivolts] {
	v, ok := s.word(offset)
	return given(Millivolts(v), ok, 0)
}

// code reads a code of one byte, of which 0 is none and 2 is unknown in every
// table of type 17.
func code[T ~uint8](s Structure, offset int) Value[T] {
	c, ok := s.byte(offset)
	return given(T(c), ok, 0, 2)
}

func (s Structure) typeDetail() Value[TypeDetail] {
	d, ok := s.word(0x13)
	return given(TypeDetail(d), ok, 0, DetailUnknown)
}

// JEP106 is a maker's number in the JEDEC list: the bank in the low byte, the
// code in the high one, each with a parity bit.
type JEP106 uint16

// Bank counts from 1.
func (j JEP106) Bank() int { return int(j&0x7F) + 1 }

// Code is the number within the bank, parity bit included.
func (j JEP106) Code() uint8 { return uint8(j >> 8) }

// String gives "bank 1, 0x2c".
func (j JEP106) String() string { return fmt.Sprintf("bank %d, 0x%02x", j.Bank(), j.Code()) }
