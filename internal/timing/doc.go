// Package timing turns a workload's timing log into exact durations, and takes
// the results a workload prints out of its output.
//
// A timing log is a text file with one row a frame, pass or item. One of its
// columns holds durations or time stamps:
//
//	frame,frame_ms,scene
//	0,16.683,approach
//	1,16.702,approach
//
// Parse reads that as 16683000 and 16702000 nanoseconds. A Spec says what the
// operator chose; what it leaves empty is worked out, and where two readings
// are possible Parse does not pick one: it returns *Ambiguous, which lists them
// and says what to add. A Layout is the reading with everything decided. It is
// plain fields, travels with the run, and Layout.Spec reads the same bytes to
// the same durations for ever.
//
// # What is read
//
// Comma, semicolon, tab, runs of spaces, or one value a line; with or without
// a header; UTF-8 with or without a byte-order mark; lines ended by LF, CRLF or
// (when the file has no LF at all) CR; blank lines and comment lines between
// rows; a first line sep=; as spreadsheets write it; fields quoted with ", ""
// inside for a quote; a decimal point or comma; exponents (1.66e-2); a unit written in every cell (16.6 ms) or in the column's
// name (frame_ms, "Frame time (ms)", "time [s]", t/ms). Comment lines start with
// # or // unless Spec.Comment says otherwise, so a header that starts with # is
// only read with Comment "none". Empty fields past the last column are ignored.
// Grouped thousands (1,234.5) are never read.
//
// # Exactness
//
// A number goes from its digits to integer nanoseconds without a float between.
// Digits finer than the nanosecond are rounded half to even, each row for itself,
// and the log is marked "rounded": programs that print binary floats write
// 0.016683300000000002, and refusing that would refuse most of them. Time stamps
// are rounded first and subtracted after, so durations add up to the last stamp
// less the first. Anything past int64 nanoseconds (292 years) is refused.
//
// # How a reading is worked out
//
// The first 512 rows are looked at. A column counts as a time by the words and
// the unit in its name, by a unit in its cells, or, failing names, by holding
// positive numbers. Row numbers (0, 1, 2, ...), rates, and names that say
// something else (temperature, load, power) are passed over. A column that only
// rises may be time stamps; when its name does not say which it is, fewer than
// 32 rows of it are ambiguous. A unit nobody states is taken only when the other
// three are impossible (a total under one second, past int64, or, for ParseRun,
// longer than the run). One value a line such as 16,6 could be two columns;
// unless something settles it that is ambiguous too.
//
// # What is refused
//
// Refused by the project's own rules: fewer than two durations, a duration that
// is not above zero, a cell that is no number (NaN and infinities among them),
// time stamps that go backwards or stand still, less than one second in all; beyond that an empty or
// binary file, rows of unequal width, a cut last line, units mixed between cells,
// a quote left open. Nothing is repaired: *Refused names the line, the column and
// the text, and has a stable code for the flag. Oddities that leave the durations
// sound are Marks.
//
// The package reads bytes it is given: no files, no clock, and no judgement of
// what the durations mean.
package timing
