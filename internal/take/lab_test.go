package take

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/capture"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/watch"
)

// roles are what this test is started again as.
var roles = map[string]func([]string) error{"taker": takeUntilKilled}

func TestMain(m *testing.M) {
	labtest.Roles(roles)
	os.Exit(m.Run())
}

// machine is a machine whose clocks a test moves.
type machine struct {
	wall          time.Time
	boot          int
	since, asleep time.Duration
}

func newMachine() *machine {
	return &machine{wall: time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC), since: time.Hour}
}

func (m *machine) Read() watch.Reading {
	return watch.Reading{Wall: m.wall, Boot: fmt.Sprintf("boot-%d", m.boot), SinceBoot: m.since, Awake: m.since - m.asleep}
}

func (m *machine) pass(d time.Duration) { m.wall, m.since = m.wall.Add(d), m.since+d }

// lab is a Taker over a folder, on a machine whose clocks a test moves.
type lab struct {
	*machine
	*Taker
	t        testing.TB
	logs     string
	state    string
	timeline *watch.Timeline
	ring     *watch.Ring
	states   *States
	spans    *Spans
	spool    *spool.Spool
	looks    int
	events   []watch.Event // that the Taker was the first to notice
	before   watch.Reading // the last time the folder was looked at
}

func newLab(t testing.TB) *lab {
	l := &lab{machine: newMachine(), t: t, logs: t.TempDir(), state: t.TempDir(), timeline: &watch.Timeline{}}
	var err error
	if l.ring, err = watch.OpenRing(filepath.Join(l.state, "ring"), watch.RingBounds{}); err != nil {
		t.Fatal(err)
	}
	if l.states, err = OpenStates(filepath.Join(l.state, "states.jsonl")); err != nil {
		t.Fatal(err)
	}
	if l.spool, err = spool.Open(filepath.Join(l.state, "spool")); err != nil {
		t.Fatal(err)
	}
	l.start()
	t.Cleanup(func() {
		l.Close()
		l.ring.Close()
		l.states.Close()
	})
	l.run(0)
	return l
}

// start makes the Taker, as an agent that starts does.
func (l *lab) start() {
	l.t.Helper()
	var err error
	if l.spans, err = OpenSpans(filepath.Join(l.state, "take", "spans.jsonl"), l.machine); err != nil {
		l.t.Fatal(err)
	}
	t, err := New(Options{
		Dir: filepath.Join(l.state, "take"), Clock: l.machine, Timeline: l.timeline, Signals: l.ring, States: l.states, Spans: l.spans,
		Folders: []Folder{{l.logs, []Logs{{Match: "*.csv", Workload: &setup.Workload{Name: "orrery", Version: "3"}, Quiet: time.Second}}}},
		Offset: func(wall time.Time, at watch.Instant) *rig.ClockOffset {
			return &rig.ClockOffset{Ahead: time.Minute, Measured: wall}
		},
		Look: l.look, Rig: rigOf("heron", l.spool), Happened: func(e watch.Event) { l.events = append(l.events, e) },
	})
	if err != nil {
		l.t.Fatal(err)
	}
	l.Taker = t
}

// Close closes what start opened.
func (l *lab) Close() error { return errors.Join(l.Taker.Close(), l.spans.Close()) }

func rigOf(name string, s *spool.Spool) *capture.Rig {
	return &capture.Rig{Name: name, Key: labtest.Key(labtest.Seeded(7)), Spool: s, Destination: spool.Embedded, Version: "0.1.0", Random: rand.Reader}
}

