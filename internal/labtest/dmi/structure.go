package dmi

import (
	"encoding/binary"
	"fmt"
)

// structure is one SMBIOS structure being written. Fields that reach past its
// length are left out, as older firmware leaves them out, and so are strings
// whose reference byte does.
type structure struct {
	formatted []byte // header included
	strings   []string
}

func newStructure(kind uint8, handle uint16, length int) *structure {
	if length < 4 || length > 0xFF {
		panic(fmt.Sprintf("dmi: a structure of %d bytes cannot be written", length))
	}
	s := &structure{formatted: make([]byte, length)}
	s.formatted[0], s.formatted[1] = kind, byte(length)
	binary.LittleEndian.PutUint16(s.formatted[2:], handle)
	return s
}

func (s *structure) has(offset, width int) bool { return offset+width <= len(s.formatted) }

func (s *structure) byte(offset int, v uint8) {
	if s.has(offset, 1) {
		s.formatted[offset] = v
	}
}

func (s *structure) word(offset int, v uint16) {
	if s.has(offset, 2) {
		binary.LittleEndian.PutUint16(s.formatted[offset:], v)
	}
}

func (s *structure) dword(offset int, v uint32) {
	if s.has(offset, 4) {
		binary.LittleEndian.PutUint32(s.formatted[offset:], v)
	}
}

func (s *structure) qword(offset int, v uint64) {
	if s.has(offset, 8) {
		binary.LittleEndian.PutUint64(s.formatted[offset:], v)
	}
}

// text writes a string reference; an empty string is reference 0, no string.
func (s *structure) text(offset int, v string) {
	if v == "" || !s.has(offset, 1) {
		return
	}
	s.strings = append(s.strings, v)
	s.formatted[offset] = byte(len(s.strings))
}

// speed writes a speed in MT/s at offset, or the escape there and the value at
// extended when a word cannot hold it.
func (s *structure) speed(offset, extended int, mts uint32) {
	if mts < 0xFFFF {
		s.word(offset, uint16(mts))
		return
	}
	s.word(offset, 0xFFFF)
	s.dword(extended, mts)
}

// bytes returns the formatted part and the string set with its closing zero.
func (s *structure) bytes() []byte {
	out := append([]byte(nil), s.formatted...)
	for _, v := range s.strings {
		out = append(append(out, v...), 0)
	}
	if len(s.strings) == 0 {
		out = append(out, 0)
	}
	return append(out, 0)
}
