package probe

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"witnessmark/internal/rig"
)

// fifty is a tree of fifty files that are sampled at every pass: the clocks and
// limits of sixteen processors, temperatures, throttle counters, energy,
// pressure and processor times.
func fifty() files {
	f := files{statFile: "cpu  12713 0 4837 138800 347 0 85 25 0 0\ncpu0 12713 0 4837 138800 347 0 85 25 0 0\n", cpuDir + "/online": "0-15\n"}
	for _, what := range []string{"cpu", "memory", "io"} {
		f["proc/pressure/"+what] = "some avg10=2.51 avg60=2.73 avg300=3.53 total=37372400\nfull avg10=0.00 avg60=0.00 avg300=0.00 total=0\n"
	}
	for n := range 16 {
		dir := fmt.Sprintf("%s/policy%d/", freqDir, n)
		f[dir+"affected_cpus"] = fmt.Sprintln(n)
		f[dir+"scaling_cur_freq"], f[dir+"scaling_max_freq"] = fmt.Sprintln(4_100_000+n), "4200000\n"
	}
	for k := range 9 {
		f[fmt.Sprintf("sys/class/hwmon/hwmon0/temp%d_input", k+1)] = fmt.Sprintln(45_000 + 100*k)
	}
	f["sys/class/hwmon/hwmon0/name"] = "coretemp\n"
	thr := cpuDir + "/cpu0/thermal_throttle/"
	f[thr+"core_throttle_count"], f[thr+"package_throttle_count"], f[thr+"package_throttle_total_time_ms"] = "5\n", "7\n", "9\n"
	for k := range 2 {
		dir := fmt.Sprintf("sys/class/powercap/intel-rapl:%d/", k)
		f[dir+"name"], f[dir+"energy_uj"], f[dir+"max_energy_range_uj"] = fmt.Sprintf("package-%d\n", k), "91204118021\n", "262143328850\n"
	}
	return f
}

// plantFifty samples such a tree, with these processes.
func plantFifty(tb testing.TB, p processes) (*Sampler, string) {
	tb.Helper()
	dir := tb.TempDir()
	fifty().write(tb, dir)
	s := NewSampler(open(tb, dir), SampleOptions{})
	s.load.kin = newKin(p)
	tb.Cleanup(s.Close)
	if n := len(s.fast) + 1; n != 50 {
		tb.Fatalf("%d files at every pass, want 50", n)
	}
	return s, dir
}

// running gives the processes of this machine.
func running(tb testing.TB) processes {
	tb.Helper()
	tree, err := LiveTree()
	if err != nil {
		tb.Fatal(err)
	}
	defer tree.Close()
	return openProcesses(tree)
}

func TestAPassAllocatesNothing(t *testing.T) {
	s, dir := plantFifty(t, running(t))
	at := time.Duration(0)
	clock := filepath.Join(dir, freqDir, "policy3/scaling_cur_freq")
	n := testing.AllocsPerRun(500, func() {
		at += 100 * time.Millisecond
		s.Take(at)
	})
	if n != 0 {
		t.Errorf("%v allocations a pass", n)
	}
	if err := os.WriteFile(clock, []byte("gone\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	n = testing.AllocsPerRun(500, func() {
		at += 100 * time.Millisecond
		s.Take(at)
	})
	if n != 0 {
		t.Errorf("%v allocations a pass while a file cannot be read", n)
	}
}

// BenchmarkSample compares a pass with bare preads of the same fifty files,
// in turns in the same run, by the processor time of each.
func BenchmarkSample(b *testing.B) { benchmarkSample(b, &village{}) }

// BenchmarkSampleWithProcesses is BenchmarkSample with this machine's processes
// listed at every tenth pass, which the bare preads do not have.
func BenchmarkSampleWithProcesses(b *testing.B) { benchmarkSample(b, running(b)) }

func benchmarkSample(b *testing.B, p processes) {
	s, _ := plantFifty(b, p)
	bare := func() {
		var buf [512]byte
		for i := range s.fast {
			readInPlace(s.fast[i].file, true, buf[:])
		}
		readInPlace(s.load.stat, true, buf[:])
	}
	at := time.Duration(0)
	pass := func() {
		at += 100 * time.Millisecond
		s.Take(at)
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	var floor, sampled time.Duration
	const turn = 100
	for b.Loop() {
		floor += processorTime(b, turn, bare)
		sampled += processorTime(b, turn, pass)
	}
	b.ReportMetric(float64(sampled)/float64(floor), "x-bare-preads")
	b.ReportMetric(float64(sampled.Nanoseconds())/float64(b.N*turn)/1e3, "cpu-us/sample")
	b.ReportMetric(float64(floor.Nanoseconds())/float64(b.N*turn)/1e3, "cpu-us/bare")
	var bytes, samples int
	for i := range s.fast {
		c := s.fast[i].values
		bytes, samples = bytes+blockSize*(len(c.full)+1), samples+c.n
	}
	b.ReportMetric(float64(bytes)/float64(samples), "B/kept-sample")
}

// processorTime is this thread's, over n calls.
func processorTime(b *testing.B, n int, call func()) time.Duration {
	b.Helper()
	from := threadTime(b)
	for range n {
		call()
	}
	return threadTime(b) - from
}

func threadTime(b *testing.B) time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &ts); err != nil {
		b.Fatal(err)
	}
	return time.Duration(ts.Nano())
}

func TestSelfCostGrows(t *testing.T) {
	a := SelfCost()
	for end := a.CPU + 20*time.Millisecond; SelfCost().CPU < end; {
	}
	b := SelfCost()
	if b.PeakRSS < 1<<20 || b.PeakRSS < a.PeakRSS || b.PeakRSS > 1<<40 {
		t.Errorf("peak of %d bytes after %d", b.PeakRSS, a.PeakRSS)
	}
}

// TestSamplesTheRunningMachine samples this machine for a moment. What it has
// is not known; that what it gives holds together is.
func TestSamplesTheRunningMachine(t *testing.T) {
	tree, err := LiveTree()
	if err != nil {
		t.Fatal(err)
	}
	defer tree.Close()
	s := NewSampler(tree, SampleOptions{Workload: os.Getpid})
	defer s.Close()
	for i := range 12 {
		s.Take(time.Duration(i) * tenth)
		time.Sleep(15 * time.Millisecond)
	}
	read := 0
	for _, x := range s.Signals() {
		if (x.Unread.Reason == "") != (len(x.Values) > 0) || len(x.Values) != len(x.Offsets) || x.Source == "" || x.Key == "" {
			t.Errorf("%+v does not hold together", x)
		}
		if len(x.Values) > 0 {
			read++
			t.Logf("%s: %d samples, the last %g %s", x.Key, len(x.Values), x.At(len(x.Values)-1), x.Unit)
		} else {
			t.Logf("%s: %s", x.Key, x.Unread)
		}
		if x.Key == "load.total" && (x.Unread != rig.Unread{} || x.At(0) < 0 || x.At(0) > 100) {
			t.Errorf("load %v", x)
		}
	}
	if read < 2 {
		t.Errorf("%d signals were read", read)
	}
	at, least := time.Hour, 1.0
	for range 10 { // a process that has just begun is the first time remembered
		least = min(least, testing.AllocsPerRun(50, func() { at += time.Second; s.Take(at) }))
	}
	if least != 0 {
		t.Errorf("%v allocations a pass with processes listed", least)
	}
}
