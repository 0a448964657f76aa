package smbios_test

import (
	"fmt"
	"testing"

	"witnessmark/internal/smbios"
)

func TestIsFill(t *testing.T) {
	for _, text := range []string{
		"", " ", "\t", "-", "...", "Unknown", "UNKNOWN ", "Undefined", "Not Specified", "not specified", "To Be Filled By O.E.M.",
		"To be filled by O.E.M", "Default string", "NO DIMM", "[Empty]", "None", "N/A", "System Product Name", "Not Available",
		"0000", "00000000", "FFFFFFFF", "x", "xxxx.xx", "XX-XX", "\xff\xff\xff", "SerNum0", "PartNum12", "Manufacturer3", "0123456789", "OEM",
	} {
		if !smbios.IsFill(text) {
			t.Errorf("%q is not taken for fill", text)
		}
	}
	for _, text := range []string{
		"Meridian Memory", "MM4-3200-8G", "0", "00", "000", "1.40", "F", "FF01", "Rev 1.02", "A1", "DIMM_A1", "CHANNEL A", "00000001", "x86",
		"Astrolabe X1", "N", "Empty Quarter Computing", "No 7", "Oemler", "SerNumX", "0000A", "é",
	} {
		if smbios.IsFill(text) {
			t.Errorf("%q is taken for fill", text)
		}
	}
}

func TestUnitsInText(t *testing.T) {
	for _, c := range []struct {
		v    fmt.Stringer
		want string
	}{
		{smbios.MegatransfersPerSec(3200), "3200 MT/s"}, {smbios.Millivolts(1350), "1350 mV"}, {smbios.Megahertz(4200), "4200 MHz"}, {smbios.Bits(72), "72 bits"},
		{8 * smbios.GiB, "8 GiB"}, {1536 * smbios.MiB, "1536 MiB"}, {512 * smbios.KiB, "512 KiB"}, {smbios.Bytes(1), "1 B"}, {smbios.Bytes(0), "0 B"}, {4 * smbios.TiB, "4 TiB"},
		{smbios.Handle(0x11), "0x0011"}, {smbios.JEP106(0x2C80), "bank 1, 0x2c"}, {smbios.MemoryType(0x2A), "code 0x2a"}, {smbios.MemoryType(0x16), "code 0x16"},
		{smbios.TypeDetail(1<<7 | 1<<14), "Synchronous, Unbuffered (unregistered)"}, {smbios.State(9), "state 9"},
		{smbios.Value[smbios.Bytes]{}, "(absent: the structure is too short to hold it)"},
		{smbios.PCIAddress{Segment: 1, Bus: 0x65, DevFunction: 0x0A}, "0001:65:01.2"},
	} {
		if got := c.v.String(); got != c.want {
			t.Errorf("%#v is %q, want %q", c.v, got, c.want)
		}
	}
}
