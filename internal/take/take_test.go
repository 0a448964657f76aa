package take

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/watch"
)

func TestALogBecomesARunWithTheStateOfItsTime(t *testing.T) {
	l := newLab(t)
	l.note(3200)
	l.run(time.Minute)
	began := l.since
	l.run(20 * time.Second)
	l.give(l.put("orrery.csv", logOf(20, 0)))
	l.run(time.Minute)
	l.note(2400)
	r := l.only()
	if r.Exit.Outcome != record.Taken || r.Rig != "heron" || r.Workload.Name != "orrery" || r.Elapsed.Round(time.Millisecond) != 20*time.Second || len(r.Remarks) > 0 {
		t.Errorf("%+v", r)
	}
	s := r.Span
	if s.From.How != record.ByDurations || s.To.How != record.ByLastWrite || s.From.Boot != "boot-0" || s.From.SinceBoot.Round(time.Millisecond) != began ||
		s.To.SinceBoot != began+20*time.Second || !r.Started.Equal(s.From.Wall) || s.From.Detail+s.To.Detail != "" {
		t.Errorf("%+v", *s)
	}
	if len(r.Logs) != 1 || r.Logs[0].Attachment != "orrery.csv" || r.Logs[0].Rows != 200 || r.Logs[0].Refused != "" || r.Attachments[0].SHA256 != sumOf(logOf(20, 0)) {
		t.Errorf("%+v %+v", r.Logs, r.Attachments)
	}
	if n := len(r.Signals); n != 2 || r.Signals[1].Unread.Reason != rig.Unknown || len(r.Signals[1].Values) > 0 || len(r.Signals[0].Values) < 20 || r.Signals[0].Values[0] != int64(began/time.Second)+1 && r.Signals[0].Values[0] != int64(began/time.Second) {
		t.Errorf("%+v", r.Signals)
	}
	if c := r.Clock; c == nil || c.Boot != "boot-0" || c.SinceBoot != s.From.SinceBoot || c.Offset == nil || c.Offset.Ahead != time.Minute || len(c.Events) > 0 {
		t.Errorf("%+v", c)
	}
	if speed, ok := r.Before.Number("memory.speed"); !ok || speed != 3200 {
		t.Errorf("before: %v", r.Before)
	}
	if speed, ok := r.After.Number("memory.speed"); !ok || speed != 3200 || l.looks != 1 {
		t.Errorf("after: %v, %d looks", r.After, l.looks)
	}
	if st := l.Status(); st.Taken != 1 || st.Latest != r.ID || len(st.Troubles) > 0 {
		t.Errorf("%+v", st)
	}
}

func TestALogIsTakenOnce(t *testing.T) {
	l := newLab(t)
	l.run(time.Minute)
	text := logOf(20, 0)
	l.give(l.put("orrery.csv", text))
	again := func(what string) {
		t.Helper()
		if n := len(l.runs()); n != 1 {
			t.Errorf("after %s there are %d runs", what, n)
		}
	}
	again("the first")
	l.give(l.find("orrery.csv"))
	again("another look")
	l.run(time.Minute)
	l.give(l.put("orrery.csv", text))
	again("a touch")
	l.give(l.put("copy.csv", text))
	again("a copy")
	if err := os.Rename(filepath.Join(l.logs, "orrery.csv"), filepath.Join(l.logs, "old.csv")); err != nil {
		t.Fatal(err)
	}
	l.give(l.find("old.csv"))
	again("a rename")
	l.Close()
	l.start()
	for _, name := range []string{"old.csv", "copy.csv"} {
		l.give(l.find(name))
	}
	l.give(l.put("third.csv", text))
	again("a restart")
	l.give(l.put("other.csv", logOf(20, 1)))
	if n := len(l.runs()); n != 2 {
		t.Errorf("with another log there are %d runs", n)
	}
	if told := l.told(); len(told) > 0 {
		t.Errorf("told %q", told)
	}
}

// TestALogOfARunThatTheAgentCarriesIsItsOwn has a run whose log is written into a
// watched folder.
func TestALogOfARunThatTheAgentCarriesIsItsOwn(t *testing.T) {
	l := newLab(t)
	text := logOf(20, 0)
	f := l.put("orrery.csv", text)
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true})
	d, err := l.spool.Begin(run.ID, "x", nil, []spool.DraftFile{{Path: f.Path, Name: "orrery.csv", Kind: record.TimingLog}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if l.found(f) {
		t.Error("taken while the run goes on")
	}
	it := spool.Item{ID: run.ID, Destination: "x", Signed: run.Signed, Attachments: []record.Attachment{record.Attach("orrery.csv", record.TimingLog, []byte(text))}}
	parts := []func() (io.ReadCloser, error){func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }}
	if err := errors.Join(l.spool.Put(it, parts), d.End(), l.spool.Done(run.ID, []byte("receipt"))); err != nil {
		t.Fatal(err)
	}
	l.give(f)
	os.RemoveAll(filepath.Join(l.state, "spool", "logs")) // as it is after a month
	l.give(l.put("copy.csv", text))
	l.Close()
	l.start()
	l.give(l.put("again.csv", text))
	if n := len(l.runs()); n != 0 {
		t.Errorf("%d runs were made of it", n)
	}
	l.run(time.Second)
	l.give(l.put("orrery.csv", logOf(20, 1)))
	l.only()
}

