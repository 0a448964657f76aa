package drift

import (
	"slices"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// Input is all that a judgement looks at. Before a run only Before, Setup and
// Mark are there; Run is nil.
type Input struct {
	Rig    string // its name
	Before rig.Snapshot
	Setup  *setup.Setup // nil when none is declared
	Mark   *Mark        // nil when none is accepted
	Run    *Run         // nil before a run
	// LastKey is the fingerprint of the key that signed the rig's run before
	// this one; "" when there was none.
	LastKey string
	Series  *Series // nil when there is none to hold the outcome against
	// Offset is how far the rig's wall clock is ahead of its collector's; nil when
	// that is not known.
	Offset *rig.ClockOffset
}

// Mark is the accepted reference snapshot of a rig in a setup.
type Mark struct {
	RunID    string
	Snapshot rig.Snapshot
}

// Run is what a run adds to the state it began in.
type Run struct {
	After   rig.Snapshot
	Signals []rig.Signal
	Elapsed time.Duration
	// Set is by how much the wall clock was set during the run, each time; forward
	// is positive. Slept is for how long the machine was suspended.
	Set     []time.Duration
	Slept   time.Duration
	Outcome string // finished, failed, killed, interrupted, timed_out, not_started, taken
	Detail  string // the outcome in words: "exit code 3"
	Logs    []Log
	// MissingResults lists results the workload declared but did not print, by name.
	MissingResults []string
	Key            string // fingerprint of the rig's key; "" when not known
}

// Log is what became of one timing log.
type Log struct {
	Name    string
	Refused string // a stable word; "" when it was taken
	Detail  string // a sentence with the place in the file
	Marks   []LogMark
}

// LogMark is something worth knowing about a log that was taken.
type LogMark struct {
	Code   string
	Detail string
}

// ordered gives the input with facts and signals sorted, as the judgement needs
// them, and with as many samples in a signal as it has offsets.
func (in Input) ordered() Input {
	in.Before = rig.NewSnapshot(in.Before.At, in.Before.Facts)
	if in.Mark != nil {
		in.Mark = &Mark{in.Mark.RunID, rig.NewSnapshot(in.Mark.Snapshot.At, in.Mark.Snapshot.Facts)}
	}
	if in.Run == nil {
		return in
	}
	run := *in.Run
	run.After = rig.NewSnapshot(run.After.At, run.After.Facts)
	run.Signals = slices.Clone(run.Signals)
	for i := range run.Signals {
		s := &run.Signals[i]
		n := min(len(s.Offsets), len(s.Values))
		s.Offsets, s.Values = s.Offsets[:n], s.Values[:n]
	}
	slices.SortStableFunc(run.Signals, func(a, b rig.Signal) int { return rig.Compare(a.Key, b.Key) })
	in.Run = &run
	return in
}
