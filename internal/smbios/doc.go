// Package smbios reads the tables in which a rig's firmware describes the
// machine: SMBIOS structures as laid out by DMTF DSP0134. From them come the
// board, the firmware's version and, above all, each memory module with the
// speed it is rated for beside the speed it was set to.
//
// The nouns:
//
//	entry point  the anchor that says where the table is and how long
//	table        structures one after the other, ended by a type 127
//	structure    a formatted part of a stated length, then its strings
//	damage       a place where the bytes stop making sense, and why
//	module       a type 17: one memory slot, with or without a module in it
//
// On Linux the two parts are separate files:
//
//	table := smbios.DecodeWith(entry, dmi) // .../smbios_entry_point, .../DMI
//	for _, m := range table.Modules() {
//		fmt.Println(m.Locator, m.Size, m.Rated, m.Configured)
//	}
//	// DIMM_A2 8 GiB 3200 MT/s 2400 MT/s
//
// Three rules hold throughout. Whatever comes before damage is kept, and the
// damage is reported beside it, never instead of it. Whether a field is there
// is decided by the structure's own length byte and never by the version in
// the entry point, since firmware puts new structures behind old versions. And
// a field that says nothing is not zero: every Value and Text carries the
// State that tells a missing field from one the firmware does not know and
// from one a vendor left at its fill text.
//
// Where it comes from: the offsets and codes of type 17 are transcribed in
// testdata/check/memory_standards.json, which names its source; all others,
// and the special values, are from memory of DSP0134. Each is held against
// dmidecode 3.4 by the tests, where that is installed.
//
// The package touches no file and no network: bytes in, values out. It guesses
// nothing, not even the channel a locator's text hints at.
package smbios