func TestANamedSpanBoundsTheLogWrittenInIt(t *testing.T) {
	l := newLab(t)
	l.run(time.Minute)
	text := logOf(20, 0)
	for round := range 2 { // the second time the same bytes are written
		if err := l.spans.Begin("evening"); err != nil {
			t.Fatal(err)
		}
		began := l.Read()
		l.run(25 * time.Second)
		f := l.put("orrery.csv", text)
		if l.found(f) {
			t.Error("the log did not wait for its span's end")
		}
		l.run(time.Second)
		l.Close()
		l.start() // a span survives the agent
		if took, err := l.spans.End("evening"); err != nil || took != 26*time.Second {
			t.Fatal(took, err)
		}
		l.give(f)
		l.give(f)
		runs := l.runs()
		if len(runs) != round+1 {
			t.Fatalf("%d runs in round %d", len(runs), round)
		}
		r := runs[round]
		if s := r.Span; s.Name != "evening" || s.From.How != record.ByName || s.To.How != record.ByName || s.From.SinceBoot != began.SinceBoot || r.Elapsed != 26*time.Second {
			t.Errorf("%+v", s)
		}
		l.give(l.put("copy.csv", text)) // in the same span, which another log has
		if n := len(l.runs()); n != round+1 {
			t.Errorf("with a copy there are %d runs in round %d", n, round)
		}
		l.run(time.Minute)
	}
	l.give(l.put("orrery.csv", text)) // no span covers it
	if n := len(l.runs()); n != 2 {
		t.Errorf("%d runs", n)
	}
	if _, err := l.spans.End("evening"); err == nil || !strings.Contains(err.Error(), "no span of that name has begun") {
		t.Error(err)
	}
}

func TestASpanThatNeverEndsHoldsNoLogForEver(t *testing.T) {
	l := newLab(t)
	if err := l.spans.Begin("evening"); err != nil {
		t.Fatal(err)
	}
	l.run(time.Minute)
	f := l.put("orrery.csv", logOf(20, 0))
	if l.found(f) {
		t.Fatal("the log did not wait")
	}
	l.pass(spanWait)
	l.run(0)
	l.give(f)
	if s := l.only().Span; s.From.How != record.ByDurations {
		t.Errorf("%+v", s)
	}
	if open := l.spans.Open(); !slices.Equal(open, []string{"evening"}) {
		t.Errorf("open: %q", open)
	}
}

// TestAKilledAgentFinishesTheSameRun leaves off between the ledger and the spool.
func TestAKilledAgentFinishesTheSameRun(t *testing.T) {
	l := newLab(t)
	l.run(time.Minute)
	text := logOf(20, 0)
	f := l.put("orrery.csv", text)
	x := &taking{Sum: sumOf(text), Path: f.Path}
	if err := l.place(x, workloadFor(l.rule(f.Path), f.Path), []byte(text), written{f.Info.ModTime(), f.Changed, f.Before}, named{}); err != nil {
		t.Fatal(err)
	}
	if err := l.Taker.begin(x, f); err != nil {
		t.Fatal(err)
	}
	l.Close()
	l.run(time.Hour)
	l.start()
	l.give(f)
	l.give(l.put("copy.csv", text))
	r := l.only()
	if r.ID != x.ID || r.Span.From != x.Span.From || r.Span.To != x.Span.To {
		t.Errorf("run %s %+v, and %s %+v was begun", r.ID, *r.Span, x.ID, x.Span)
	}
}

func TestALogThatWasBegunAndIsGoneIsTold(t *testing.T) {
	l := newLab(t)
	text := logOf(20, 0)
	f := l.put("orrery.csv", text)
	x := &taking{Sum: sumOf(text), Path: f.Path}
	if err := l.place(x, workloadFor(l.rule(f.Path), f.Path), []byte(text), written{wall: l.wall, seen: l.Read()}, named{}); err != nil {
		t.Fatal(err)
	}
	if err := l.Taker.begin(x, f); err != nil {
		t.Fatal(err)
	}
	os.Remove(f.Path)
	l.Close()
	l.start()
	ctx, stop := context.WithCancel(t.Context())
	stop()
	l.Run(ctx)
	if told := l.told(); len(told) != 1 || !strings.Contains(told[0], x.ID+" when the agent ended, and is gone") {
		t.Errorf("told %q", told)
	}
	l.give(l.put("back.csv", text))
	if r := l.only(); r.ID != x.ID {
		t.Errorf("run %s, want %s", r.ID, x.ID)
	}
}

