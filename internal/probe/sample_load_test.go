package probe

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/internal/rig"
)

// statLine is /proc/PID/stat of an invented process; times are in ticks.
func statLine(pid, parent, group, session, own, children, started int) string {
	return fmt.Sprintf("%d (a (strange) name) S %d %d %d 0 -1 4194304 90 0 0 0 %d 0 %d 0 20 0 1 0 %d 3133440 412\n", pid, parent, group, session, own, children, started)
}

// busy is /proc/stat after so many ticks of work and of rest on two processors.
func busy(work, rest int) files {
	return files{statFile: fmt.Sprintf("cpu  %d 0 0 %d 0 0 0 0 0 0\ncpu0 0 0 0 0 0 0 0 0 0 0\n", work, rest)}
}

func TestLoadIsSplitBetweenWorkloadAndOthers(t *testing.T) {
	leader := 0
	l := newLab(t, busy(1000, 9000), SampleOptions{Workload: func() int { return leader }})
	l.set(files{"proc/7/stat": statLine(7, 1, 7, 7, 500, 0, 1)})
	l.Take(0)
	l.set(busy(1010, 9010)) // ten ticks of twenty
	l.Take(tenth)
	leader = 20
	l.set(files{"proc/20/stat": statLine(20, 7, 20, 20, 40, 0, 99), "proc/21/stat": statLine(21, 20, 21, 21, 40, 0, 99)})
	l.set(busy(1100, 9100)) // of 200 ticks 100 busy, 80 of them the workload's
	l.Take(time.Second)
	l.set(busy(1130, 9270)) // 30 of 200, all of others
	l.Take(2 * time.Second)

	l.want("load.total", 5000, 5000, 1500)
	l.want("load.workload", 4000, 0)
	l.want("load.other", 1000, 1500)
	if s := l.signal("load.other"); s.At(0) != 10 || s.Unit != rig.Percent || s.Offsets[0] != time.Second {
		t.Errorf("other load %v %s at %v", s.At(0), s.Unit, s.Offsets[0])
	}
}

func TestLoadBeforeTheWorkloadIsOthers(t *testing.T) {
	l := newLab(t, busy(0, 0), SampleOptions{})
	l.Take(0)
	l.set(busy(50, 150))
	l.Take(time.Second)
	l.want("load.other", 2500)
	if s := l.signal("load.workload"); s.Unread.Reason != rig.Absent {
		t.Errorf("a workload without any: %v", s)
	}
}

func TestLoadOfAClockThatStandsStillIsAGap(t *testing.T) {
	l := newLab(t, busy(50, 150), SampleOptions{})
	for i := range 3 {
		l.Take(time.Duration(i) * time.Second)
	}
	for _, k := range []rig.Key{"load.total", "load.other"} {
		if s := l.signal(k); s.Unread.Reason != rig.Refused {
			t.Errorf("%s: %v", k, s)
		}
	}
	l.set(files{statFile: "nonsense\n"})
	l.Take(3 * time.Second)
	l.set(busy(100, 200))
	l.Take(4 * time.Second)
	l.want("load.total", 5000)
}

func TestWhatOneSplitShowsTooMuchTheNextShowsTooLittle(t *testing.T) {
	l := &loads{}
	second := time.Second
	if got := l.remainder(-10*time.Millisecond, second) + l.remainder(15*time.Millisecond, second); got != 5*time.Millisecond {
		t.Errorf("got %v, want 5ms", got)
	}
	if l.remainder(-second, second); l.over > second/50 {
		t.Errorf("%v would hide real load of others", l.over)
	}
}

// village is a made-up set of processes with exact accounts.
type village struct {
	alive map[int]*villager
	me    int
	reads int
}

type villager struct{ pid, parent, group, session, own, children, started int }

func (v *village) list(into []int) []int {
	for pid := range v.alive {
		into = append(into, pid)
	}
	return into
}

func (v *village) stat(pid int, buf []byte) (int, bool) {
	p, ok := v.alive[pid]
	if !ok {
		return 0, false
	}
	v.reads++
	return copy(buf, statLine(p.pid, p.parent, p.group, p.session, p.own, p.children, p.started)), true
}

func (v *village) self() int { return v.me }
func (v *village) close()    {}

func (v *village) end(pid int) {
	p := v.alive[pid]
	if parent := v.alive[p.parent]; parent != nil {
		parent.children += p.own + p.children
	}
	delete(v.alive, pid)
}

// TestEveryTickOfTheWorkloadIsCountedOnce lets a workload fork, work and end at
// random, children before parents, while strangers do the same.
func TestEveryTickOfTheWorkloadIsCountedOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := &village{me: 2, alive: map[int]*villager{1: {pid: 1}, 2: {pid: 2, parent: 1}, 3: {pid: 3, parent: 1, group: 3, session: 3}}}
		k := newKin(v)
		next, clock, worked, counted := 10, 1, 0, time.Duration(0)
		reaped := func() time.Duration { return time.Duration(v.alive[2].children) * tick }
		k.scan(0, reaped())
		v.alive[10] = &villager{pid: 10, parent: 2, group: 10, session: 10, started: clock}
		kin := map[int]bool{10: true}
		kidless := func(pid int) bool {
			for _, p := range v.alive {
				if p.parent == pid {
					return false
				}
			}
			return true
		}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			clock++
			pids := k.processes.list(nil)
			pid := rapid.SampledFrom(sorted(pids)).Draw(t, "process")
			switch rapid.IntRange(0, 3).Draw(t, "deed") {
			case 0: // fork, perhaps into a session of its own
				next++
				p := &villager{pid: next, parent: pid, group: v.alive[pid].group, session: v.alive[pid].session, started: clock}
				if rapid.Bool().Draw(t, "own session") {
					p.group, p.session = next, next
				}
				if pid != 2 { // this process starts nothing but the workload
					v.alive[next], kin[next] = p, kin[pid]
				}
			case 1:
				n := rapid.IntRange(1, 50).Draw(t, "ticks")
				v.alive[pid].own += n
				if kin[pid] {
					worked += n
				}
			case 2:
				if pid > 3 && kidless(pid) {
					v.end(pid)
				}
			case 3:
				counted += k.scan(10, reaped())
			}
		}
		for len(v.alive) > 3 {
			for pid := range v.alive {
				if pid > 3 && kidless(pid) {
					v.end(pid)
				}
			}
		}
		counted += k.scan(0, reaped())
		if want := time.Duration(worked) * tick; counted != want {
			t.Fatalf("counted %v of %v", counted, want)
		}
	})
}

