package rig

import "time"

// ClockOffset is how far a rig's wall clock is ahead of its collector's.
type ClockOffset struct {
	Ahead       time.Duration // the rig's clock minus the collector's; negative when it is behind
	Uncertainty time.Duration // the truth lies no farther away, unless a clock was set since
	Measured    time.Time     // by the rig's wall clock
}
