package trees

import (
	"fmt"
	"strings"
)

// System is the kernel and what runs on it.
type System struct {
	Release, Build string // "6.12.40-dome", "#1 SMP PREEMPT_DYNAMIC ..."
	CommandLine    string
	OS, OSVersion  string
	Clocksource    string
	Clocksources   string // available
	THP, THPDefrag string // as in the file: "[always] madvise never"
	BootID         string
	MachineID      string
	Uptime         float64 // seconds
	Load           float64 // average of the last minute
	Tasks          int
	Profile        string // platform profile; empty: no such file
	LinkPolicy     string // pcie_aspm policy; empty: no such file
	NoPressure     bool   // kernel without pressure accounting
}

func (b *builder) system(r Rig) {
	s := r.System
	b.put("proc/version", fmt.Sprintf("Linux version %s (builder@workshop) (cc 14.2.0, ld 2.44) %s", s.Release, s.Build))
	b.put("proc/cmdline", s.CommandLine)
	b.put("proc/uptime", fmt.Sprintf("%.2f %.2f", s.Uptime, s.Uptime*float64(len(r.CPU.threads()))*0.97))
	b.put("proc/loadavg", fmt.Sprintf("%.2f %.2f %.2f 1/%d 4711", s.Load, s.Load/2, s.Load/4, s.Tasks))
	b.stat(len(r.CPU.threads()), s.Uptime)
	b.all("proc/sys/kernel", map[string]any{
		"ostype": "Linux", "osrelease": s.Release, "version": s.Build, "hostname": r.Host, "tainted": 0, "random/boot_id": s.BootID,
		"nmi_watchdog": 1, "randomize_va_space": 2, "perf_event_paranoid": 2,
	})
	if !s.NoPressure {
		b.pressure("cpu", 7_301_442, 0)
		b.pressure("io", 2_118_020, 1_804_411)
		b.pressure("memory", 0, 0)
	}
	b.all("sys/devices/system/clocksource/clocksource0", map[string]any{"current_clocksource": s.Clocksource, "available_clocksource": s.Clocksources})
	b.text("etc/os-release", fmt.Sprintf("PRETTY_NAME=%q", s.OS+" "+s.OSVersion), fmt.Sprintf("NAME=%q", s.OS), "ID="+strings.ToLower(strings.Fields(s.OS)[0]), fmt.Sprintf("VERSION_ID=%q", s.OSVersion))
	b.put("etc/machine-id", s.MachineID)
	if s.Profile != "" {
		b.put("sys/firmware/acpi/platform_profile", s.Profile)
	}
	if s.LinkPolicy != "" {
		b.put("sys/module/pcie_aspm/parameters/policy", s.LinkPolicy)
	}
}

// stat writes /proc/stat of a machine that has been idle nearly all its time.
// Times are in ticks of 10 ms.
func (b *builder) stat(processors int, uptime float64) {
	ticks := int(uptime * 100)
	line := func(name string, n int) string {
		user, system, iowait, soft := ticks*n/100, ticks*n/200, ticks*n/1000, ticks*n/2000
		return fmt.Sprintf("%s %d 0 %d %d %d 0 %d 0 0 0", name, user, system, ticks*n-user-system-iowait-soft, iowait, soft)
	}
	lines := []string{line("cpu ", processors)}
	for i := range processors {
		lines = append(lines, line(fmt.Sprintf("cpu%d", i), 1))
	}
	b.text("proc/stat", append(lines, fmt.Sprintf("intr %d 0 9 0", ticks*7), fmt.Sprintf("ctxt %d", ticks*11), "btime 1930000000",
		"processes 48211", "procs_running 1", "procs_blocked 0", fmt.Sprintf("softirq %d 1 2 3", ticks*3))...)
}

func (b *builder) pressure(what string, some, full int) {
	line := func(kind string, total int) string {
		return fmt.Sprintf("%s avg10=0.00 avg60=0.00 avg300=0.00 total=%d", kind, total)
	}
	b.text("proc/pressure/"+what, line("some", some), line("full", full))
}
