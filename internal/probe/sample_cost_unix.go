//go:build unix

package probe

import (
	"os"
	"runtime"
	"time"

	"golang.org/x/sys/unix"
)

func selfCost() Cost {
	var u unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &u) != nil {
		return Cost{}
	}
	c := Cost{CPU: busyTime(&u), PeakRSS: int64(u.Maxrss)}
	if runtime.GOOS != "darwin" && runtime.GOOS != "ios" {
		c.PeakRSS <<= 10 // KiB everywhere else
	}
	if b, err := os.ReadFile("/proc/self/status"); err == nil {
		if kib, wrong := numberAfter(b, "VmHWM:"); wrong == (cause{}) {
			c.PeakRSS = kib << 10
		}
	}
	return c
}

// ownTimes gives the processor time of this process, and of its children that
// have ended and been waited for.
func ownTimes() (own, children time.Duration) {
	var u unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &u) == nil {
		own = busyTime(&u)
	}
	if unix.Getrusage(unix.RUSAGE_CHILDREN, &u) == nil {
		children = busyTime(&u)
	}
	return own, children
}

func busyTime(u *unix.Rusage) time.Duration {
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
