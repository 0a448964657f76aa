package collect_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// minded is the rig of the real agent.
const minded = "heron"

// minder has a real agent watch a folder in which logs land, and kills it now and
// then.
type minder struct {
	t       testing.TB
	rand    *rand.Rand
	program string
	dir     string
	landed  map[string]bool // by content
	early   map[string]bool // what a log held for so long that it may be taken for the whole of it
	lives   int
	thirds  [3][]int // KiB of its own, ten times a second
	heap    collections
}

// collections gathers what a process's garbage collector says it left alive, from
// the runtime's own trace. What is resident says less about lives of half a minute:
// it goes on rising for some minutes, to what the runtime keeps for later.
type collections struct {
	mu     sync.Mutex
	third  func() int // -1 for a collection that is not counted; nil for none
	rest   []byte
	thirds [3][]float64 // MB
}

// quiet is for how long nobody has changed a log that is complete.
const quiet = time.Second

// How old they are when all that works in them has begun, and the collector has looked
// its archive over, too.
const (
	agentWarm     = 5 * time.Second
	collectorWarm = 3 * time.Second
)

var collected = regexp.MustCompile(`^gc \d+ @.*->(\d+) MB, `)

func (c *collections) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.rest = append(c.rest, b...)
	for {
		line, rest, whole := bytes.Cut(c.rest, []byte("\n"))
		if !whole {
			return len(b), nil
		}
		c.rest = rest
		if m := collected.FindSubmatch(line); m != nil && c.third != nil {
			mb, _ := strconv.ParseFloat(string(m[1]), 64)
			if i := c.third(); i >= 0 {
				c.thirds[i] = append(c.thirds[i], mb)
			}
		}
	}
}

// alive gives what was left alive on average, in MB; 0 where nothing was counted.
func (c *collections) alive() (thirds [3]float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, all := range c.thirds {
		for _, mb := range all {
			thirds[i] += mb / float64(len(all))
		}
	}
	return thirds
}

// counts has collections counted from when a process that is there now is warm.
func (c *collections) counts(began time.Time, length, warm time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	start := time.Now()
	c.rest = nil
	c.third = func() int {
		if time.Since(start) < warm || time.Since(began) > length {
			return -1
		}
		return min(2, int(3*time.Since(began)/length))
	}
}

// rests has none counted.
func (c *collections) rests() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.third = nil
}

// traced has a process that is yet to be started tell of its collections.
func (c *collections) traced(cmd *exec.Cmd) *exec.Cmd {
	cmd.Env, cmd.Stderr = append(cmd.Environ(), "GODEBUG=gctrace=1"), c
	return cmd
}

func newMinder(t testing.TB, r *rand.Rand, address string) *minder {
	m := &minder{t: t, rand: r, dir: t.TempDir(), landed: map[string]bool{}, early: map[string]bool{}}
	m.program = filepath.Join(m.dir, "agent")
	build := exec.Command("go", "build", "-ldflags=-s -w", "-o", m.program, "witnessmark/agent")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build the agent: %v\n%s", err, out)
	}
	if _, err := labtest.SixteenCores(filepath.Join(m.dir, "tree")); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("collector = %q\nrig = %q\nbeat.every = '1s'\n[[folder]]\npath = 'logs'\npattern = '*.csv'\nworkload = 'orrery'\nquiet = '%v'\n", address, minded, quiet)
	if err := os.WriteFile(filepath.Join(m.dir, "agent.toml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(m.dir, "logs"), 0o755); err != nil {
		t.Fatal(err)
	}
	return m
}

// enrol makes the agent's machine a rig of the collector.
func (m *minder) enrol(t testing.TB, owner *collect.Connection) {
	tok := labtest.Token(t, owner, trust.Member{Role: trust.Rig, Name: minded}, time.Hour)
	if _, err := collect.Join(context.Background(), owner.Where, filepath.Join(m.dir, "state"), tok); err != nil {
		t.Fatal(err)
	}
}

func (m *minder) start() *labtest.Child {
	m.lives++
	at := func(name string) string { return filepath.Join(m.dir, name) }
	cmd := exec.Command(m.program, "serve", "--config", at("agent.toml"), "--state", at("state"), "--root", at("tree"))
	c := labtest.Start(m.t, m.heap.traced(cmd))
	if _, ok := c.Line(); !ok {
		m.t.Error("the agent did not start: ", c.Wait())
	}
	return c
}

// drop has a log land in the folder, now whole, now bit by bit.
func (m *minder) drop() {
	text := fmt.Sprintf("frame_ms\n%d.5\n%d.25\n", 1000+len(m.landed), 20+m.rand.IntN(50))
	name := filepath.Join(m.dir, "logs", fmt.Sprintf("orrery-%d.csv", len(m.landed)))
	f, err := os.Create(name)
	if err != nil {
		m.t.Error(err)
		return
	}
	begun := time.Now()
	f.WriteString(text[:15])
	if m.rand.IntN(2) == 0 {
		time.Sleep(20 * time.Millisecond)
	}
	f.WriteString(text[15:])
	if time.Since(begun) >= quiet { // on a machine that stood still meanwhile
		m.early[text[:15]] = true
	}
	if err := f.Close(); err != nil {
		m.t.Error(err)
	}
	m.landed[text] = true
}

// until has logs land, and kills the agent at random, until ctx ends.
func (m *minder) until(ctx context.Context, length time.Duration) {
	began := time.Now()
	for ctx.Err() == nil {
		m.heap.counts(began, length, agentWarm)
		c := m.start()
		life := time.After(2*time.Second + time.Duration(m.rand.Int64N(int64(length/6))))
		for alive := true; alive; {
			select {
			case <-life:
				alive = false
			case <-ctx.Done():
				alive = false
			case <-time.After(100 * time.Millisecond):
				i := min(2, int(3*time.Since(began)/length))
				m.thirds[i] = append(m.thirds[i], anonymous(c.Pid()))
				if m.rand.IntN(4) == 0 {
					m.drop()
				}
			}
		}
		c.Kill()
	}
}

// settle lets the agent catch up, and holds what the collector has of it against
// what landed.
func (m *minder) settle(ctx context.Context, conn *collect.Connection) {
	m.heap.rests()
	c := m.start()
	defer c.Kill()
	book := answer.NewClient(conn)
	logs := map[string]string{} // by run
	for ctx.Err() == nil && len(logs) < len(m.landed) {
		time.Sleep(200 * time.Millisecond)
		var ids []string
		err := book.Runs(ctx, answer.Query{}, func(s answer.Summary) error {
			if s.Rig == minded {
				ids = append(ids, s.ID)
			}
			return nil
		})
		for _, id := range ids {
			if _, ok := logs[id]; ok || err != nil {
				continue
			}
			var b []byte
			if b, err = book.Attachment(ctx, id, ""); err == nil && !m.early[string(b)] { // the proxy cuts this one, too
				logs[id] = string(b)
			}
		}
	}
	got := map[string]int{}
	for _, text := range logs {
		got[text]++
	}
	for text := range m.landed {
		if got[text] != 1 {
			m.t.Errorf("log %q is there %d times", text, got[text])
		}
	}
	if len(got) != len(m.landed) {
		m.t.Errorf("%d logs are there, %d landed", len(got), len(m.landed))
	}
}
