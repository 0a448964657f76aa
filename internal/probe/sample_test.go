package probe

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/rig"
)

// lab is a tree whose files a test changes while it is sampled. Its files
// answer as a kernel's do: one whose device has been taken away says so, even
// to who has it open.
type lab struct {
	*Sampler
	t     *testing.T
	dir   string
	fault map[string]syscall.Errno // by a part of the path
}

const tenth = 100 * time.Millisecond

func newLab(t *testing.T, f files, opt SampleOptions) *lab {
	t.Helper()
	l := &lab{t: t, dir: t.TempDir(), fault: map[string]syscall.Errno{}}
	f.write(t, l.dir)
	l.Sampler = NewSampler(open(t, l.dir), opt)
	l.read = func(f *openFile, quick bool, buf []byte) (int, syscall.Errno) {
		name := f.file.Name()
		for part, errno := range l.fault {
			if strings.Contains(name, part) {
				return 0, errno
			}
		}
		kept, err := f.file.Stat()
		now, err2 := os.Stat(name)
		if err != nil || err2 != nil || !os.SameFile(kept, now) {
			return 0, syscall.ENODEV
		}
		return readInPlace(f, quick, buf)
	}
	t.Cleanup(l.Close)
	return l
}

// set rewrites files in place, without making new ones of them.
func (l *lab) set(f files) {
	l.t.Helper()
	f.write(l.t, l.dir)
}

func (l *lab) remove(name string) {
	l.t.Helper()
	if err := os.RemoveAll(filepath.Join(l.dir, name)); err != nil {
		l.t.Fatal(err)
	}
}

func (l *lab) signal(k rig.Key) rig.Signal {
	l.t.Helper()
	all := l.Signals()
	i := slices.IndexFunc(all, func(s rig.Signal) bool { return s.Key == k })
	if i < 0 {
		l.t.Fatalf("no signal %s among %d", k, len(all))
	}
	if s := all[i]; len(s.Offsets) != len(s.Values) || (len(s.Values) == 0) != (s.Unread.Reason != "") {
		l.t.Fatalf("%s has %d offsets, %d values, unread %q", k, len(s.Offsets), len(s.Values), s.Unread)
	}
	return all[i]
}

func (l *lab) want(k rig.Key, values ...int64) {
	l.t.Helper()
	if s := l.signal(k); !slices.Equal(s.Values, values) {
		l.t.Errorf("%s: %v, want %v (%v %v)", k, s.Values, values, s.Unread, s.Gaps)
	}
}

// merge joins trees; the later wins.
func merge(all ...files) files {
	out := files{}
	for _, f := range all {
		for k, v := range f {
			out[k] = v
		}
	}
	return out
}

const policy0 = freqDir + "/policy0/"

func aPolicy(khz int) files {
	return files{policy0 + "affected_cpus": "0\n", policy0 + "scaling_cur_freq": fmt.Sprintln(khz), policy0 + "scaling_max_freq": "4200000\n", policy0 + "cpuinfo_max_freq": "4200000\n"}
}

