package rig

import "time"

// ClockOffset is how far a rig's wall clock is ahead of its collector's.
type ClockOffset struct {
	Ahead       time.Duration // the rig's clock minus the collector's; negative when it is behind
	Uncertainty time.Duration // the truth lies no farther away, unless a clock was set since
	Measured    time.Time     // by the rig's wall clock
}

// BootClock places a moment on the clock that runs from a boot to the next,
// through suspends, and that nobody sets.
type BootClock struct {
	Boot      string        // the boot's id; "" when it is not known
	SinceBoot time.Duration // counts suspends
	Offset    *ClockOffset  // nil when it is not known
}

// What puts wall times in doubt; both are design choices. Reading two clocks one
// after the other is worth less than a millisecond, more on a busy machine.
const (
	leastStep = 20 * time.Millisecond
	mostAhead = 2 * time.Second
)

// Straighten puts the wall times of moments right that at gives: where the clock
// was set between those of one boot, or was far from the collector's, they are
// told by the boot clock, from when the boot began by the collector's clock or, if
// that offset is not known, by the wall clock at the latest of the moments. Sorted
// by them, moments are in the order in which they came to be. Other times stay as
// they are. Offsets are taken away, as they hold no longer.
func Straighten[T any](list []T, at func(*T) (*time.Time, *BootClock)) {
	boots := map[string][]int{}
	for i := range list {
		if _, c := at(&list[i]); c.Boot != "" {
			boots[c.Boot] = append(boots[c.Boot], i)
		}
	}
	for _, of := range boots {
		began, doubted := beginning(list, of, at)
		for _, i := range of {
			wall, c := at(&list[i])
			if c.Offset = nil; doubted {
				*wall = began.Add(c.SinceBoot)
			}
		}
	}
}

// beginning gives the best of what moments say of when their boot began, and
// whether what their wall clocks showed is in doubt.
func beginning[T any](list []T, of []int, at func(*T) (*time.Time, *BootClock)) (began time.Time, doubted bool) {
	var low, high time.Time // of the beginning by the wall clock
	var latest time.Duration
	var best *ClockOffset
	for k, i := range of {
		wall, c := at(&list[i])
		zero := wall.Add(-c.SinceBoot)
		if k == 0 || zero.Before(low) {
			low = zero
		}
		if k == 0 || zero.After(high) {
			high = zero
		}
		switch o := c.Offset; {
		case o != nil && (best == nil || o.Uncertainty < best.Uncertainty):
			best, began = o, zero.Add(-o.Ahead)
		case best == nil && (k == 0 || c.SinceBoot >= latest):
			began, latest = zero, c.SinceBoot
		}
	}
	doubted = high.Sub(low) >= leastStep
	if best != nil {
		far := max(high.Sub(began).Abs(), low.Sub(began).Abs())
		doubted = doubted || far-best.Uncertainty > mostAhead
	}
	return began, doubted
}
