package watch

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
)

func init() { roles["fill"], roles["idle"] = fill, idle }

func rigPump(tree, ring string, m *machine) (*Pump, error) {
	t, err := probe.CapturedTree(tree)
	if err != nil {
		return nil, err
	}
	r, err := OpenRing(ring, RingBounds{})
	return &Pump{Tree: t, Clock: m, Timeline: &Timeline{}, Ring: r}, err
}

// fill fills a ring with two hours of a 16-core rig under load.
func fill(args []string) error {
	if _, err := labtest.SixteenCores(args[0]); err != nil {
		return err
	}
	m := newMachine()
	p, err := rigPump(args[0], args[1], m)
	if err != nil {
		return err
	}
	for ; m.since < 140*time.Minute; m.pass(fullPace) {
		p.step()
		if m.since%(30*time.Second) == 0 {
			p.Wake() // as load would
		}
		file := filepath.Join(args[0], fmt.Sprintf("sys/devices/system/cpu/cpufreq/policy%d/scaling_cur_freq", m.since/fullPace%16))
		if err := os.WriteFile(file, []byte(fmt.Sprintln(4_000_000+m.since.Milliseconds()%99_991)), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// idle goes on with such a ring through an idle hour, and says how much memory
// is resident then.
func idle(args []string) error {
	m := newMachine()
	m.pass(141 * time.Minute)
	p, err := rigPump(args[0], args[1], m)
	if err != nil {
		return err
	}
	for m.since < 200*time.Minute {
		m.pass(p.step())
	}
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(status)) {
		if f := strings.Fields(line); len(f) > 1 && slices.Contains([]string{"VmRSS:", "RssAnon:", "RssFile:"}, f[0]) {
			fmt.Println(f[0], f[1])
		}
	}
	return nil
}

// BenchmarkIdle gives the resident memory of a process of its own that holds the
// watch with the ring of a 16-core rig filled; all that the test links is in it.
func BenchmarkIdle(b *testing.B) {
	for b.Loop() {
		tree, ring := b.TempDir(), b.TempDir()
		if err := labtest.Start(b, labtest.Role("fill", tree, ring)).Wait(); err != nil {
			b.Fatal(err)
		}
		c := labtest.Start(b, labtest.Role("idle", tree, ring))
		for line, ok := c.Line(); ok; line, ok = c.Line() {
			what, kib, _ := strings.Cut(line, ": ")
			n, _ := strconv.Atoi(kib)
			b.ReportMetric(float64(n)*1024, what+"-B")
		}
		if err := c.Wait(); err != nil {
			b.Fatal(err)
		}
		var size int64
		names, _ := filepath.Glob(filepath.Join(ring, "*.seg"))
		for _, n := range names {
			if i, err := os.Stat(n); err == nil {
				size += i.Size()
			}
		}
		b.ReportMetric(float64(size), "ring-B")
	}
}

// BenchmarkPump compares a pass at the full pace, with all that keeps it, with
// bare preads of the same fifty files, in turns in the same run, by processor time.
func BenchmarkPump(b *testing.B) {
	dir := b.TempDir()
	names, err := labtest.SixteenCores(dir)
	if err != nil || len(names) != 50 {
		b.Fatal(len(names), err)
	}
	tree, err := probe.CapturedTree(dir)
	if err != nil {
		b.Fatal(err)
	}
	defer tree.Close()
	var fds []int
	for _, n := range names {
		f, err := os.Open(n)
		if err != nil {
			b.Fatal(err)
		}
		defer f.Close()
		fds = append(fds, int(f.Fd()))
	}
	m := newMachine()
	p := &Pump{Tree: tree, Clock: m, Timeline: &Timeline{}, Ring: openRing(b, b.TempDir(), RingBounds{})}
	bare := func() {
		var buf [512]byte
		for _, fd := range fds {
			unix.Pread(fd, buf[:], 0)
		}
	}
	pass := func() { p.step(); m.pass(fullPace) }
	p.step()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	var floor, sampled time.Duration
	const turn = 500
	for b.Loop() {
		floor += threadCost(b, turn, bare)
		sampled += threadCost(b, turn, pass)
	}
	b.ReportMetric(float64(sampled)/float64(floor), "x-bare-preads")
	b.ReportMetric(float64(sampled.Microseconds())/float64(b.N*turn), "cpu-us/sample")
}

func threadCost(b *testing.B, n int, call func()) time.Duration {
	var from, to unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &from); err != nil {
		b.Fatal(err)
	}
	for range n {
		call()
	}
	unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &to)
	return time.Duration(to.Nano() - from.Nano())
}
