// Package setup reads the two files that an operator writes: a workload, which
// says what is run and where its timings are, and a setup, which says in which
// state a rig is declared to be.
//
//	# orrery.toml (a workload)                # heron-rated.toml (a setup)
//	name    = "orrery"                        label = "memory-rated"
//	version = "3"                             rig   = "heron"
//	command = ["./orrery", "--seconds=20"]    [expect]
//	repeats = 5                               "memory.speed"  = 3200
//	[log]                                     "cpu.clock_max" = { min = 4100, max = 4300 }
//	path   = "orrery.csv"                     [weigh]
//	column = "frame_ms"                       "firmware.date" = "note"
//	unit   = "ms"                             [noted]
//	                                          cooler = "two-fan tower"
//
// A Workload and a Setup keep the exact bytes they were read from, since a
// record carries them. An Expectation is what a setup says of one fact; it
// either Holds for a Value or does not.
//
// Reading is strict. A key that is not known, a value of the wrong kind, a
// missing key, two values for one fact: each is an error of one line with the
// file and line it stands on, and a hint.
//
//	workload file: orrery.toml:7: unknown key "colum"
//	hint: the nearest known key is "column"
//
// The package works on bytes. It opens no file, starts no command, resolves no
// path, and knows neither the catalogue of facts (Setup.Check takes it as a
// function) nor how a timing log is read.
package setup
