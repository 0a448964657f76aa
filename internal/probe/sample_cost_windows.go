package probe

import (
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

// memoryCounters is PROCESS_MEMORY_COUNTERS.
type memoryCounters struct {
	size, faults                       uint32
	peak, working                      uintptr
	_, _, _, _, pageFile, peakPageFile uintptr
}

var getProcessMemoryInfo = windows.NewLazySystemDLL("kernel32.dll").NewProc("K32GetProcessMemoryInfo")

func selfCost() Cost {
	own, _ := ownTimes()
	c := Cost{CPU: own}
	m := memoryCounters{size: uint32(unsafe.Sizeof(memoryCounters{}))}
	if getProcessMemoryInfo.Find() != nil {
		return c
	}
	if ok, _, _ := getProcessMemoryInfo.Call(uintptr(windows.CurrentProcess()), uintptr(unsafe.Pointer(&m)), uintptr(m.size)); ok != 0 {
		c.PeakRSS = int64(m.peak)
	}
	return c
}

// ownTimes gives the processor time of this process; that of its children is
// not told there.
func ownTimes() (own, children time.Duration) {
	var created, ended, kernel, user windows.Filetime
	if windows.GetProcessTimes(windows.CurrentProcess(), &created, &ended, &kernel, &user) != nil {
		return 0, 0
	}
	return elapsed(kernel) + elapsed(user), 0
}

// elapsed reads a Filetime that counts time passed, in units of 100 ns.
func elapsed(f windows.Filetime) time.Duration {
	return time.Duration(int64(f.HighDateTime)<<32|int64(f.LowDateTime)) * 100
}
