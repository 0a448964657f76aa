package probe

import "time"

// Cost is what this process has cost the machine so far.
type Cost struct {
	CPU     time.Duration // processor time, in user and kernel mode
	PeakRSS int64         // most bytes of memory that were resident at once; 0 when the system does not say
}

// SelfCost asks the system for this process's cost: getrusage and, for the peak
// on Linux, VmHWM of /proc/self/status, because ru_maxrss there is inherited
// from the process that started this one. On Windows GetProcessTimes and the
// peak working set. A run's share of CPU is the difference of two; the peak
// cannot be taken apart and is that of the process's life.
func SelfCost() Cost { return selfCost() }
