// Package vigil is the agent that is always on, put together: it samples the
// machine's signals into a ring, reads its facts when they may have moved, beats,
// and carries what is spooled to the collector.
//
//	plan, err := vigil.ReadPlan("/etc/witnessmark/agent.toml", os.ReadFile)
//	v, err := vigil.Open(vigil.Options{Plan: plan, …})
//	v.Run(ctx) // until ctx ends; v.Reload(plan) meanwhile
//
// A Plan is what the agent file says, with the setup files that it names. Clock,
// tree, connection and the kernel's word that something changed are passed in.
//
// The agent goes on through all that can go wrong: no collector in reach, a full
// disk, too few rights. What it cannot do at present is a trouble; it is logged
// when it begins and when it is over, and stands in every beat.
//
// It only reads the machine.
package vigil
