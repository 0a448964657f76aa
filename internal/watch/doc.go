// Package watch is the agent that is always on: what it knows of the machine's
// clocks and how it remembers the machine's signals, so that a timing log which
// turns up later still gets the state that it was taken under.
//
// A Reading is what the clocks showed at one moment, an Instant a moment by the
// clock that only a restart of the machine sets back. A Timeline is which wall
// time was which instant: through steps, suspensions and restarts, and while
// the agent was not running.
//
//	boot 6c5d…  from 0s to 2h3m12s    wall 2031-03-02T09:03:12Z = 41m7.25s
//	boot 6c5d…  from 2h3m12s          wall 2031-03-02T09:03:12Z = 1h41m7.25s, after a step back by an hour
//
// A Ring is what was sampled through the last hours, on the disk, and a Cut of it
// the signals of one span with every gap and the reason for it.
//
// Folders tells of the files in folders once nobody writes to them any more: each
// version of a file once, from the kernel's events and from looking through all.
//
// Order and length of anything belong to instants. Wall times come in from file
// systems and logs, and are turned into instants before they are compared. A
// wall time that was shown twice is told as two instants, never as one of them.
//
// It sets nothing on the machine, judges nothing, and keeps nothing that is
// meant to last: records do.
package watch
