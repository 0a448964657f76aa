package watch

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
)

// roles are what this test is started again as.
var roles = map[string]func([]string) error{"noter": noteUntilKilled, "appender": appendUntilKilled}

func TestMain(m *testing.M) {
	labtest.Roles(roles)
	os.Exit(m.Run())
}

// machine is a machine whose clocks a test moves.
type machine struct {
	wall   time.Time
	boot   int
	since  time.Duration
	asleep time.Duration
}

func newMachine() *machine {
	return &machine{wall: time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC), since: 10 * time.Second}
}

func (m *machine) Read() Reading {
	return Reading{m.wall, fmt.Sprintf("boot-%d", m.boot), m.since, m.since - m.asleep}
}

func (m *machine) pass(d time.Duration) { m.wall, m.since = m.wall.Add(d), m.since+d }
func (m *machine) sleep(d time.Duration) {
	m.pass(d)
	m.asleep += d
}
func (m *machine) step(d time.Duration) { m.wall = m.wall.Add(d) }
func (m *machine) reboot(off time.Duration) {
	m.wall, m.boot, m.since, m.asleep = m.wall.Add(off+5*time.Second), m.boot+1, 5*time.Second, 0
}

func note(t testing.TB, tl *Timeline, m *machine) *Event {
	t.Helper()
	e, err := tl.Note(m.Read())
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// watched lets time pass with a reading a second.
func watched(t testing.TB, tl *Timeline, m *machine, d time.Duration) {
	for ; d > 0; d -= time.Second {
		m.pass(time.Second)
		if e := note(t, tl, m); e != nil {
			t.Fatalf("nothing happened, and yet %v", e)
		}
	}
}

func TestALogFromBeforeAStepStillMapsRight(t *testing.T) {
	for _, by := range []time.Duration{time.Hour, -time.Hour, 5 * time.Minute, -5 * time.Minute} {
		tl, m := &Timeline{}, newMachine()
		note(t, tl, m)
		watched(t, tl, m, 10*time.Minute)
		written, truth := m.wall, m.Read().Instant()
		watched(t, tl, m, 2*time.Minute)
		m.pass(time.Second)
		m.step(by)
		if e := note(t, tl, m); e == nil || e.Stepped != by || e.Slept != 0 || e.Restarted {
			t.Fatalf("a step by %v is told as %v", by, e)
		}
		watched(t, tl, m, time.Minute)
		if got := tl.Instants(written); !slices.Equal(got, []Instant{truth}) {
			t.Errorf("step by %v: %v, want %v", by, got, truth)
		}
		if got := tl.Walls(truth); len(got) != 1 || !got[0].Equal(written) {
			t.Errorf("step by %v: back to %v, want %v", by, got, written)
		}
	}
}

func TestATimeThatWasShownTwiceIsTwoInstants(t *testing.T) {
	tl, m := &Timeline{}, newMachine()
	note(t, tl, m)
	watched(t, tl, m, 90*time.Minute)
	first := m.Read()
	watched(t, tl, m, 5*time.Minute)
	m.pass(time.Second)
	m.step(-time.Hour)
	note(t, tl, m)
	watched(t, tl, m, 65*time.Minute)
	second := first.Instant().Add(time.Hour)
	m.pass(time.Second)
	if got := tl.Instants(first.Wall); !slices.Equal(got, []Instant{first.Instant(), second}) {
		t.Errorf("%v, want %v and %v", got, first.Instant(), second)
	}
	m.step(2 * time.Hour)
	note(t, tl, m)
	if got := tl.Instants(m.wall.Add(-time.Hour)); len(got) != 0 {
		t.Errorf("a time that was skipped maps to %v", got)
	}
}

func TestSuspensionAndRestart(t *testing.T) {
	tl, m := &Timeline{}, newMachine()
	note(t, tl, m)
	watched(t, tl, m, time.Minute)
	before := m.Read()
	m.sleep(3 * time.Hour)
	m.pass(time.Second)
	if e := note(t, tl, m); e == nil || e.Slept != 3*time.Hour || e.Stepped != 0 || e.String() != "the machine was suspended for 3h0m0s" {
		t.Fatalf("%v", e)
	}
	after := m.Read()
	for _, r := range []Reading{before, after} {
		if got := tl.Instants(r.Wall); !slices.Equal(got, []Instant{r.Instant()}) {
			t.Errorf("%v, want %v", got, r.Instant())
		}
	}
	if got := tl.Events(before.Instant(), after.Instant()); len(got) != 1 || got[0].Slept != 3*time.Hour {
		t.Errorf("events %v", got)
	}
	m.reboot(time.Minute)
	if e := note(t, tl, m); e == nil || !e.Restarted || e.String() != "the machine was started anew" {
		t.Fatalf("%v", e)
	}
	for _, r := range []Reading{before, after, m.Read()} {
		if got := tl.Instants(r.Wall); !slices.Equal(got, []Instant{r.Instant()}) {
			t.Errorf("after a restart: %v, want %v", got, r.Instant())
		}
	}
	if got := tl.Events(before.Instant(), m.Read().Instant()); got != nil {
		t.Errorf("events over two boots: %v", got)
	}
}

// TestEveryTimeShownIsFound lets a machine live at random, watched and not, and
// asks for every time that its clock showed. The true instant is always among
// the answers, and the only one when the clock was never set.
func TestEveryTimeShownIsFound(t *testing.T) {
	path := filepath.Join(t.TempDir(), "timeline")
	rapid.Check(t, func(rt *rapid.T) {
		os.Remove(path)
		tl, err := OpenTimeline(path)
		if err != nil {
			rt.Fatal(err)
		}
		m := newMachine()
		shown := []Reading{m.Read()}
		var want []Event
		stepped := false
		tl.Note(m.Read())
		seconds := func(most int) time.Duration {
			return time.Duration(rapid.IntRange(1, most*1000).Draw(rt, "ms")) * time.Millisecond
		}
		for range rapid.IntRange(1, 40).Draw(rt, "deeds") {
			before := shown[len(shown)-1]
			var e Event
			switch rapid.IntRange(0, 6).Draw(rt, "deed") {
			case 0:
				e.Stepped = time.Duration(rapid.SampledFrom([]int{-3600, -300, -1, 1, 300, 3600}).Draw(rt, "step")) * time.Second
				stepped = true
				m.pass(seconds(1))
				m.step(e.Stepped)
			case 1:
				e.Slept = time.Second + seconds(10_000)
				m.sleep(e.Slept)
				m.pass(seconds(1))
			case 2:
				e.Restarted = true
				m.reboot(seconds(100))
			case 3: // the agent was not running meanwhile, or is started anew
				m.pass(seconds(5000))
				if err := tl.Close(); err != nil {
					rt.Fatal(err)
				}
				if tl, err = OpenTimeline(path); err != nil {
					rt.Fatal(err)
				}
			default:
				m.pass(seconds(100))
			}
			got, err := tl.Note(m.Read())
			if err != nil {
				rt.Fatal(err)
			}
			if e != (Event{}) {
				e.Before, e.After = before, m.Read()
				want = append(want, e)
				if got == nil || *got != e {
					rt.Fatalf("%v is told as %v", e, got)
				}
			} else if got != nil {
				rt.Fatalf("nothing happened, and yet %v", got)
			}
			shown = append(shown, m.Read())
		}
		if d := cmp.Diff(want, eventsOf(tl.Stretches())); d != "" {
			rt.Fatalf("events %s", d)
		}
		for _, r := range shown {
			got := tl.Instants(r.Wall)
			if !slices.Contains(got, r.Instant()) || !stepped && len(got) != 1 {
				rt.Fatalf("%v maps to %v", r, got)
			}
			if walls := tl.Walls(r.Instant()); !slices.ContainsFunc(walls, r.Wall.Equal) {
				rt.Fatalf("%v maps back to %v", r, walls)
			}
		}
		if err := tl.Close(); err != nil {
			rt.Fatal(err)
		}
	})
}

// noteUntilKilled goes on with a timeline of a machine whose clock is set every
// few seconds, and writes down what the timeline took.
func noteUntilKilled(args []string) error {
	tl, err := OpenTimeline(args[0])
	if err != nil {
		return err
	}
	ledger, err := labtest.OpenLedger(args[1])
	if err != nil {
		return err
	}
	m := newMachine()
	if last, ok := tl.Last(); ok {
		m.wall, m.since = last.Wall, last.SinceBoot
	}
	for i := 0; ; i++ {
		m.pass(7 * time.Second)
		if i%3 == 2 {
			m.step(time.Duration(1+i%5) * time.Second)
		}
		e, err := tl.Note(m.Read())
		if err != nil {
			return err
		}
		if e != nil {
			if err := ledger.Note("stepped", e.After.SinceBoot.String(), e.Stepped.String()); err != nil {
				return err
			}
		}
	}
}

func TestKilledTimeline(t *testing.T) {
	dir := t.TempDir()
	path, book := filepath.Join(dir, "timeline"), filepath.Join(dir, "ledger")
	r := labtest.Rand(t)
	for range 5 {
		c := labtest.Start(t, labtest.Role("noter", path, book))
		c.Await(5+r.IntN(50), 2*time.Minute)
		if !c.KillAfter(time.Duration(r.IntN(2000)) * time.Microsecond) {
			t.Fatal(c.Wait())
		}
		tl, err := OpenTimeline(path)
		if err != nil || tl.Damaged() != 0 {
			t.Fatalf("%v, %d lines damaged", err, tl.Damaged())
		}
		var told []string
		for _, e := range eventsOf(tl.Stretches()) {
			told = append(told, e.After.SinceBoot.String()+" "+e.Stepped.String())
		}
		if err := tl.Close(); err != nil {
			t.Fatal(err)
		}
		entries, err := labtest.ReadLedger(book)
		if err != nil || len(entries) == 0 {
			t.Fatal(len(entries), err)
		}
		for _, e := range entries[max(0, len(entries)-maxStretches/2):] {
			if !slices.Contains(told, strings.Join(e[1:], " ")) {
				t.Fatalf("the step %v is forgotten", e)
			}
		}
	}
}

func TestAFullDiskOwesTheTimeline(t *testing.T) {
	dir := labtest.SmallDisk(t, "64k")
	path := filepath.Join(dir, "timeline")
	tl, err := OpenTimeline(path)
	if err != nil {
		t.Fatal(err)
	}
	m := newMachine()
	note(t, tl, m)
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 1<<20), 0o600); err == nil {
		t.Fatal("the disk took more than it has room for")
	}
	failed := 0
	for range 40 {
		m.pass(time.Second)
		m.step(time.Minute)
		if _, err := tl.Note(m.Read()); err != nil {
			failed++
		}
	}
	if failed == 0 {
		t.Fatal("no note failed")
	}
	if again, err := OpenTimeline(path); err != nil || again.Damaged() != 0 {
		t.Errorf("opened on the full disk: %v, %d damaged", err, again.Damaged())
	}
	os.Remove(ballast)
	m.pass(time.Second)
	note(t, tl, m)
	want := tl.Stretches()
	if err := tl.Close(); err != nil {
		t.Fatal(err)
	}
	tl, err = OpenTimeline(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, tl.Stretches()); d != "" || len(want) != 41 {
		t.Errorf("%d stretches: %s", len(want), d)
	}
}