func TestStrangersAreReadOnce(t *testing.T) {
	v := &village{me: 2, alive: map[int]*villager{}}
	for pid := 1; pid <= 100; pid++ {
		v.alive[pid] = &villager{pid: pid, parent: 1, group: pid, session: pid}
	}
	k := newKin(v)
	k.scan(50, 0)
	v.reads = 0
	for range 10 {
		k.scan(50, 0)
	}
	if v.reads != 10 {
		t.Errorf("%d reads in ten scans, want 10 of the leader", v.reads)
	}
}

func TestANumberUsedAgainIsAnotherProcess(t *testing.T) {
	v := &village{me: 2, alive: map[int]*villager{1: {pid: 1}, 5: {pid: 5, parent: 1, group: 5, session: 5, own: 300, started: 1}, 6: {pid: 6, parent: 5, group: 5, session: 5, own: 100, started: 2}}}
	k := newKin(v)
	k.scan(5, 0)
	v.end(6)
	v.alive[6] = &villager{pid: 6, parent: 5, group: 5, session: 5, own: 30, started: 9}
	if got := k.scan(5, 0); got != 30*tick {
		t.Errorf("counted %v, want %v", got, 30*tick)
	}
	v.alive[6] = &villager{pid: 6, parent: 1, group: 6, session: 6, own: 999, started: 12} // and now a stranger has it
	if got := k.scan(5, 0); got != 0 {
		t.Errorf("counted %v of a stranger", got)
	}
}

// TestLoadOfTheRunningMachine lets a child work on one processor and asks
// whose work that was. It asserts shares only, and those widely.
func TestLoadOfTheRunningMachine(t *testing.T) {
	if os.Getenv("PROBE_TEST_WORK") != "" {
		for end := time.Now().Add(900 * time.Millisecond); time.Now().Before(end); {
		}
		return
	}
	tree, err := LiveTree()
	if err != nil {
		t.Fatal(err)
	}
	defer tree.Close()
	if _, err := tree.Read(statFile); err != nil {
		t.Skip("skipped: this system has no /proc/stat")
	}
	leader := 0
	s := NewSampler(tree, SampleOptions{Workload: func() int { return leader }})
	defer s.Close()
	before := time.Now()
	s.Take(0)
	start := time.Now()
	cmd := exec.Command(os.Args[0], "-test.run", "^TestLoadOfTheRunningMachine$")
	cmd.Env = append(os.Environ(), "PROBE_TEST_WORK=1")
	cmd.SysProcAttr = newSession()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	leader = cmd.Process.Pid
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	took := time.Since(start)
	used := cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	s.Take(max(took, time.Second))
	longest := time.Since(before) // that may lie between the two passes; took is the shortest
	signals := map[rig.Key]rig.Signal{}
	for _, x := range s.Signals() {
		signals[x.Key] = x
	}
	w, o, all := signals["load.workload"], signals["load.other"], signals["load.total"]
	if len(w.Values) != 1 || len(o.Values) != 1 || len(all.Values) != 1 {
		t.Fatalf("workload %v, other %v, total %v", w, o, all)
	}
	tree2, _ := readProcessors(tree, cpuDir+"/online")
	shareOf := func(d time.Duration) float64 {
		return 100 * used.Seconds() / (d.Seconds() * float64(max(1, len(tree2))))
	}
	least, most := shareOf(longest), shareOf(took)
	if got := w.At(0); got < least-max(0.25*least, 5) || got > most+max(0.25*most, 5) {
		t.Errorf("the workload used %.1f to %.1f %% by the kernel's account of it, %.1f %% by ours", least, most, got)
	}
	if o.At(0) > all.At(0)-w.At(0)+5 {
		t.Errorf("others %.1f %% of a total of %.1f %% with %.1f %% the workload's", o.At(0), all.At(0), w.At(0))
	}
	t.Logf("total %.1f %%, workload %.1f %% (expected %.1f to %.1f), others %.1f %%", all.At(0), w.At(0), least, most, o.At(0))
}

func FuzzParseProcessTimes(f *testing.F) {
	f.Add([]byte(statLine(7, 1, 7, 7, 500, 3, 1)))
	f.Add([]byte("7 (a) S 1"))
	f.Add([]byte("7 () )"))
	f.Add([]byte("()00 0 0 0 0A0 0 0A0 0 0 0 0 1 0 0A0A0A0A0A"))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, ok := parseProcessTimes(b)
		_, want, err := parseProcess(b)
		if ok && err == nil && p.own != time.Duration(want)*tick && want < math.MaxInt64/uint64(tick) {
			t.Errorf("%q: %v here, %d ticks by fields", b, p.own, want)
		}
		if !ok && p != (process{}) {
			t.Errorf("%q: refused, and yet gave %+v", b, p)
		}
	})
}
