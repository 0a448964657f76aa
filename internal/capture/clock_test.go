package capture_test

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/capture"
	"witnessmark/internal/compare"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/watch"
)

// bench is a rig whose clocks a test sets, and its way to a collector.
type bench struct {
	*capture.Rig
	offsets deliver.Offsets
	dir     string
	prints  string // a command whose output the workload's begins with

	mu      sync.Mutex
	began   time.Time     // of the test
	passed  time.Duration // that the test has let pass since
	slept   time.Duration
	ahead   time.Duration // of the wall clock over the true one
	restart time.Duration // when it booted, by the true clock
	boot    string
}

var nine = time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC)

// truth is the collector's time since nine.
func (b *bench) truth() time.Duration { return time.Since(b.began) + b.passed + b.slept }

func (b *bench) Read() watch.Reading {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.truth()
	up := now - b.restart
	return watch.Reading{Wall: nine.Add(now + b.ahead), Boot: b.boot, SinceBoot: up, Awake: up - b.slept}
}

// change changes the clocks.
func (b *bench) change(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
}

func (b *bench) pass(d time.Duration) { b.change(func() { b.passed += d }) }

// meet has a beat answered, by which the offset to the collector is known.
func (b *bench) meet() {
	now := b.Read()
	b.mu.Lock()
	defer b.mu.Unlock()
	at := nine.Add(b.truth())
	b.offsets.Add(now.SinceBoot, at, at, b.truth()-b.restart)
}

func newBench(t *testing.T, name, boot string) *bench {
	if runtime.GOOS == "windows" {
		t.Skip("the workload is a shell script")
	}
	tree, err := probe.CapturedTree("../../testdata/rigs/heron")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { tree.Close() })
	s, err := spool.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	r := labtest.Rand(t)
	b := &bench{dir: t.TempDir(), began: time.Now(), restart: -time.Hour, boot: boot}
	b.Rig = &capture.Rig{Name: name, Tree: tree, Key: labtest.Key(r), Spool: s, Destination: "x", Clock: b,
		Now: func() time.Time { return b.Read().Wall }, Random: random{r.Uint32},
		Offset: func() (*rig.ClockOffset, rig.Unread) {
			now := b.Read()
			if o := b.offsets.At(now.Wall, now.SinceBoot); o != nil {
				return o, rig.Unread{}
			}
			return nil, rig.Unread{Reason: rig.Absent, Detail: "no beat was answered yet"}
		}}
	return b
}

type random struct{ word func() uint32 }

func (r random) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(r.word())
	}
	return len(p), nil
}

