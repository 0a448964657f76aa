// Package drift holds what a rig says against what it should be, and turns each
// difference into a flag. It is a function of values: snapshots, signals, a
// declared setup and an accepted mark go in, flags come out. The same code
// judges on the rig before a run and at the collector after it.
//
//	undeclared  memory.speed  expected 3200 MT/s  seen 2400 MT/s  caution
//	            /sys/firmware/dmi/tables/DMI: lowest configured speed of 2 modules
//
// A flag has a weight: the catalogue's, unless the setup weighs the fact
// otherwise, which the flag then shows. The heaviest makes the run's standing.
//
// What is unread is never fine: where a judgement needed the fact, that is a
// flag itself. Thresholds without a published source are fields of Bounds. The
// package never decides what to do about a finding.
package drift