func TestSamplesFollowTheFiles(t *testing.T) {
	const (
		rapl = "sys/class/powercap/intel-rapl:0/"
		thr  = cpuDir + "/cpu0/thermal_throttle/"
		cool = "sys/class/thermal/cooling_device3/"
		link = "sys/bus/pci/devices/0000:01:00.0/"
	)
	l := newLab(t, merge(chips(), aPolicy(4_100_000), files{
		rapl + "name": "package-0\n", rapl + "energy_uj": "900\n", rapl + "max_energy_range_uj": "1000\n",
		cpuDir + "/online": "0\n", cpuDir + "/cpu0/topology/physical_package_id": "0\n", cpuDir + "/cpu0/topology/core_cpus_list": "0\n",
		thr + "core_throttle_count": "5\n", thr + "package_throttle_count": "7\n",
		cool + "type": "Processor\n", cool + "cur_state": "0\n", cool + "max_state": "3\n",
		"proc/pressure/cpu":         "some avg10=0.00 avg60=0.00 avg300=0.00 total=100\nfull avg10=0.00 avg60=0.00 avg300=0.00 total=0\n",
		"proc/meminfo":              "MemTotal: 4096000 kB\nMemFree: 1 kB\nMemAvailable:    2048000 kB\n",
		link + "current_link_speed": "2.5 GT/s PCIe\n",
	}), SampleOptions{})
	l.Take(0)
	const core = "sys/devices/platform/coretemp.0/hwmon/hwmon1/"
	l.set(merge(aPolicy(2_200_000), files{
		policy0 + "scaling_max_freq": "2200000\n", rapl + "energy_uj": "50\n", thr + "core_throttle_count": "6\n", cool + "cur_state": "2\n",
		"proc/pressure/cpu": "some avg10=0.00 avg60=0.00 avg300=0.00 total=350\n", core + "temp1_input": "99000\n", link + "current_link_speed": "16.0 GT/s PCIe\n",
		"proc/meminfo": "MemAvailable: 1024 kB\n",
	}))
	l.Take(tenth)
	l.Take(time.Second)

	l.want("cpu[0].clock", 4_100_000, 2_200_000, 2_200_000)
	l.want("cpu.policy[0].clock_limit", 4_200_000, 2_200_000, 2_200_000)
	l.want("energy[package-0]", 900, 1050, 1050) // past its range of 1000
	l.want("throttle[cpu0 core].count", 5, 6, 6)
	l.want("throttle[cpu0 package].count", 7, 7, 7)
	l.want("cooling[Processor].state", 0, 2, 2)
	l.want("pressure[cpu].stalled", 100, 350, 350)
	l.want("temperature[coretemp/coretemp.0 Package id 0]", 45_000, 99_000, 99_000)
	l.want("link[0000:01:00.0].speed", 25, 160)
	l.want("memory.available", 2000, 1)

	clock := l.signal("cpu[0].clock")
	if d := cmp.Diff([]time.Duration{0, tenth, time.Second}, clock.Offsets); d != "" || clock.At(1) != 2200 {
		t.Errorf("clock at %v, %v MHz", clock.Offsets, clock.At(1))
	}
	if s := l.signal("link[0000:01:00.0].speed"); s.At(1) != 16 || !slices.Equal(s.Offsets, []time.Duration{0, time.Second}) {
		t.Errorf("link %v GT/s at %v", s.At(1), s.Offsets)
	}
	if s := l.signal("energy[package-0]"); !s.Counter || s.Unit != rig.Joule || s.Exponent != -6 {
		t.Errorf("energy %+v", s)
	}
	if d := cmp.Diff([]rig.Limit{{Name: "max", Value: 80}, {Name: "crit", Value: 100}}, l.signal("temperature[coretemp/coretemp.0 Package id 0]").Limits); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]rig.Limit{{Name: "max", Value: 3}}, l.signal("cooling[Processor].state").Limits); d != "" {
		t.Error(d)
	}
}

func TestTheMeasuredClockIsPreferred(t *testing.T) {
	l := newLab(t, merge(aPolicy(4_200_000), files{policy0 + "cpuinfo_avg_freq": "3700000\n"}), SampleOptions{})
	l.Take(0)
	l.want("cpu[0].clock", 3_700_000)
	if s := l.signal("cpu[0].clock"); s.Source != "/"+policy0+"cpuinfo_avg_freq" {
		t.Errorf("source %s", s.Source)
	}
}

func TestADeviceThatReturnsUnderAnotherNumberGoesOn(t *testing.T) {
	const k = "temperature[coretemp/coretemp.0 Core 0]"
	l := newLab(t, merge(chips(), aPolicy(1)), SampleOptions{SlowPace: time.Second})
	at := func(tenths int) time.Duration { return time.Duration(tenths) * tenth }
	l.Take(0)
	l.remove("sys/class/hwmon/hwmon1")
	l.remove("sys/devices/platform")
	for i := 1; i <= 4; i++ {
		l.Take(at(i))
	}
	l.want(k, 44_000)
	const back = "sys/devices/platform/coretemp.0/hwmon/hwmon11/"
	l.set(files{
		"sys/class/hwmon/hwmon11": "-> ../../devices/platform/coretemp.0/hwmon/hwmon11",
		back + "name":             "coretemp\n", back + "device": "-> ../../../coretemp.0",
		back + "temp1_label": "Package id 0\n", back + "temp1_input": "51000\n",
		back + "temp2_label": "Core 0\n", back + "temp2_input": "50000\n",
	})
	for i := 5; i <= 13; i++ {
		l.Take(at(i))
	}
	s := l.signal(k)
	if d := cmp.Diff([]int64{44_000, 50_000, 50_000}, s.Values); d != "" { // looked for 1 s after it went, read from the next pass on
		t.Errorf("values %s", d)
	}
	want := []rig.Gap{{From: at(1), To: at(12), Unread: rig.Unread{Reason: rig.Refused, Detail: syscall.ENODEV.Error()}}}
	if d := cmp.Diff(want, s.Gaps); d != "" {
		t.Errorf("gaps %s", d)
	}
	if d := cmp.Diff([]time.Duration{0, at(12), at(13)}, s.Offsets); d != "" {
		t.Errorf("offsets %s", d)
	}
	l.want("cpu[0].clock", slices.Repeat([]int64{1}, 14)...)
}

