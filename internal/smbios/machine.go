package smbios

import "fmt"

// Firmware is type 0.
type Firmware struct {
	Maker, Version Text
	Date           Text // mm/dd/yyyy, from old firmware mm/dd/yy
	Release        Value[Release]
	ECRelease      Value[Release] // the embedded controller's
}

// Release is a firmware release as two numbers.
type Release struct{ Major, Minor uint8 }

// String gives "5.27".
func (r Release) String() string { return fmt.Sprintf("%d.%d", r.Major, r.Minor) }

// Firmware returns the first type 0, or false when there is none.
func (t Table) Firmware() (Firmware, bool) {
	s, ok := t.first(0)
	if !ok {
		return Firmware{}, false
	}
	return Firmware{
		Maker:     s.text(0x04),
		Version:   s.text(0x05),
		Date:      s.text(0x08),
		Release:   s.release(0x14),
		ECRelease: s.release(0x16),
	}, true
}

// release reads two bytes, of which 0xFF in either says that there is none.
func (s Structure) release(offset int) Value[Release] {
	major, _ := s.byte(offset)
	minor, ok := s.byte(offset + 1)
	if ok && (major == 0xFF || minor == 0xFF) {
		return unread[Release](NotGiven)
	}
	return given(Release{major, minor}, ok)
}

// System is type 1.
type System struct {
	Maker, Product, Version, Serial, SKU, Family Text
	UUID                                         Value[UUID]
}

// UUID names one machine, in the order its text is written in.
type UUID [16]byte

// String gives "6f1d02c4-5a77-4e10-9b3e-51208c44d90b".
func (u UUID) String() string {
	return fmt.Sprintf("%x-%x-%x-%x-%x", u[0:4], u[4:6], u[6:8], u[8:10], u[10:16])
}

// System returns the first type 1, or false when there is none.
func (t Table) System() (System, bool) {
	s, ok := t.first(1)
	if !ok {
		return System{}, false
	}
	return System{
		Maker:   s.text(0x04),
		Product: s.text(0x05),
		Version: s.text(0x06),
		Serial:  s.text(0x07),
		UUID:    t.uuid(s, 0x08),
		SKU:     s.text(0x19),
		Family:  s.text(0x1A),
	}, true
}

// uuid reads 16 bytes, of which all zero or all ones says that there is none.
// From version 2.6 on the first three fields are little-endian, and a table
// without a version is taken to be no older than that: 2.6 is of 2008. It is
// the one place where the claimed version decides anything, because nothing in
// the structure does.
func (t Table) uuid(s Structure, offset int) Value[UUID] {
	if !s.has(offset, len(UUID{})) {
		return unread[UUID](Absent)
	}
	u := UUID(s.formatted[offset:])
	if isOneByte(u, 0x00) || isOneByte(u, 0xFF) {
		return unread[UUID](NotGiven)
	}
	if v, ok := t.Version.Get(); ok && v.Before(2, 6) {
		return known(u)
	}
	return known(u.swapped())
}

func isOneByte(u UUID, b byte) bool {
	for _, c := range u {
		if c != b {
			return false
		}
	}
	return true
}

// swapped turns the first three fields, of 4, 2 and 2 bytes, end for end.
func (u UUID) swapped() UUID {
	u[0], u[1], u[2], u[3] = u[3], u[2], u[1], u[0]
	u[4], u[5] = u[5], u[4]
	u[6], u[7] = u[7], u[6]
	return u
}

// Board is type 2.
type Board struct {
	Maker, Product, Version, Serial, Asset Text
	Hosting                                Value[bool] // carries the processors
}

// Boards returns every type 2 in table order.
func (t Table) Boards() []Board {
	var out []Board
	for _, s := range t.of(2) {
		features, hasFeatures := s.byte(0x09)
		out = append(out, Board{
			Maker:   s.text(0x04),
			Product: s.text(0x05),
			Version: s.text(0x06),
			Serial:  s.text(0x07),
			Asset:   s.text(0x08),
			Hosting: given(features&1 != 0, hasFeatures),
		})
	}
	return out
}

// Board returns the hosting board: the first that says it is one, else the
// first of all, or false when there is none.
func (t Table) Board() (Board, bool) {
	all := t.Boards()
	for _, b := range all {
		if hosts, _ := b.Hosting.Get(); hosts {
			return b, true
		}
	}
	if len(all) == 0 {
		return Board{}, false
	}
	return all[0], true
}

// Chassis is type 3.
type Chassis struct {
	Kind                               Value[ChassisKind]
	Maker, Version, Serial, Asset, SKU Text
}

// Chassis returns the first type 3, or false when there is none.
func (t Table) Chassis() (Chassis, bool) {
	s, ok := t.first(3)
	if !ok {
		return Chassis{}, false
	}
	kind, there := s.byte(0x05)
	return Chassis{
		Maker:   s.text(0x04),
		Kind:    given(ChassisKind(kind&0x7F), there, 0, 2), // bit 7 is the lock
		Version: s.text(0x06),
		Serial:  s.text(0x07),
		Asset:   s.text(0x08),
		SKU:     s.chassisSKU(),
	}, true
}

// chassisSKU finds the reference that stands behind a list of contained
// elements of stated number and size.
func (s Structure) chassisSKU() Text {
	elements, _ := s.byte(0x13)
	each, ok := s.byte(0x14)
	if !ok {
		return Text{state: Absent}
	}
	return s.text(0x15 + int(elements)*int(each))
}
