package watch

import (
	"errors"
	"time"

	"golang.org/x/sys/unix"

	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
)

const bootFile = "proc/sys/kernel/random/boot_id"

// LiveClock gives the running machine's clocks: CLOCK_REALTIME, CLOCK_BOOTTIME
// and CLOCK_MONOTONIC, and the kernel's boot id, read in t once. All three run
// at one rate, which time synchronisation bends for all of them, so that wall
// and boot clock part only when the wall clock is set.
func LiveClock(t *probe.Tree) (Clock, error) {
	id, err := t.Text(bootFile)
	if err == nil && id == "" {
		err = errors.New("empty")
	}
	if err != nil {
		return nil, fault.New("read boot id", "/"+bootFile, err).WithHint("without /proc a log cannot be placed in time; mount it")
	}
	return ClockFunc(func() Reading { return read(id) }), nil
}

// tight is within how long the clocks are read: one that took longer, because
// something else ran in between, is tried again.
const tight = 50 * time.Microsecond

func read(boot string) Reading {
	var best Reading
	least := time.Duration(-1)
	for range 4 {
		first := clock(unix.CLOCK_BOOTTIME)
		awake, wall := clock(unix.CLOCK_MONOTONIC), clock(unix.CLOCK_REALTIME)
		last := clock(unix.CLOCK_BOOTTIME)
		if took := last - first; least < 0 || took < least {
			least = took
			best = Reading{time.Unix(0, int64(wall)).UTC(), boot, first + took/2, awake}
		}
		if least <= tight {
			break
		}
	}
	return best
}

// clock reads one of the kernel's clocks; those asked for exist on every kernel
// that Go runs on.
func clock(id int32) time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(id, &ts); err != nil {
		panic("watch: the kernel has no such clock: " + err.Error())
	}
	return time.Duration(ts.Nano())
}