func TestALostDeviceIsLookedForLessAndLessOften(t *testing.T) {
	l := newLab(t, aPolicy(4_000_000), SampleOptions{SlowPace: time.Second})
	l.Take(0)
	l.remove("sys/devices/system/cpu/cpufreq/policy0")
	var looks []time.Duration
	for at := tenth; at < time.Minute; at += tenth {
		before := l.retryAt
		l.Take(at)
		if before != 0 && l.retryAt != before {
			looks = append(looks, at)
		}
	}
	if n := len(looks); n < 4 || n > 10 {
		t.Errorf("looked %d times in a minute: %v", n, looks)
	}
	for i := 2; i < len(looks); i++ {
		if looks[i]-looks[i-1] < looks[i-1]-looks[i-2] {
			t.Errorf("looked more often with time: %v", looks)
		}
	}
}

func TestABusyFileIsKept(t *testing.T) {
	l := newLab(t, aPolicy(4_000_000), SampleOptions{})
	l.Take(0)
	l.fault["scaling_cur_freq"] = syscall.EBUSY
	l.Take(tenth)
	l.Take(2 * tenth)
	delete(l.fault, "scaling_cur_freq")
	l.Take(3 * tenth)
	l.want("cpu[0].clock", 4_000_000, 4_000_000)
	want := []rig.Gap{{From: tenth, To: 3 * tenth, Unread: rig.Unread{Reason: rig.Refused, Detail: syscall.EBUSY.Error()}}}
	if d := cmp.Diff(want, l.signal("cpu[0].clock").Gaps); d != "" {
		t.Error(d)
	}
}

func TestImplausibleReadingsAreGaps(t *testing.T) {
	const in = "sys/devices/platform/coretemp.0/hwmon/hwmon1/temp1_input"
	l := newLab(t, chips(), SampleOptions{})
	for i, text := range []string{"45000", "-64000", "255000", "", "junk", "46000"} {
		l.set(files{in: text + "\n"})
		l.Take(time.Duration(i) * tenth)
	}
	const k = "temperature[coretemp/coretemp.0 Package id 0]"
	l.want(k, 45_000, 46_000)
	want := []rig.Gap{
		{From: tenth, To: 3 * tenth, Unread: rig.Unread{Reason: rig.Implausible, Detail: "reads -64 °C"}},
		{From: 3 * tenth, To: 4 * tenth, Unread: rig.Unread{Reason: rig.Unknown, Detail: "empty"}},
		{From: 4 * tenth, To: 5 * tenth, Unread: rig.Unread{Reason: rig.Implausible, Detail: "no number"}},
	}
	if d := cmp.Diff(want, l.signal(k).Gaps); d != "" {
		t.Error(d)
	}
	if s := l.signal("temperature[nct6798/nct6775.656 AUXTIN0]"); s.Unread != (rig.Unread{Reason: rig.Implausible, Detail: "reads -64 °C"}) {
		t.Errorf("an unconnected input: %v", s.Unread)
	}
}

func TestConstantReadingsOfDoubtfulSensorsAreLeftOut(t *testing.T) {
	const zone = "temperature[acpitz/LNXTHERM:00]"
	l := newLab(t, chips(), SampleOptions{SlowPace: 20 * time.Second})
	for i := range 30 {
		l.Take(time.Duration(i) * time.Second)
	}
	l.want(zone, 27_800, 27_800) // so far it may be true
	for i := 30; i < 100; i++ {
		l.Take(time.Duration(i) * time.Second)
	}
	if s := l.signal(zone); s.Unread != (rig.Unread{Reason: rig.Implausible, Detail: "constant at 27.8 °C through all 6 samples"}) {
		t.Errorf("a zone that never moves: %v", s)
	}
	l.want("temperature[spd5118/0000:00:1f.4-0050 temp1]", slices.Repeat([]int64{41_250}, 6)...)
	l.set(files{"sys/devices/virtual/thermal/thermal_zone0/temp": "28800\n"})
	l.Take(200 * time.Second)
	l.want(zone, 27_800, 27_800, 27_800, 27_800, 27_800, 27_800, 28_800)
}