func TestTheFileStaysSmall(t *testing.T) {
	path := filepath.Join(t.TempDir(), "timeline")
	tl, err := OpenTimeline(path)
	if err != nil {
		t.Fatal(err)
	}
	m := newMachine()
	for range maxStretches + 100 {
		m.pass(time.Minute)
		m.sleep(time.Hour)
		if _, err := tl.Note(m.Read()); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(tl.Stretches()); n != maxStretches {
		t.Errorf("%d stretches are kept", n)
	}
	if i, err := os.Stat(path); err != nil || i.Size() > maxFile+1<<10 {
		t.Errorf("%d bytes, %v", i.Size(), err)
	}
	tl.Close()
	if tl, err = OpenTimeline(path); err != nil || len(tl.Stretches()) != maxStretches || tl.Damaged() != 0 {
		t.Errorf("%d stretches, %d damaged, %v", len(tl.Stretches()), tl.Damaged(), err)
	}
}

// FuzzTimeline: what parses is in order and parses again from its own lines.
func FuzzTimeline(f *testing.F) {
	m := newMachine()
	r := m.Read()
	m.pass(time.Hour)
	line := appendLine(nil, Stretch{r, m.Read()})
	f.Add(line)
	f.Add(append(line[:len(line):len(line)], line[:50]...))
	f.Add(append(append(line[:len(line):len(line)], "junk\n"...), line...))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, damaged := parseTimeline(b)
		var again []byte
		for _, s := range all {
			again = appendLine(again, s)
		}
		all2, damaged2 := parseTimeline(again)
		if d := cmp.Diff(all, all2); d != "" || damaged2 != 0 {
			t.Fatalf("%d damaged, then %d: %s", damaged, damaged2, d)
		}
		for i, s := range all {
			if s.To.SinceBoot < s.From.SinceBoot || i > 0 && s.From.Boot == all[i-1].To.Boot && s.From.SinceBoot < all[i-1].To.SinceBoot {
				t.Fatalf("out of order: %v", all)
			}
			instants(all, s.From.Wall)
		}
	})
}

func TestLiveClock(t *testing.T) {
	tree, err := probe.LiveTree()
	if err != nil {
		t.Fatal(err)
	}
	defer tree.Close()
	c, err := LiveClock(tree)
	if err != nil {
		t.Fatal(err)
	}
	tl := &Timeline{}
	last := c.Read()
	for range 1000 {
		r := c.Read()
		if r.SinceBoot < last.SinceBoot || r.Awake < last.Awake || r.Boot != last.Boot || r.Boot == "" || r.Wall.Year() < 2020 {
			t.Fatalf("%v after %v", r, last)
		}
		last = r
		if e, err := tl.Note(r); err != nil || e != nil {
			t.Logf("this machine's clocks: %v, %v", e, err) // it may really have been set
		}
	}
}
