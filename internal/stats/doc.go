// Package stats turns timings into numbers that survive a reviewer, and refuses
// where the data cannot carry the number.
//
// A run is one timed execution, given as frame times in nanoseconds in the order
// they happened; Describe summarises it, HeadlineOf in few figures. A repeat is
// one run among several of the same configuration; only repeats carry an
// interval, because the frames inside a run depend on each other. A comparison is
// the ratio of two sets of repeats with its interval and one of three verdicts. A
// cell is one combination of two factors in a scaling grid.
//
// Every figure is a Number: a value with its unit, the id of the method that made
// it, the parameters used, how many values it rests on, and a status. The mean
// rate of the reference series, for one, is
//
//	Number{Value: 99.4730649337966, Unit: "frames/s", Method: "rate.mean", N: 6017, Status: ok}
//
// A refused Number holds NaN and the reason, never a zero. Results of several
// numbers carry a status of their own in the same form (Grade).
//
// Bounds without a published source, such as a margin of 1 % or "five values in
// the tail", are design choices: they stand in the option structs, whose zero
// fields mean the documented default, and come back with the result.
//
// The package knows no clock, disk, network or rig: random methods take a seed
// and repeat exactly. It does not decide whether two runs may be compared; that
// needs their facts.
package stats
