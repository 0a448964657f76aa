// Package play turns a scenario (setup.Scenario) into finished runs of invented
// rigs: real records with facts read by probe from captured trees, timing logs
// from a model, and signals to go with them, signed and ready for a spool.
//
//	p, err := play.Load("testdata/planetarium/planetarium.toml")
//	defer p.Close()
//	for _, b := range p.Blocks {
//		for run, err := range b.Runs(ctx) {
//			deliver.Send(ctx, conn, run.Signed, run.Parts())
//		}
//	}
//
// # The model
//
// A frame of a scene takes, in the state of its block,
//
//	ms × (clock × f0/f + memory × m0/m + rest) / (factor × drift^i)
//
// where clock and memory are the scene's shares and rest what is left of 1, f0
// and m0 the workload's reference, i counts the block's runs from 0. m is the
// rig's memory.speed and f the lower of its cpu.clock_max and cpu.clock_limit, as
// the tree has them or the block sets them; "cpu.clock" in a block's set is a
// clock that is measured and that no fact tells of. What is unread and not set
// counts as the reference. On top of it the log of the time has one normal draw
// a run (noise) and a first-order autoregressive series over the frames with
// correlation 0.9 (jitter), whose mean factor on the time is 1.
//
// A run begins with its first picture standing still, at the first scene's frame
// time, for a random part of lead_in (rows of scene 0 in the log); then its
// scenes follow each other by the clock, or by the frame. Durations are whole
// nanoseconds; the log gives all digits.
//
// # Facts and signals
//
// A set fact replaces the tree's and says so in its source. Facts of the same
// parts follow: the modules' speeds those of the memory, the clocks of each group
// of cores the highest. A setup that is only named is made up: it declares what
// the block sets, as someone who sets it on purpose would. Signals are sampled
// from the tree by probe, which sees them stand still; clocks, processor
// temperatures, load, energy and throttle counts are made up instead, and their
// sources say so.
//
// A run's id comes from its start and its own bytes, its rig's key from the rig's
// name: the same scenario plays the same runs, and a collector keeps them once.
// Nothing here was ever measured, and every record says so.
package play