func TestSlowSensorsHaveTheirOwnPace(t *testing.T) {
	l := newLab(t, chips(), SampleOptions{})
	for i := range 201 {
		l.Take(time.Duration(i) * tenth)
	}
	if s := l.signal("temperature[coretemp/coretemp.0 Core 0]"); len(s.Values) != 201 {
		t.Errorf("a quick sensor was read %d times", len(s.Values))
	}
	s := l.signal("temperature[nvme/0000:04:00.0 Composite]")
	if n := len(s.Values); n < 4 || n > 6 {
		t.Errorf("a drive was asked %d times in 20 s: %v", n, s.Offsets)
	}
	if s.Offsets[0] != 0 {
		t.Errorf("first asked at %v", s.Offsets[0])
	}
	due := map[time.Duration]int{}
	for _, x := range l.paced {
		if x.pace == slow {
			due[x.due]++
		}
	}
	for at, n := range due {
		if n > 1 {
			t.Errorf("%d slow sensors due together at %v", n, at)
		}
	}
}

func TestSleepingDevicesAreNotWoken(t *testing.T) {
	const dir = "sys/bus/pci/devices/0000:01:00.0/"
	l := newLab(t, files{dir + "current_link_speed": "16.0 GT/s PCIe\n", dir + "power/runtime_status": "active\n"}, SampleOptions{})
	l.Take(0)
	l.set(files{dir + "power/runtime_status": "suspended\n"})
	l.Take(time.Second)
	l.want("link[0000:01:00.0].speed", 160)
	if g := l.signal("link[0000:01:00.0].speed").Gaps; len(g) != 1 || g[0].Reason != rig.Refused {
		t.Errorf("gaps %v", g)
	}
}

func TestACoolerThatIsNotInForceIsUnknown(t *testing.T) {
	const dir = "sys/class/thermal/cooling_device0/"
	l := newLab(t, files{dir + "type": "intel_powerclamp\n", dir + "cur_state": "-1\n"}, SampleOptions{})
	l.Take(0)
	if s := l.signal("cooling[intel_powerclamp].state"); s.Unread != (rig.Unread{Reason: rig.Unknown, Detail: "not in force"}) {
		t.Errorf("got %v", s)
	}
}

func TestWhatIsNotThereIsUnread(t *testing.T) {
	l := newLab(t, files{"sys/": "", "proc/": "", notesFile: `{"unread":[{"path":"sys/class/powercap","reason":"denied","detail":"needs a right"}]}`}, SampleOptions{})
	l.Take(0)
	all := l.Signals()
	if want := len(families) + 3; len(all) != want {
		t.Errorf("%d signals, want %d", len(all), want)
	}
	for _, s := range all {
		want := rig.Absent
		if s.Key == "energy[]" {
			want = rig.Denied
		}
		if s.Unread.Reason != want || len(s.Values) != 0 || s.Source == "" {
			t.Errorf("%s: %v from %q", s.Key, s.Unread, s.Source)
		}
	}
}

func TestADeniedFileIsUnread(t *testing.T) {
	const rapl = "sys/class/powercap/intel-rapl:0/"
	l := newLab(t, files{rapl + "name": "package-0\n", notesFile: `{"unread":[{"path":"` + rapl + `energy_uj","reason":"denied","detail":"needs CAP_DAC_READ_SEARCH"}]}`}, SampleOptions{})
	l.Take(0)
	l.Take(tenth)
	if s := l.signal("energy[package-0]"); s.Unread != (rig.Unread{Reason: rig.Denied, Detail: "needs CAP_DAC_READ_SEARCH"}) {
		t.Errorf("got %v", s.Unread)
	}
}

func TestPassesGoForward(t *testing.T) {
	l := newLab(t, aPolicy(4_000_000), SampleOptions{})
	for _, at := range []time.Duration{0, tenth, tenth, 0, 2 * tenth} {
		l.Take(at)
	}
	if d := cmp.Diff([]time.Duration{0, tenth, 2 * tenth}, l.signal("cpu[0].clock").Offsets); d != "" {
		t.Error(d)
	}
}

func TestSignalsOutliveClose(t *testing.T) {
	l := newLab(t, aPolicy(4_000_000), SampleOptions{})
	l.Take(0)
	l.Close()
	l.Close()
	l.Take(tenth)
	l.want("cpu[0].clock", 4_000_000)
}

func TestRunSamplesUntilItIsStopped(t *testing.T) {
	l := newLab(t, aPolicy(4_000_000), SampleOptions{Pace: time.Millisecond})
	ctx, stop := context.WithCancel(context.Background())
	start := time.Now()
	since := func() time.Duration {
		if d := time.Since(start); d < 30*time.Millisecond {
			return d
		}
		stop()
		return time.Since(start)
	}
	l.Run(ctx, since)
	s := l.signal("cpu[0].clock")
	if len(s.Values) < 2 || s.Offsets[len(s.Offsets)-1] < 30*time.Millisecond {
		t.Errorf("%d samples, the last at %v", len(s.Values), s.Offsets[len(s.Offsets)-1])
	}
}
