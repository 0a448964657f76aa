package probe

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

const kernelDir = "proc/sys/kernel/"

// kernel puts the kernel and how it was started.
func (s *sheet) kernel() {
	s.put("kernel.release", firstOf(s.file(kernelDir+"osrelease"), s.versionWord()))
	s.put("kernel.build", s.file("proc/version"))
	s.put("kernel.command_line", s.commandLine())
	s.put("kernel.preemption", s.preemption())
	const clock = "sys/devices/system/clocksource/clocksource0/"
	s.put("kernel.clocksource", s.file(clock+"current_clocksource"))
	s.put("kernel.clocksources", s.file(clock+"available_clocksource"))
	s.put("kernel.taint", s.number(kernelDir+"tainted", 1, 0, 1<<52))
	s.putHashed("kernel.boot_id", s.file(kernelDir+"random/boot_id"))
	s.put("kernel.uptime", s.uptime())
	s.put("kernel.watchdog", s.number(kernelDir+"nmi_watchdog", 1, 0, 1))
	s.put("kernel.address_randomising", s.number(kernelDir+"randomize_va_space", 1, 0, 2))
	s.put("kernel.perf_paranoid", s.number(kernelDir+"perf_event_paranoid", 1, -1, 9))
}

// versionWord is the release in "Linux version 6.1.0 (builder) ...".
func (s *sheet) versionWord() reading {
	r := s.file("proc/version")
	text, ok := r.value.Text()
	if !ok {
		return r
	}
	f := strings.Fields(text)
	if len(f) < 3 || f[1] != "version" {
		return unread(r.source, rig.Implausible, "no release in "+cut(text))
	}
	return textReading(r.source, f[2])
}

func (s *sheet) uptime() reading {
	const file = "proc/uptime"
	text, err := s.tree.Text(file)
	if err != nil {
		return failed("/"+file, err)
	}
	up, _, _ := strings.Cut(text, " ")
	return parsedNumber("/"+file, up, 1, 0, 1e10)
}

var (
	uuidText = regexp.MustCompile(`[0-9a-fA-F]{8}-(?:[0-9a-fA-F]{4}-){3}[0-9a-fA-F]{12}`)
	macText  = regexp.MustCompile(`\b(?:[0-9a-fA-F]{2}:){5}[0-9a-fA-F]{2}\b`)
)

// commandLine gives the boot options sorted, without the image, the root and
// what carries the identity of a disk or card: those differ between machines,
// and sometimes between boots, without bearing on a result.
func (s *sheet) commandLine() reading {
	const file = "proc/cmdline"
	b, err := s.tree.Read(file)
	if err != nil {
		return failed("/"+file, err)
	}
	options := strings.Fields(string(b))
	if end := slices.Index(options, "--"); end >= 0 {
		options = options[:end]
	}
	options = slices.DeleteFunc(options, func(o string) bool {
		return strings.HasPrefix(o, "BOOT_IMAGE=") || strings.HasPrefix(o, "root=") || strings.HasPrefix(o, "initrd=") ||
			uuidText.MatchString(o) || macText.MatchString(o)
	})
	slices.Sort(options)
	return textReading("/"+file, orNone(strings.Join(options, " ")))
}

// preemption is how the kernel says it was built and, where it was built to
// choose at boot and shows what it chose, that.
func (s *sheet) preemption() reading {
	r := s.file("proc/version")
	text, ok := r.value.Text()
	if !ok {
		return r
	}
	built := "PREEMPT not built in"
	for _, w := range strings.Fields(text) {
		if strings.HasPrefix(w, "PREEMPT") {
			built = w
		}
	}
	if chosen := s.choice("sys/kernel/debug/sched/preempt"); chosen.ok() {
		return textReading(chosen.source, built+" "+chosen.value.String())
	}
	return textReading(r.source, built)
}

// kernelModules puts the version of each module that drives a device on the
// bus or did not come with the kernel, where it states one.
func (s *sheet) kernelModules() {
	const dir = "sys/module"
	drives := map[string]bool{}
	devices, _ := s.pciDevices()
	for _, d := range devices {
		if link, err := s.tree.Link(d.where + "/driver/module"); err == nil {
			drives[base(link)] = true
		}
	}
	for _, m := range s.list(dir) {
		if taint, _ := s.tree.Text(dir + "/" + m + "/taint"); taint == "" && !drives[m] {
			continue
		}
		if r := s.file(dir + "/" + m + "/version"); r.why.Reason != rig.Absent {
			s.put(keyOf("kernel.module", m, "version"), r)
		}
	}
}

// system puts the installed system and the host's name.
func (s *sheet) system() {
	s.put("host.name", s.file(kernelDir+"hostname"))
	source, lines, err := s.osRelease()
	line := func(names ...string) reading {
		if err != nil {
			return failed(source, err)
		}
		for _, n := range names {
			if v, ok := lines[n]; ok {
				return textReading(source+": "+n, unquoted(v))
			}
		}
		return unread(source, rig.Absent, "no "+names[0])
	}
	s.put("os.name", line("NAME", "ID"))
	s.put("os.version", line("VERSION_ID", "VERSION", "BUILD_ID"))
}

func (s *sheet) osRelease() (source string, lines map[string]string, err error) {
	files := []string{"etc/os-release", "usr/lib/os-release"}
	for _, file := range files {
		b, e := s.tree.Read(file)
		if e == nil {
			return "/" + file, pairs(b, "="), nil
		}
		err = cmpErr(err, e)
	}
	return "/" + files[0], nil, err
}

func unquoted(s string) string {
	if u, err := strconv.Unquote(s); err == nil {
		return u
	}
	return strings.Trim(s, `'"`)
}
