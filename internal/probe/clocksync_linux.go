package probe

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// adjtimex asks the kernel, changing nothing (modes 0), for its clock's state.
func adjtimex() (string, error) {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return "", err
	}
	synchronised := 1
	if t.Status&unix.STA_UNSYNC != 0 {
		synchronised = 0
	}
	offset := float64(t.Offset)
	if t.Status&unix.STA_NANO != 0 {
		offset /= 1000
	}
	return fmt.Sprintf("synchronised=%d maxerror_us=%d offset_us=%g", synchronised, t.Maxerror, offset), nil
}
