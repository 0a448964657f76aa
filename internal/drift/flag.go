package drift

import (
	"time"

	"witnessmark/internal/rig"
)

// Kind says why a flag was raised.
type Kind string

const (
	Undeclared Kind = "undeclared" // a fact is not what the setup declares
	Underrated Kind = "underrated" // a part runs below what it is rated for
	Moved      Kind = "moved"      // a fact differs from the accepted mark
	Unsteady   Kind = "unsteady"   // something changed during the run, or was about to
	Unlike     Kind = "unlike"     // the outcome is outside what its series predicts
	UnreadFact Kind = "unread"     // a fact that the judgement relies on could not be read
)

// kinds lists every Kind in the order in which flags of one weight stand.
var kinds = []Kind{Undeclared, Underrated, Moved, Unsteady, Unlike, UnreadFact}

// Flag is one finding. Expected and Seen are values in Unit, or words where a
// value does not say it ("4100 to 4300", "unread: denied"); Evidence names the
// source and the raw reading.
type Flag struct {
	Kind     Kind       `json:"kind"`
	Fact     rig.Key    `json:"fact"`
	Expected rig.Value  `json:"expected"`
	Seen     rig.Value  `json:"seen"`
	Unit     rig.Unit   `json:"unit,omitempty"`
	Weight   rig.Weight `json:"weight"`
	Evidence string     `json:"evidence"`
	// WeightBefore is the weight without the setup where the setup changed it,
	// by declaring the fact or by weighing it; else 0.
	WeightBefore rig.Weight `json:"weight_before,omitzero"`
}

// Standing is what the flags make of a run.
type Standing string

const (
	Clean   Standing = "clean"   // nothing above a note
	Careful Standing = "caution" // something may mislead
	Voided  Standing = "void"    // not to be used
)

// StandingOf gives the standing that the heaviest flag asks for.
func StandingOf(flags []Flag) Standing {
	s := Clean
	for _, f := range flags {
		switch {
		case f.Weight == rig.Void:
			return Voided
		case f.Weight == rig.Caution:
			s = Careful
		}
	}
	return s
}

// Judgement is the flags of a run, what they make of it, and by which mark.
type Judgement struct {
	Standing Standing
	Flags    []Flag // heaviest first; no two have both kind and fact the same
	MarkRun  string // the run whose snapshot was the mark; "" when there was none
	At       time.Time
}

// Keys of flags that stand for a signal as a whole.
const (
	otherLoad   rig.Key = "load.other"
	coreClock   rig.Key = "cpu.clock"
	temperature rig.Key = "temperature"
	clockAhead  rig.Key = "clock.ahead"
	clockSet    rig.Key = "clock.set"
	clockSlept  rig.Key = "clock.slept"
)

// Known says whether a setup may name k in [weigh]: a fact of the catalogue, or
// one of the few signals that flags are raised on and that are no facts.
func Known(k rig.Key) bool {
	if _, ok := rig.Lookup(k); ok {
		return true
	}
	return k == otherLoad || k == coreClock || k == temperature || k == clockAhead || k == clockSet || k == clockSlept
}
