package smbios

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// Structure is one whole structure of a table, not yet interpreted.
type Structure struct {
	Type   uint8
	Handle Handle
	Offset int // into the table

	formatted []byte // header included
	strings   []string
	size      int // with strings
}

// Length is the length of the formatted part in bytes, header included: what
// decides which fields are there.
func (s Structure) Length() int { return len(s.formatted) }

// Formatted returns a copy of the formatted part, header included.
func (s Structure) Formatted() []byte { return bytes.Clone(s.formatted) }

// Strings returns the structure's strings; a field's reference 1 is the first.
func (s Structure) Strings() []string { return append([]string(nil), s.strings...) }

// String gives "type 17, handle 0x1101".
func (s Structure) String() string { return fmt.Sprintf("type %d, handle %v", s.Type, s.Handle) }

func (s Structure) has(offset, width int) bool { return offset+width <= len(s.formatted) }

func (s Structure) byte(offset int) (uint8, bool) {
	if !s.has(offset, 1) {
		return 0, false
	}
	return s.formatted[offset], true
}

func (s Structure) word(offset int) (uint16, bool) {
	if !s.has(offset, 2) {
		return 0, false
	}
	return binary.LittleEndian.Uint16(s.formatted[offset:]), true
}

func (s Structure) dword(offset int) (uint32, bool) {
	if !s.has(offset, 4) {
		return 0, false
	}
	return binary.LittleEndian.Uint32(s.formatted[offset:]), true
}

func (s Structure) qword(offset int) (uint64, bool) {
	if !s.has(offset, 8) {
		return 0, false
	}
	return binary.LittleEndian.Uint64(s.formatted[offset:]), true
}

// text follows the string reference at offset. Reference 0 is no string.
func (s Structure) text(offset int) Text {
	ref, ok := s.byte(offset)
	switch {
	case !ok:
		return Text{state: Absent}
	case ref == 0:
		return Text{state: NotGiven}
	case int(ref) > len(s.strings):
		return Text{state: Broken}
	}
	raw := s.strings[ref-1]
	if IsFill(raw) {
		return Text{raw: raw, state: Fill}
	}
	return Text{raw: raw, state: Known}
}

// given makes a Value of a field that was read, unless it holds one of the
// values that mean that the firmware does not know.
func given[T comparable](v T, there bool, unknown ...T) Value[T] {
	if !there {
		return unread[T](Absent)
	}
	for _, u := range unknown {
		if v == u {
			return unread[T](NotGiven)
		}
	}
	return known(v)
}
