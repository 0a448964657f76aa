package smbios_test

import (
	"fmt"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/smbios"
)

// A rig whose memory fell back to its default speed, and whose table was cut
// on the way here.
func ExampleDecodeWith() {
	rig := dmi.Astrolabe()
	rig.Configure(2400)
	entry, table := rig.EntryPoint(), rig.Table()

	decoded := smbios.DecodeWith(entry, table[:len(table)-100])
	for _, m := range decoded.Modules() {
		if m.Populated() {
			fmt.Println(m.Locator, m.Size, m.Rated, m.Configured)
		}
	}
	for _, d := range decoded.Damage {
		fmt.Println(d.What, "-", d.Why)
	}
	// Output:
	// DIMM_A2 8 GiB 3200 MT/s 2400 MT/s
	// type 17, handle 0x1103 - its 92 bytes reach 4 past the end
	// table length - the entry point announces 1036 bytes, only 936 are here
}
