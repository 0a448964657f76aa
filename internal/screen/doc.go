// Package screen is how both commands talk to a person: aligned tables, numbers
// with no more digits than they carry, progress on a terminal, errors of one
// line with a hint, exit codes, and the one way in which a run, its flags and a
// rig's facts are shown.
//
//	caution  underrated  memory.speed  2400 MT/s  expected 3200 MT/s
//	         /sys/firmware/dmi/tables/DMI: type 17; the modules are rated for more
//
//	collector: find run: k7q: not kept here
//	hint: list the runs with: collector runs
//
// Rules that hold for everything printed here. What another machine wrote is
// shown with its control characters spelt out, so that no name or log can write
// over the screen. A colour only repeats what a word says, and only on a
// terminal that has colours and whose owner did not set NO_COLOR. Into a pipe go
// no colours, no progress and no wrapping. Times are UTC.
//
// JSON does not pass through here but for its writer: it carries full numbers.
// The package asks nobody anything and decides nothing about a run.
package screen
