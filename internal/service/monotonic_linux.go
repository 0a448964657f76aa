package service

import (
	"strconv"

	"golang.org/x/sys/unix"
)

// monotonicNow is the MONOTONIC_USEC of sd_notify(3): with it the manager knows
// that the readiness after it belongs to this reload.
func monotonicNow() string {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		return ""
	}
	return "MONOTONIC_USEC=" + strconv.FormatInt(t.Nano()/1000, 10)
}
