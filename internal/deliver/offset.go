package deliver

import (
	"slices"
	"time"

	"witnessmark/internal/rig"
)

// offsetsKept is how many answers the best is chosen from, and wander is how fast
// two clocks may drift apart: the stages of the clock filter and the frequency
// tolerance PHI of RFC 5905, sections 10 and 7.3.
const (
	offsetsKept = 8
	wander      = 15e-6
)

// Offsets tells how far a rig's wall clock is ahead of its collector's, from the
// times of beats and their answers. It calculates as RFC 5905, section 8, does on
// the wire, but from the boot clock, so that setting the wall clock takes nothing
// away from what is known: with T1 and T4 the rig's clock when the beat left and
// when the answer came, T2 and T3 the collector's in between, the offset is
// ((T1-T2)+(T4-T3))/2, and no farther than half of the round trip
// (T4-T1)-(T3-T2) from the truth. The shortest of the last eight round trips is
// taken. The zero value knows nothing.
type Offsets struct {
	kept []roundTrip // oldest first
}

type roundTrip struct {
	at   time.Duration // boot clock, in the middle
	zero time.Time     // the collector's clock when the boot clock was 0
	half time.Duration
}

// Add takes the times of one answered beat: the boot clock when it left and when
// the answer came, and the collector's clock in between. Times that cannot be are
// left out. An answer that contradicts the ones before shows that a clock was
// set, and puts them out of use.
func (o *Offsets) Add(left time.Duration, received, answered time.Time, came time.Duration) {
	round := (came - left) - answered.Sub(received)
	if came < left || answered.Before(received) || round < 0 {
		return
	}
	at := left + (came-left)/2
	t := roundTrip{at: at, zero: received.Add(answered.Sub(received) / 2).Add(-at), half: (round + 1) / 2}
	o.kept = slices.DeleteFunc(o.kept, func(k roundTrip) bool { return t.zero.Sub(k.zero).Abs() > t.half+k.uncertain(at) })
	if o.kept = append(o.kept, t); len(o.kept) > offsetsKept {
		o.kept = slices.Delete(o.kept, 0, 1)
	}
}

// uncertain is how far the round trip's word may be from the truth by now.
func (t roundTrip) uncertain(now time.Duration) time.Duration {
	return t.half + time.Duration(wander*float64((now-t.at).Abs()))
}

// At gives the offset of a wall clock that shows wall when the boot clock shows
// sinceBoot; nil when nothing is known.
func (o *Offsets) At(wall time.Time, sinceBoot time.Duration) *rig.ClockOffset {
	if len(o.kept) == 0 {
		return nil
	}
	best := slices.MinFunc(o.kept, func(a, b roundTrip) int { return int(a.uncertain(sinceBoot) - b.uncertain(sinceBoot)) })
	return &rig.ClockOffset{
		Ahead:       wall.Add(-sinceBoot).Sub(best.zero),
		Uncertainty: best.uncertain(sinceBoot),
		Measured:    wall.Add(best.at - sinceBoot).UTC(),
	}
}