func TestLogsThatAreNotWhole(t *testing.T) {
	l := newLab(t)
	l.run(time.Minute)
	whole := logOf(20, 0)
	l.give(l.put("orrery.csv", whole[:len(whole)-4]))
	if told := l.told(); len(told) != 0 && !strings.Contains(told[0], "orrery.csv") || len(told) != 1 || len(l.runs()) != 0 {
		t.Fatalf("told %q, %d runs", told, len(l.runs()))
	}
	l.give(l.put("orrery.csv", whole))
	if told := l.told(); len(told) > 0 {
		t.Errorf("still told %q", told)
	}
	first := l.only()
	l.run(time.Minute)
	l.give(l.put("orrery.csv", whole+strings.Repeat("100.000\n", 100)))
	runs := l.runs()
	if len(runs) != 2 {
		t.Fatalf("%d runs", len(runs))
	}
	second := runs[0]
	if second.ID == first.ID {
		second = runs[1]
	}
	if m := second.Logs[0].Marks; len(m) == 0 || m[len(m)-1].Code != "earlier_rows" || !strings.Contains(m[len(m)-1].Detail, first.ID) {
		t.Errorf("%+v does not tell of %s", m, first.ID)
	}
}

func TestLogsThatCannotBeRead(t *testing.T) {
	l := newLab(t)
	for name, text := range map[string]string{
		"empty-rows.csv": "frame_ms\n", "words.csv": "frame_ms\nfast\nslow\n", "short.csv": "frame_ms\n10\n11\n", "binary.csv": "\x00\x01\x02",
	} {
		l.give(l.put(name, text))
		if told := l.told(); len(told) != 1 || !strings.HasPrefix(told[0], name+": take timing log: ") {
			t.Errorf("%s: told %q", name, told)
		}
		os.Remove(filepath.Join(l.logs, name))
		l.trouble(filepath.Join(l.logs, name), nil)
	}
	if n := len(l.runs()); n != 0 {
		t.Errorf("%d runs", n)
	}
}

func TestALogFromBeforeEverythingKnown(t *testing.T) {
	l := newLab(t)
	l.note(3200)
	l.run(time.Minute)
	f := l.put("orrery.csv", logOf(20, 0))
	old := l.wall.Add(-30 * 24 * time.Hour)
	if err := os.Chtimes(f.Path, old, old); err != nil {
		t.Fatal(err)
	}
	l.give(l.find("orrery.csv"))
	r := l.only()
	if s := r.Span; s.From.Boot+s.To.Boot != "" || !s.To.Wall.Equal(old) || r.Elapsed.Round(time.Millisecond) != 20*time.Second || s.To.Detail == "" {
		t.Errorf("%+v", s)
	}
	if len(r.Signals) == 0 || len(r.Before.Facts) == 0 || len(r.After.Facts) == 0 {
		t.Fatalf("%v %v %v", r.Signals, r.Before, r.After)
	}
	for _, s := range r.Signals {
		if s.Key != "load.other" && (s.Unread.Reason != rig.Absent || !strings.Contains(s.Unread.Detail, "boot clock")) {
			t.Errorf("signal %s: %v", s.Key, s.Unread)
		}
	}
	for _, f := range slices.Concat(r.Before.Facts, r.After.Facts) {
		if f.Read() || f.Unread.Detail == "" {
			t.Errorf("fact %v", f)
		}
	}
}

func TestLogsWithTimeStamps(t *testing.T) {
	l := newLab(t)
	l.run(time.Minute)
	began := l.Read()
	l.run(30 * time.Second)
	text := "time_s\n"
	for i := range 201 {
		at := began.Wall.Add(time.Duration(i) * 100 * time.Millisecond)
		text += fmt.Sprintf("%d.%03d\n", at.Unix(), at.Nanosecond()/1e6)
	}
	l.give(l.put("orrery.csv", text))
	r := l.only()
	if s := r.Span; s.From.How != record.ByStamps || s.To.How != record.ByStamps || s.From.SinceBoot != began.SinceBoot || r.Elapsed != 20*time.Second || !s.From.Wall.Equal(began.Wall) {
		t.Errorf("%+v %+v", *s, r.Logs)
	}
	// Named or not, the same stamps tell of the same run.
	if err := l.spans.Begin("evening"); err != nil {
		t.Fatal(err)
	}
	l.give(waitFor(l, l.put("copy.csv", text)))
	l.only()
}

// waitFor ends the span that the log waits for.
func waitFor(l *lab, f watch.Found) watch.Found {
	l.found(f)
	l.spans.End("evening")
	return f
}

