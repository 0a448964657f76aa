// Package compare sets two sides of chosen runs against each other: first what
// was and was not controlled between them, then what the difference is.
//
// A side is the runs of one configuration, the base or what is held against it.
// The factor is the fact that the comparison means to vary; what the catalogue or
// the analyst says follows from it may differ with it. Everything else has to be
// known and equal on both sides:
//
//	not controlled: firmware.version is 1.08 on the base, 1.10 against it
//
// A difference of a class that changes what is measured (firmware, driver,
// version of the content, its settings, the definition of a figure) refuses the
// ratio altogether. A run is the unit of evidence: one run a side has no interval
// and no verdict.
//
// The package is a function of the runs it is given. It fetches none, judges no
// run by itself, and never says "no difference": that is "not resolved" unless an
// equivalence test holds.
package compare
