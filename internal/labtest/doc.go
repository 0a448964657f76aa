// Package labtest makes what tests of the whole walk need and no real bench has
// to give: rigs with finished runs, a collector in memory, processes that can be
// killed at any moment, and a network that breaks.
//
//	heron := labtest.NewRig("heron", labtest.Rand(t))
//	run := heron.Finish(labtest.Shape{LogBytes: 1 << 20})
//	lab := labtest.NewCollector(t)
//	reply, err := deliver.Send(ctx, lab, run.Signed, run.Parts())
//
// A Rig is a name, a key and a clock of its own; a Run is one record of it with
// the files that belong to it. Everything in a run is invented and random, but
// well formed: record.Encode takes it, the logs are read as they say. What
// happens between processes has its pieces here too: Roles and Child (a test
// binary that starts itself again in another part, and is killed), Proxy (a
// connection that is cut after some bytes) and Ledger (what must exist, told to
// the disk before a kill can come).
//
// It is imported by tests, and by the demonstration under testdata, only. It
// draws all chance from the *rand.Rand it is given, never asks for the time of
// day, and asserts nothing about speed.
package labtest