// TestARunThroughASteppedClockAndASleep: the span is that of the boot clock, and
// the signals are those of it.
func TestARunThroughASteppedClockAndASleep(t *testing.T) {
	l := newLab(t)
	l.run(time.Minute)
	l.before = l.Read()
	began := l.since
	l.run(10 * time.Second)
	l.wall = l.wall.Add(-time.Hour)
	l.run(5 * time.Second)
	l.pass(10 * time.Minute)
	l.asleep += 10 * time.Minute
	l.run(5 * time.Second)
	l.give(l.put("orrery.csv", logOf(20, 0)))
	r := l.only()
	s := r.Span
	if !near(s.From.SinceBoot, began) || s.To.SinceBoot != l.since || !near(r.Elapsed, 20*time.Second+10*time.Minute) || !strings.Contains(s.From.Detail, "suspended for 10m0s") {
		t.Errorf("%+v", *s)
	}
	if want := l.wall.Add(time.Hour - 20*time.Second - 10*time.Minute); !near(r.Started.Sub(want), 0) {
		t.Errorf("started %v, want %v", r.Started, want)
	}
	if c := r.Clock; c == nil || len(c.Events) != 2 || c.Events[0].By != -time.Hour || c.Events[1].By != 10*time.Minute {
		t.Errorf("%+v", c)
	}
	if len(r.Signals) != 2 || len(r.Signals[0].Gaps) == 0 || !strings.Contains(fmt.Sprint(r.Signals[0].Gaps), "suspended for 10m0s") {
		t.Fatalf("%+v", r.Signals)
	}
	for i, o := range r.Signals[0].Offsets {
		if at := s.From.SinceBoot + o; r.Signals[0].Values[i] != int64((at+time.Millisecond)/time.Second) {
			t.Errorf("sample %d, %v after the start, is that of second %d", i, o, r.Signals[0].Values[i])
		}
	}
}

// TestAFullRingIsTold: the record of a log whose time the ring holds thinned says so.
func TestAFullRingIsTold(t *testing.T) {
	l := newLab(t)
	l.ring.Close()
	var err error
	if l.ring, err = watch.OpenRing(filepath.Join(l.state, "small"), watch.RingBounds{Bytes: 16 << 10}); err != nil {
		t.Fatal(err)
	}
	l.Close()
	l.start()
	l.run(5 * time.Minute)
	l.give(l.put("orrery.csv", logOf(290, 0)))
	if r := l.only(); len(r.Remarks) != 1 || !strings.HasPrefix(r.Remarks[0], "the ring of signals was full: from ") || len(r.Signals[0].Gaps) > 0 {
		t.Errorf("%q, gaps %v", r.Remarks, r.Signals[0].Gaps)
	}
}

func TestFoldersAndNames(t *testing.T) {
	l := newLab(t)
	other := t.TempDir()
	orrery, encode := &setup.Workload{Name: "orrery"}, &setup.Workload{Name: "dome-encode"}
	l.Watch([]Folder{{l.logs, []Logs{{Match: "orrery-*", Workload: orrery}, {Match: "*", Workload: encode}}}, {other, []Logs{{Match: ".*", Workload: orrery}}}})
	for path, want := range map[string]string{
		filepath.Join(l.logs, "orrery-1.csv"):   "orrery",
		filepath.Join(l.logs, "1.csv"):          "dome-encode",
		filepath.Join(l.logs, ".1.csv"):         "",
		filepath.Join(other, ".1.csv"):          "orrery",
		filepath.Join(other, "1.csv"):           "",
		filepath.Join(l.logs, "inner", "1.csv"): "",
	} {
		got := ""
		if r := l.rule(path); r != nil {
			got = r.Workload.Name
		}
		if got != want {
			t.Errorf("%s is a log of %q, want %q", path, got, want)
		}
	}
}

func TestOnlyOneTaker(t *testing.T) {
	l := newLab(t)
	if other, err := New(l.o); err == nil || !strings.Contains(err.Error(), "another agent works with it") {
		t.Error(other, err)
	}
}

// TestARefusedLogSpeaksOfTheAgentFile: nobody who set up a folder has a workload
// file or called agent run.
func TestARefusedLogSpeaksOfTheAgentFile(t *testing.T) {
	l := newLab(t)
	l.run(time.Minute)
	l.give(l.put("orrery.csv", "left_ms,right_ms\n"+strings.Repeat("8.5,9.25\n", 200)))
	told := l.Status().Troubles
	if len(told) != 1 {
		t.Fatalf("%v, and %d runs", told, len(l.runs()))
	}
	if hint := fault.HintOf(told[0].Why); !strings.Contains(hint, `column = "left_ms"`) || !strings.Contains(hint, "[folder.log] in the agent file") || strings.Contains(hint, "--log") {
		t.Errorf("%v: %q", told[0].Why, hint)
	}
}