// run lets time pass, with the signals of it in the ring and the clocks noted.
func (l *lab) run(d time.Duration) {
	l.t.Helper()
	for end := l.since + d; ; l.pass(min(time.Second, end-l.since)) {
		if _, err := l.timeline.Note(l.Read()); err != nil {
			l.t.Fatal(err)
		}
		load := probe.Drained{Signal: rig.Signal{Key: "load.other", Unit: rig.Percent, Source: "/proc", Offsets: []time.Duration{l.since}, Values: []int64{99}}}
		at := probe.Drained{Signal: rig.Signal{Key: "cpu[0].clock", Unit: rig.MHz, Source: "/sys/clock", Offsets: []time.Duration{l.since}, Values: []int64{int64(l.since / time.Second)}}}
		if err := l.ring.Append(watch.Piece{From: l.Read(), To: l.Read(), Signals: []probe.Drained{at, load}, Cost: probe.Cost{CPU: l.since / 1000, PeakRSS: 1 << 20}}); err != nil {
			l.t.Fatal(err)
		}
		if l.since >= end {
			return
		}
	}
}

// snapshot is the machine's state, with memory at the speed.
func (l *lab) snapshot(speed float64) rig.Snapshot {
	return rig.NewSnapshot(l.wall, []rig.Fact{
		{Key: "memory.speed", Value: rig.NumberOf(speed), Unit: rig.MTps, Source: "/sys/firmware/dmi"},
		{Key: "kernel.uptime", Value: rig.NumberOf(l.since.Seconds()), Unit: rig.Second, Source: "/proc/uptime"},
	})
}

// look is how the Taker reads the machine.
func (l *lab) look(context.Context) rig.Snapshot {
	l.looks++
	return l.snapshot(3200)
}

func (l *lab) note(speed float64) {
	l.t.Helper()
	if err := l.states.Note(l.Read(), l.snapshot(speed)); err != nil {
		l.t.Fatal(err)
	}
}

// logOf is a timing log of so many seconds, at 10 rows a second. Two of the same
// seed are the same.
func logOf(seconds, seed int) string {
	return "frame_ms\n" + strings.Repeat("100.000\n", 10*seconds-1) + fmt.Sprintf("100.%03d\n", seed)
}

// put writes a log now, and gives the file as a watcher finds it.
func (l *lab) put(name, text string) watch.Found {
	l.t.Helper()
	path := filepath.Join(l.logs, name)
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		l.t.Fatal(err)
	}
	if err := os.Chtimes(path, l.wall, l.wall); err != nil {
		l.t.Fatal(err)
	}
	return l.find(name)
}

func (l *lab) find(name string) watch.Found {
	l.t.Helper()
	path := filepath.Join(l.logs, name)
	info, err := os.Lstat(path)
	if err != nil {
		l.t.Fatal(err)
	}
	return watch.Found{Path: path, Info: info, Changed: l.Read(), Before: l.before}
}

// give hands a file to the Taker, which must not want it again.
func (l *lab) give(f watch.Found) {
	l.t.Helper()
	if !l.found(f) {
		l.t.Fatalf("%s is wanted again: %v", f.Path, l.Status())
	}
}

// runs gives what is in the spool.
func (l *lab) runs() []*record.Run {
	l.t.Helper()
	return runsIn(l.t, l.spool)
}

func runsIn(t testing.TB, s *spool.Spool) (runs []*record.Run) {
	t.Helper()
	items, err := s.Pending()
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range items {
		r, err := record.Decode(it.Signed.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		runs = append(runs, r)
	}
	return runs
}

// only gives the one run that there is.
func (l *lab) only() *record.Run {
	l.t.Helper()
	runs := l.runs()
	if len(runs) != 1 {
		l.t.Fatalf("%d runs are spooled; troubles: %v", len(runs), l.Status().Troubles)
	}
	return runs[0]
}

// troubles gives the one line of each.
func (l *lab) told() (out []string) {
	for _, x := range l.Status().Troubles {
		if fault.HintOf(x.Why) == "" || strings.Contains(x.Why.Error(), "\n") {
			l.t.Errorf("%q is no line with a hint", x.Why)
		}
		out = append(out, filepath.Base(x.Path)+": "+x.Why.Error())
	}
	return out
}

func sumOf(text string) [sha256.Size]byte { return sha256.Sum256([]byte(text)) }
