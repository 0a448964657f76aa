package watch

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
)

// bench is a machine of files whose time and load a test moves.
type bench struct {
	*machine
	*Pump
	t    testing.TB
	dir  string
	jobs float64 // processors at work, of two
	used [2]float64
	told []string
}

func newBench(t testing.TB, ring string) *bench {
	b := &bench{machine: newMachine(), t: t, dir: t.TempDir()}
	b.set("sys/devices/system/cpu/cpufreq/policy0/affected_cpus", "0\n")
	b.set("sys/devices/system/cpu/cpufreq/policy0/scaling_cur_freq", "4000000\n")
	b.load(0)
	tree, err := probe.CapturedTree(b.dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { tree.Close() })
	b.Pump = &Pump{Tree: tree, Clock: b.machine, Timeline: &Timeline{}, Ring: openRing(t, ring, RingBounds{}),
		Happened: func(e Event) { b.told = append(b.told, e.String()) },
		Troubled: func(err error) { b.told = append(b.told, fmt.Sprint(err)) }}
	return b
}

func (b *bench) set(path, text string) {
	path = filepath.Join(b.dir, path)
	os.MkdirAll(filepath.Dir(path), 0o755)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// load lets d pass in the processors' times.
func (b *bench) load(d time.Duration) {
	b.used[0] += b.jobs * d.Seconds() * 100
	b.used[1] += (2 - b.jobs) * d.Seconds() * 100
	b.set("proc/stat", fmt.Sprintf("cpu  %d 0 0 %d 0 0 0 0 0 0\n", int(b.used[0]), int(b.used[1])))
}

// live lets d pass with the pump at work, and gives how many passes it made.
func (b *bench) live(d time.Duration) (passes int) {
	for d > 0 {
		wait := b.Pump.step()
		b.machine.pass(wait)
		b.load(wait)
		d -= wait
		passes++
	}
	return passes
}

func TestThePaceFollowsTheLoad(t *testing.T) {
	b := newBench(t, t.TempDir())
	b.live(90 * time.Second)
	if n := b.live(time.Minute); n != 60 {
		t.Errorf("%d passes in an idle minute", n)
	}
	b.jobs = 1
	if n := b.live(10 * time.Second); n < 75 {
		t.Errorf("%d passes in the first ten seconds of work", n)
	}
	b.jobs = 0.2 // between the two bounds
	if n := b.live(2 * time.Minute); n != 1200 {
		t.Errorf("%d passes in two minutes of a little work", n)
	}
	b.jobs = 0
	b.live(65 * time.Second)
	if n := b.live(10 * time.Second); n != 10 {
		t.Errorf("%d passes in ten idle seconds", n)
	}
	b.Wake()
	if n := b.live(10 * time.Second); n != 100 {
		t.Errorf("%d passes in ten seconds after a call", n)
	}
}

func TestThePumpTellsAllGaps(t *testing.T) {
	folder := t.TempDir()
	b := newBench(t, folder)
	begun := b.machine.Read().Instant()
	b.live(20 * time.Second)
	b.machine.sleep(time.Hour)
	b.machine.step(-time.Minute)
	b.machine.pass(time.Second)
	b.live(2 * time.Second)
	b.set("sys/devices/system/cpu/cpufreq/policy1/affected_cpus", "1\n")
	b.set("sys/devices/system/cpu/cpufreq/policy1/scaling_cur_freq", "3000000\n")
	b.live(6 * time.Minute)
	c, err := b.Cut(begun, b.last.Instant())
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Gaps) != 1 || c.Gaps[0].Detail != "the machine was suspended for 1h0m0s" {
		t.Errorf("gaps %v", c.Gaps)
	}
	if want := "the machine was suspended for 1h0m0s, and the clock was set back by 1m0s"; len(b.told) != 1 || b.told[0] != want {
		t.Errorf("told %q", b.told)
	}
	for _, s := range c.Signals {
		switch s.Key {
		case "cpu[0].clock":
			if len(s.Values) < 300 || s.Offsets[0] != 0 || s.Offsets[len(s.Offsets)-1] != b.last.SinceBoot-begun.At {
				t.Errorf("%d samples from %v", len(s.Values), s.Offsets[0])
			}
		case "cpu[1].clock":
			if len(s.Values) == 0 || len(s.Gaps) != 1 || s.Gaps[0].From != 0 {
				t.Errorf("the clock that appeared: %d samples, gaps %v", len(s.Values), s.Gaps)
			}
		}
	}
	for _, s := range b.Latest() {
		if s.Key == "cpu[1].clock" && (len(s.Values) != 1 || s.Values[0] != 3_000_000) {
			t.Errorf("latest %v", s)
		}
	}
}

