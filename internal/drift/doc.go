// Package drift holds what a rig says against what it should be, and turns each
// difference into a flag. It is a function of values: snapshots, signals, a
// declared setup and an accepted mark go in, flags come out. The same code
// judges on the rig before a run and at the collector after it.
//
//	undeclared  memory.speed  expected 3200 MT/s  seen 2400 MT/s  caution
//	            /sys/firmware/dmi/tables/DMI: type 17: 2400 MT/s; setup memory-rated declares 3200
//
// Memory alone is held against three things that do not depend on each other:
// its rating (underrated), the setup (undeclared) and the mark (moved).
//
// A flag has a weight: the catalogue's, unless a rule below says why it is
// another. A part below its rating that the setup declares so is a note, and so
// is what follows from something else that moved. A setup may then weigh a fact
// otherwise, which the flag shows. The heaviest flag makes the run's standing.
//
// The outcome itself is held against what the rig did before (unlike): of runs
// under facts that agree with this run's, where there are enough of them, so that
// it says that something moved which no fact shows.
//
// What is unread is never fine: where a judgement needed the fact, that is a
// flag itself. Thresholds without a published source are fields of Bounds. The
// package never decides what to do about a finding.
package drift
