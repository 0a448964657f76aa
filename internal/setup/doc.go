// Package setup reads the files that an operator writes: a workload, which says
// what is run and where its timings are, a setup, which says in which state a rig
// is declared to be, a plan, which says what is to be measured, and a scenario,
// which says what is to be played on invented rigs where there are no real ones.
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
// A workload file may further have
//
//	prepare = ["go", "build", "-o", "out/", "."]   run once before the first repeat, outside every measurement
//	dir = "../orrery"       where both run, relative to the file
//	timeout = "2m"          for each repeat
//	content = "time"        or "frame": what moves the content on
//	[env]                   texts: environment variables
//	[settings]              texts, numbers, truths: recorded with every run
//	[log]                   also kind, separator, decimal, header, comment, stamp, stamp_unit
//	[result.score]          pattern = 'score ([0-9.]+)', unit = "points", better = "higher"
//	[settle]                below = 45 (degrees Celsius), other_load = 2 (percent), limit = "10m"
//
// and a setup file states a fact as a value, { value = 3200, tolerance = "1%" },
// { min = 4100, max = 4300 } or { one_of = ["tsc", "hpet"] }. Keys of facts may be
// quoted, dotted or in tables; those with an index in brackets need the quotes.
//
// A plan file has cells, whose lists are crossed:
//
//	name        = "dome-memory"
//	stale_after = "90d"         older runs are to be made again; without it none is
//	include     = "clean"       or "caution": runs under caution count too
//	rounds      = 2             visits to each setup, there and back
//	repeats     = 6             for cells that say nothing else
//	[[cell]]
//	workload = ["orrery", "dome-encode"]
//	version  = "3"              of the workload; without it the newest that was run
//	rig      = ["heron", "plover"]
//	setup    = ["memory-default", "memory-rated"]   without it runs without a setup
//
// The keys of an agent file and of a collector file are described in deploy/agent.toml
// and deploy/collector.toml. A scenario's keys are described beside the program that
// plays it, in testdata/planetarium.
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
