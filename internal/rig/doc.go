// Package rig knows what one test machine can say of itself: facts with units
// and sources, snapshots of them, signals sampled through a run, and the
// catalogue that says of each known fact what it follows from and why it matters.
//
// A fact is a dotted key and either a value or the reason it could not be read:
//
//	memory.speed               2400 MT/s      /sys/firmware/dmi/tables/DMI: type 17
//	memory.module[DIMM_A1].rank  unread: denied  /sys/firmware/dmi/tables/DMI
//
// An unread fact is never a zero, never an empty text and never left out.
// The package holds values only; it opens nothing, asks no clock and judges
// nothing. Reading is done by package probe, judging by package drift.
package rig
