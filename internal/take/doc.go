// Package take makes records of timing logs that turn up in watched folders: of
// runs that somebody else started and nobody told the agent of.
//
// A log is complete when nobody changed it for a while or when it was renamed
// into place. It is then read, its span is worked out, the signals of the span
// are cut from the ring, the states nearest before and after are attached, and
// the record goes into the spool:
//
//	/srv/dome/logs/orrery-0217.csv   1224 rows, 20.53 s
//	from 41m7.25s after boot 6c5d…   by its length back from its last write
//	to   41m27.78s                   when it was last written
//
// # Once
//
// A log is known by its bytes. The Ledger says of each, before its record is
// made, under which id that will be, so that an agent which is killed in between
// finishes the same run, and the same log under another name, at another time or
// in another folder is not taken again. Only a span that somebody named, that no
// log has used and that the same bytes were written in again makes another run
// of them.
//
// # When
//
// A log with time stamps that are wall times says itself when it ran. One without
// belongs to the span named by Spans.Begin and End that it was written in, and
// else ended when it was last written and began by its length before that. Wall
// times become instants of the boot clock by watch.Timeline; where that has two
// answers, or none, the bound says so.
//
// # Logs that were not complete
//
// A log that goes on after it was taken is taken again, whole, once it is
// complete again, and marked as holding earlier rows: the first record stays, for
// records never change. One whose last line is cut off, or that cannot be read as
// the operator says, is a Trouble and no record; it is read again when it changes.
// Empty files are waited for.
//
// The package starts nothing, judges nothing and delivers nothing.
package take