// carry makes a run, during which something happens.
func (b *bench) carry(t *testing.T, during func()) (*capture.Outcome, error) {
	t.Helper()
	started, on := filepath.Join(b.dir, "started"), filepath.Join(b.dir, "on")
	os.Remove(started)
	os.Remove(on)
	w := &setup.Workload{Name: "orrery", Repeats: 1, Timeout: 2 * time.Minute,
		Command: []string{"sh", "-c", b.prints + ": > started; while [ ! -e on ]; do sleep 0.02; done; echo score 100"},
		Results: []setup.Result{{Name: "score", Pattern: "score ([0-9]+)", Better: "higher"}}}
	var happened sync.WaitGroup
	defer happened.Wait()
	happened.Go(func() {
		for range 6000 {
			if _, err := os.Stat(started); err == nil {
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
		if during != nil {
			during()
		}
		os.WriteFile(on, nil, 0o600)
	})
	return b.Rig.Run(context.Background(), capture.Job{Workload: w, Dir: b.dir, Repeat: 1, Repeats: 1})
}

// run makes a run, during which the clocks change, delivers it and gives what the
// collector has of it.
func (b *bench) run(t *testing.T, c *labtest.Collector, during func()) (*record.Run, answer.Summary) {
	t.Helper()
	out, err := b.carry(t, func() {
		if during != nil {
			b.change(during)
		}
	})
	if err != nil || out.Run.Exit.Outcome != record.Finished {
		t.Fatalf("%v, %+v", err, out)
	}
	it, err := b.Spool.Offer(out.Run.ID)
	if err != nil {
		t.Fatal(err)
	}
	var parts []deliver.Part
	for i, a := range it.Attachments {
		parts = append(parts, deliver.Part{Attachment: a, Open: func() (io.ReadCloser, error) { return it.Part(i) }})
	}
	if _, err := deliver.Send(context.Background(), c, it.Signed, parts); err != nil {
		t.Fatal(err)
	}
	d, err := answer.NewClient(c).Show(context.Background(), out.Run.ID)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := record.Decode(d.Signed.Bytes)
	if err != nil || !bytes.Equal(d.Signed.Bytes, it.Signed.Bytes) {
		t.Fatal(err)
	}
	return kept, d.Summary
}

// flagged says whether a run was flagged for its clocks with that fact.
func flagged(s answer.Summary, fact rig.Key) bool {
	for _, f := range s.Judgement.Flags {
		if f.Fact == fact && f.Kind == drift.Unsteady && f.Weight == rig.Caution {
			return true
		}
	}
	return false
}

// inOrder wants runs in the order in which they were made wherever runs of the
// workload are laid out in time.
func inOrder(t *testing.T, c *labtest.Collector, want ...*record.Run) {
	t.Helper()
	s, err := answer.ParseSelection("workload=orrery", nine.Add(24*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	l, err := answer.Load(context.Background(), answer.NewClient(c), s, answer.LoadOptions{Include: []drift.Standing{drift.Careful}})
	if err != nil || len(l.Runs) != len(want) {
		t.Fatalf("%d runs of %d, %v", len(l.Runs), len(want), err)
	}
	var compared, traced []string
	for _, r := range compare.Compare(l.Runs, nil, compare.Options{}).Workloads[0].Base.Runs {
		compared = append(compared, r.ID)
	}
	var events []compare.Event
	for _, r := range l.Runs {
		events = append(events, compare.Event{Run: r, Outcome: compare.Outcome{Name: "score", Value: 100, Better: "higher"}})
	}
	for _, p := range compare.Trace(events, compare.HistoryOptions{}).Points {
		traced = append(traced, p.Runs...)
	}
	for i, r := range want {
		if compared[i] != r.ID {
			t.Errorf("place %d of the comparison has %s, not %s", i, compared[i], r.ID)
		}
		if len(traced) == len(want) && traced[i] != r.ID {
			t.Errorf("place %d of the history has %s, not %s", i, traced[i], r.ID)
		}
	}
}

// only wants the one event of a record.
func only(t *testing.T, r *record.Run, kind string, by time.Duration) {
	t.Helper()
	if r.Clock == nil || len(r.Clock.Events) != 1 {
		t.Fatalf("%+v", r.Clock)
	}
	if e := r.Clock.Events[0]; e.Kind != kind || (e.By-by).Abs() > 10*time.Second || e.At < 0 {
		t.Errorf("%+v, want %s by %v", e, kind, by)
	}
}

// TestClockStepsByAnHour: a wall clock that is set back during a run costs neither
// its length nor its place among the others.
func TestClockStepsByAnHour(t *testing.T) {
	c, heron := labtest.NewCollector(t), newBench(t, "heron", "boot-1")
	first, s1 := heron.run(t, c, nil)
	heron.pass(10 * time.Minute)
	second, s2 := heron.run(t, c, func() { heron.ahead -= time.Hour })
	heron.pass(10 * time.Minute)
	third, _ := heron.run(t, c, nil)
	if !third.Started.Before(first.Started) {
		t.Fatal("the wall clock was not set")
	}
	only(t, second, record.ClockStep, -time.Hour)
	if first.Clock.Boot != "boot-1" || len(first.Clock.Events) > 0 || first.Clock.Offset != nil || first.Clock.Unread.Reason != rig.Absent {
		t.Errorf("%+v", first.Clock)
	}
	if second.Elapsed > 10*time.Minute || flagged(s1, "clock.set") || !flagged(s2, "clock.set") {
		t.Errorf("it took %v; flags %+v, %+v", second.Elapsed, s1.Judgement.Flags, s2.Judgement.Flags)
	}
	inOrder(t, c, first, second, third)
}

// TestSuspendAndResume: a suspend is no part of a run's length, is told, and parts
// no order.
func TestSuspendAndResume(t *testing.T) {
	c, heron := labtest.NewCollector(t), newBench(t, "heron", "boot-1")
	first, s := heron.run(t, c, func() { heron.slept += 2 * time.Hour })
	only(t, first, record.ClockSuspend, 2*time.Hour)
	if first.Elapsed > 10*time.Minute || !flagged(s, "clock.slept") || flagged(s, "clock.set") {
		t.Errorf("it took %v; flags %+v", first.Elapsed, s.Judgement.Flags)
	}
	for _, sig := range first.Signals {
		if n := len(sig.Offsets); n > 0 && sig.Offsets[n-1] > first.Elapsed {
			t.Errorf("%s was sampled %v into a run of %v", sig.Key, sig.Offsets[n-1], first.Elapsed)
		}
	}
	heron.change(func() { heron.ahead -= 3 * time.Hour }) // while nobody looked
	second, s := heron.run(t, c, nil)
	if since := second.Clock.SinceBoot - first.Clock.SinceBoot; since < 2*time.Hour || len(second.Clock.Events) > 0 || flagged(s, "clock.slept") {
		t.Errorf("%v later, %+v", since, second.Clock)
	}
	inOrder(t, c, first, second)
}

// TestClockFiveMinutesWrong: the offset is in the record and flagged, and puts the
// runs of two rigs in their order; within the bound nothing is flagged.
func TestClockFiveMinutesWrong(t *testing.T) {
	c, heron, plover := labtest.NewCollector(t), newBench(t, "heron", "boot-1"), newBench(t, "plover", "boot-2")
	heron.ahead = 5 * time.Minute
	heron.meet()
	plover.meet()
	first, s1 := heron.run(t, c, nil)
	plover.pass(3 * time.Minute)
	second, s2 := plover.run(t, c, nil)
	heron.pass(4 * time.Minute)
	third, _ := heron.run(t, c, nil)
	if o := first.Clock.Offset; o == nil || (o.Ahead-5*time.Minute).Abs() > o.Uncertainty+time.Second || !flagged(s1, "clock.ahead") {
		t.Errorf("%+v, flags %+v", first.Clock, s1.Judgement.Flags)
	}
	if o := second.Clock.Offset; o == nil || o.Ahead.Abs() > o.Uncertainty+time.Second || flagged(s2, "clock.ahead") {
		t.Errorf("%+v, flags %+v", second.Clock, s2.Judgement.Flags)
	}
	inOrder(t, c, first, second, third)
}
