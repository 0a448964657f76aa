package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
	"witnessmark/internal/watch"
)

// residentBound is what the idle agent may hold in memory with the ring of a rig
// of 16 cores filled.
const residentBound = 20 << 20

// BenchmarkResident starts the agent as it is built for use on such a rig, and
// gives what is resident a while after it has begun to idle, in bytes, with what of
// it is the process's own and what is the program.
func BenchmarkResident(b *testing.B) {
	for b.Loop() {
		dir := b.TempDir()
		tree, state := filepath.Join(dir, "tree"), filepath.Join(dir, "state")
		if _, err := labtest.SixteenCores(tree); err != nil {
			b.Fatal(err)
		}
		filled := fillRing(b, tree, filepath.Join(state, "ring"))
		b.ReportMetric(float64(filled), "ring-B")
		config := filepath.Join(dir, "agent.toml")
		if err := os.WriteFile(config, []byte("rig = 'heron'\ncollector = '127.0.0.1:1'\n[[folder]]\npath = '"+dir+"'\nworkload = 'orrery'\npattern = '*.csv'\n"), 0o600); err != nil {
			b.Fatal(err)
		}
		c := labtest.Start(b, exec.Command(program("agent"), "serve", "--config", config, "--state", state, "--root", tree))
		socket, ok := c.Line()
		if !ok {
			b.Fatal(c.Wait())
		}
		stop := idleAway(tree)
		for now := (nowView{}); now.Pace < 1; time.Sleep(time.Second) {
			out, err := exec.Command(program("agent"), "now", "--json", "--socket", socket).Output()
			if err == nil {
				err = json.Unmarshal(out, &now)
			}
			if err != nil {
				b.Fatal(err)
			}
		}
		time.Sleep(20 * time.Second) // whatever it does now and then, it does in this time
		if n := size(filepath.Join(state, "ring")); n < filled {
			b.Errorf("of the ring's %d bytes %d are left", filled, n)
		}
		for what, n := range resident(b, c.Pid()) {
			b.ReportMetric(float64(n), what+"-B")
			if what == "VmRSS" && n > residentBound {
				b.Errorf("%d bytes are resident, and %d may be", n, residentBound)
			}
		}
		b.ReportMetric(residentBound, "bound-B")
		c.Kill()
		stop()
	}
}

// fillRing leaves in a ring what the last two hours give when the tree is under
// load, and tells its size.
func fillRing(b *testing.B, tree, ring string) int64 {
	t, err := probe.CapturedTree(tree)
	if err != nil {
		b.Fatal(err)
	}
	defer t.Close()
	r, err := watch.OpenRing(ring, watch.RingBounds{})
	if err != nil {
		b.Fatal(err)
	}
	s := probe.NewSampler(t, probe.SampleOptions{})
	defer s.Close()
	s.Take(time.Millisecond)
	signals := s.Drain()
	at := lately(b)
	for from := time.Duration(0); from < 130*time.Minute; from += 5 * time.Second {
		p := watch.Piece{From: at(from), To: at(from + 4900*time.Millisecond), Cost: probe.SelfCost()}
		for _, x := range signals {
			if x.Offsets, x.Values = nil, nil; x.Unread.Reason == "" {
				for d := from; d < from+5*time.Second; d += 100 * time.Millisecond {
					x.Offsets, x.Values = append(x.Offsets, d), append(x.Values, 4_000_000+rand.Int64N(99_991))
				}
			}
			p.Signals = append(p.Signals, x)
		}
		if err := r.Append(p); err != nil {
			b.Fatal(err)
		}
	}
	if err := r.Close(); err != nil {
		b.Fatal(err)
	}
	return size(ring)
}

// lately gives the machine's clocks at a time in the last 130 minutes, that long
// after their beginning. Where this boot began since, all is of the one before:
// what is older than a ring keeps it lets go.
func lately(b *testing.B) func(time.Duration) watch.Reading {
	t, err := probe.LiveTree()
	if err != nil {
		b.Fatal(err)
	}
	defer t.Close()
	clock, err := watch.LiveClock(t)
	if err != nil {
		b.Fatal(err)
	}
	now := clock.Read()
	from := now.SinceBoot - 130*time.Minute
	if from < 0 {
		now.Boot, from = "the boot before", 0
	}
	return func(d time.Duration) watch.Reading {
		return watch.Reading{Wall: now.Wall.Add(d - 130*time.Minute), Boot: now.Boot, SinceBoot: from + d, Awake: from + d}
	}
}

// size is how many bytes a ring has on the disk.
func size(ring string) (n int64) {
	names, _ := filepath.Glob(filepath.Join(ring, "*.seg"))
	for _, name := range names {
		if i, err := os.Stat(name); err == nil {
			n += i.Size()
		}
	}
	return n
}

// idleAway lets the processors of a tree idle until it is stopped.
func idleAway(tree string) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for n := 0; ctx.Err() == nil; n += 16 {
			text := fmt.Sprintf("cpu  12713 0 4837 %d 347 0 85 25 0 0\n", 138800+10*n)
			f, err := os.OpenFile(filepath.Join(tree, "proc/stat"), os.O_WRONLY, 0)
			if err == nil {
				f.WriteAt([]byte(text), 0)
				f.Close()
			}
			time.Sleep(100 * time.Millisecond)
		}
	}()
	return func() { cancel(); <-ended }
}

// resident gives the lines on memory of a process's status, in bytes.
func resident(b testing.TB, pid int) map[string]int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	out := map[string]int64{}
	for line := range strings.Lines(string(text)) {
		for _, what := range []string{"VmRSS", "RssAnon", "RssFile"} {
			if rest, ok := strings.CutPrefix(line, what+":"); ok {
				n, err := strconv.ParseInt(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
				if err != nil {
					b.Fatal(err)
				}
				out[what] = n << 10
			}
		}
	}
	return out
}