func TestThePumpGoesOnAfterAFullDisk(t *testing.T) {
	dir := labtest.SmallDisk(t, "128k")
	b := newBench(t, filepath.Join(dir, "ring"))
	b.live(20 * time.Second)
	ballast := filepath.Join(dir, "ballast")
	os.WriteFile(ballast, make([]byte, 1<<20), 0o600)
	b.jobs = 2
	for i := 0; b.Trouble() == nil && i < 1000; i++ {
		b.live(10 * time.Second)
	}
	if err := b.Trouble(); err == nil || !strings.Contains(err.Error(), "no space left") {
		t.Fatalf("trouble: %v", err)
	}
	os.Remove(ballast)
	b.live(20 * time.Second)
	if err := b.Trouble(); err != nil || len(b.told) != 2 || b.told[1] != "<nil>" {
		t.Errorf("trouble %v, told %q", err, b.told)
	}
	from := b.last.Instant()
	b.live(10 * time.Second)
	if c, err := b.Cut(from, b.last.Instant()); err != nil || len(c.Gaps) != 0 {
		t.Errorf("%v, %v", c.Gaps, err)
	}
}

func TestThePumpRunsOnTheLiveMachine(t *testing.T) {
	tree, err := probe.LiveTree()
	if err != nil {
		t.Fatal(err)
	}
	defer tree.Close()
	clock, err := LiveClock(tree)
	if err != nil {
		t.Fatal(err)
	}
	p := &Pump{Tree: tree, Clock: clock, Timeline: &Timeline{}, Ring: openRing(t, t.TempDir(), RingBounds{})}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	from := clock.Read().Instant()
	go func() { defer close(done); p.Run(ctx) }()
	for samples := 0; samples < 5; time.Sleep(20 * time.Millisecond) {
		c, err := p.Cut(from, clock.Read().Instant())
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range c.Signals {
			if s.Key == "load.total" && s.Unread == (rig.Unread{}) {
				samples = len(s.Values)
			}
		}
	}
	stop()
	<-done
}

func TestPacesThatAreGiven(t *testing.T) {
	b := newBench(t, t.TempDir())
	b.Full, b.Idle = 500*time.Millisecond, 2*time.Second
	b.live(90 * time.Second)
	if n := b.live(time.Minute); n != 30 {
		t.Errorf("%d passes in an idle minute", n)
	}
	b.Wake()
	if n := b.live(10 * time.Second); n != 20 {
		t.Errorf("%d passes in ten seconds at the full pace", n)
	}
	pace, last, ok := b.Pace()
	if now := b.machine.Read(); pace != b.Full || !ok || last.Boot != now.Boot || now.SinceBoot-last.SinceBoot > b.Idle {
		t.Errorf("%v, %+v, %v", pace, last, ok)
	}
}

// TestASlowPaceIsNoGap: passes that are as far apart as they were meant to be leave
// nothing out.
func TestASlowPaceIsNoGap(t *testing.T) {
	b := newBench(t, t.TempDir())
	b.Idle = 20 * time.Second
	begun := b.machine.Read().Instant()
	b.live(10 * time.Minute)
	c, err := b.Cut(begun, b.machine.Read().Instant())
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Gaps) != 0 {
		t.Errorf("gaps %v", c.Gaps)
	}
	b.machine.pass(2 * time.Minute)
	b.live(time.Minute)
	if c, err = b.Cut(begun, b.machine.Read().Instant()); err != nil || len(c.Gaps) != 1 || c.Gaps[0].Detail != "the agent was held up and made no pass" {
		t.Errorf("gaps %v, %v", c.Gaps, err)
	}
}
