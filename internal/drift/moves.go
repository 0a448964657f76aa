package drift

import (
	"fmt"
	"time"

	"witnessmark/internal/rig"
)

// Move is a fact that is not the same in two snapshots, by the catalogue's
// tolerance. Was and Now are words where a side has no value.
type Move struct {
	Fact     rig.Key
	Was, Now rig.Value
	Unit     rig.Unit
}

// Moves gives what differs from one snapshot of a rig to a later one. A device
// that came or went is one move, and what passes by nature from moment to moment
// is none.
func Moves(was, now rig.Snapshot) (out []Move) {
	was, now = rig.NewSnapshot(was.At, was.Facts), rig.NewSnapshot(now.At, now.Facts)
	for _, d := range differences(was, now) {
		out = append(out, Move{d.fact, d.was, d.now, d.unit})
	}
	return out
}

// wallClock holds the rig's wall clock against its collector's. What it is
// uncertain by speaks for the rig.
func (j *judge) wallClock() {
	o := j.in.Offset
	if o == nil || (o.Ahead.Abs()-o.Uncertainty).Seconds() <= j.bounds.ClockOffset {
		return
	}
	way := "ahead of"
	if o.Ahead < 0 {
		way = "behind"
	}
	j.raise(Flag{Kind: Unsteady, Fact: clockAhead, Expected: rig.TextOf(fmt.Sprintf("within %s s of the collector", rig.NumberOf(j.bounds.ClockOffset))),
		Seen: rig.NumberOf(round(o.Ahead.Seconds())), Unit: rig.Second, Weight: rig.Caution,
		Evidence: fmt.Sprintf("beats: the rig's wall clock is %v %s the collector's, give or take %v; its times of day are wrong by that", o.Ahead.Abs(), way, o.Uncertainty)})
}

// setAndSlept looks at what became of the clocks during the run.
func (j *judge) setAndSlept() {
	var set time.Duration // the farthest
	for _, d := range j.in.Run.Set {
		if d.Abs() > set.Abs() {
			set = d
		}
	}
	if set.Abs().Seconds() > j.bounds.ClockOffset {
		j.raise(Flag{Kind: Unsteady, Fact: clockSet, Expected: rig.TextOf("a wall clock that is left alone"), Seen: rig.NumberOf(round(set.Seconds())), Unit: rig.Second, Weight: rig.Caution,
			Evidence: fmt.Sprintf("boot clock: the wall clock was set by %v during the run; what the workload timed by it is wrong by that", set)})
	}
	if slept := j.in.Run.Slept; slept > 0 {
		j.raise(Flag{Kind: Unsteady, Fact: clockSlept, Expected: rig.TextOf("a machine that is awake"), Seen: rig.NumberOf(round(slept.Seconds())), Unit: rig.Second, Weight: rig.Caution,
			Evidence: fmt.Sprintf("boot clock: the machine was suspended for %v during the run", slept)})
	}
}
