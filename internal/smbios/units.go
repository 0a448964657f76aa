package smbios

import "fmt"

// MegatransfersPerSec is a memory data rate: twice the clock for every DDR
// generation.
type MegatransfersPerSec uint32

// String gives "3200 MT/s".
func (s MegatransfersPerSec) String() string { return fmt.Sprintf("%d MT/s", uint32(s)) }

// Megahertz is a processor clock.
type Megahertz uint16

// String gives "4200 MHz".
func (c Megahertz) String() string { return fmt.Sprintf("%d MHz", uint16(c)) }

// Millivolts is a supply voltage.
type Millivolts uint16

// String gives "1350 mV".
func (v Millivolts) String() string { return fmt.Sprintf("%d mV", uint16(v)) }

// Bits is the width of a data path.
type Bits uint16

// String gives "64 bits".
func (w Bits) String() string { return fmt.Sprintf("%d bits", uint16(w)) }

// Bytes is an exact capacity.
type Bytes uint64

// Binary multiples.
const (
	KiB Bytes = 1 << 10
	MiB Bytes = 1 << 20
	GiB Bytes = 1 << 30
	TiB Bytes = 1 << 40
)

// String gives the capacity in the largest binary unit that divides it:
// "8 GiB", "1536 MiB".
func (b Bytes) String() string {
	for _, u := range []struct {
		size Bytes
		name string
	}{{TiB, "TiB"}, {GiB, "GiB"}, {MiB, "MiB"}, {KiB, "KiB"}} {
		if b != 0 && b%u.size == 0 {
			return fmt.Sprintf("%d %s", uint64(b/u.size), u.name)
		}
	}
	return fmt.Sprintf("%d B", uint64(b))
}

// Address is a physical address of the machine, in bytes.
type Address uint64

// String gives "0x3ffffffff".
func (a Address) String() string { return fmt.Sprintf("%#x", uint64(a)) }

// Handle names one structure of a table, for others to refer to.
type Handle uint16

// String gives "0x1101".
func (h Handle) String() string { return fmt.Sprintf("0x%04x", uint16(h)) }

// Version is the version of the specification that an entry point claims.
type Version struct{ Major, Minor uint8 }

// String gives "3.3".
func (v Version) String() string { return fmt.Sprintf("%d.%d", v.Major, v.Minor) }

// Before reports whether v is older than major.minor.
func (v Version) Before(major, minor uint8) bool {
	return v.Major < major || v.Major == major && v.Minor < minor
}
