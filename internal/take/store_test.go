package take

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/durable"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/watch"
)

// lines makes a journal's text of values.
func lines(t testing.TB, values ...any) (b []byte) {
	for _, v := range values {
		text, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		b = durable.AppendLine(b, text)
	}
	return b
}

// journal gives the lines of fuzzed bytes: those that are whole, and, so that
// chance gets through to what is in them, the bytes themselves line by line.
func journal(b []byte) [][]byte {
	return append(durable.Lines(b), bytes.Split(b, []byte("\n"))...)
}

// FuzzLedger holds the ledger to its word: an id is one log's while that is made a
// run, the file of an unfinished log is looked at again, and lines read twice forget
// no log and leave none unfinished.
func FuzzLedger(f *testing.F) {
	sum := strings.Repeat("5f", 32)
	bound := record.Bound{Wall: time.Unix(1930000000, 0).UTC(), Boot: "6c5d", SinceBoot: time.Hour, How: record.ByLastWrite}
	take := ledgerLine{Op: "take", ID: "20310302-090312-k7q2m9xd", SHA256: sum, Path: "/logs/a.csv", Size: 7, Modified: bound.Wall, Span: &record.Span{From: bound, To: bound}, Number: 1}
	done := ledgerLine{Op: "done", ID: take.ID}
	same := ledgerLine{Op: "same", SHA256: sum, Path: "/logs/b.csv", Size: 7, Modified: bound.Wall}
	f.Add(lines(f, take, done, same))
	f.Add(lines(f, same, done, take, take))
	text, _ := json.Marshal(take)
	f.Add(text)
	f.Fuzz(func(t *testing.T, b []byte) {
		l, all := newLedger(), journal(b)
		damaged := l.parse(all)
		if damaged > len(all) || len(l.taken)+len(l.undone) > 2*(len(all)-damaged) {
			t.Fatalf("%d of %d lines are damaged, and there are %d logs", damaged, len(all), len(l.taken))
		}
		for i, x := range l.undone {
			if !l.has(x.Sum) || l.being(x.ID) != x || !record.ValidID(x.ID) {
				t.Fatalf("unfinished log %d: %+v", i, x)
			}
		}
		for _, x := range l.undone {
			if p := l.places[pathKey(x.Path)]; l.knows(x.Path, p.size, time.Unix(0, p.modified)) && p.sum == x.Sum {
				t.Fatalf("%s is passed over, and its log is not finished", x.Path)
			}
		}
		for _, p := range l.places {
			if !l.has(p.sum) {
				t.Fatalf("a file of %d bytes holds a log that was not taken", p.size)
			}
		}
		again := newLedger()
		again.parse(append(all, all...))
		if len(again.taken) < len(l.taken) || len(again.undone) > len(l.undone) {
			t.Fatalf("read twice there are %d logs, %d of them unfinished; before %d, %d", len(again.taken), len(again.undone), len(l.taken), len(l.undone))
		}
	})
}

// TestLedgerIsSmall: what the ledger holds in memory of a log that was taken is small
// beside what it writes of it, so that the agent stays small for years.
func TestLedgerIsSmall(t *testing.T) {
	const logs = 20_000
	at := time.Unix(1930000000, 0).UTC()
	l, written := newLedger(), 0
	before := alive()
	for i := range logs {
		bound := record.Bound{Wall: at.Add(time.Duration(i) * time.Minute), Boot: "0d6c4a52-6f7e-4c1b-9a55-27d1f0f7a3b8", SinceBoot: time.Duration(i) * time.Minute, How: record.ByLastWrite}
		id := record.NewID(bound.Wall, [5]byte{byte(i), byte(i >> 8)})
		for _, x := range []ledgerLine{
			{Op: "take", ID: id, SHA256: fmt.Sprintf("%064x", i), Path: fmt.Sprintf("/srv/dome/logs/2031-03-02/orrery-%d.csv", i), Size: 84_945, Modified: bound.Wall, Span: &record.Span{From: bound, To: bound}},
			{Op: "done", ID: id},
		} {
			text, err := json.Marshal(x)
			if err != nil {
				t.Fatal(err)
			}
			written += len(text)
			if n := l.parse([][]byte{text}); n > 0 {
				t.Fatalf("%s is damaged", text)
			}
		}
	}
	held := int(alive() - before)
	t.Logf("%d bytes of a log in memory, %d in the file", held/logs, written/logs)
	if len(l.taken) != logs || held > written/2 {
		t.Errorf("%d bytes are held of %d logs, and %d were written", held, len(l.taken), written)
	}
}

// alive gives the bytes that the heap keeps.
func alive() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// FuzzSpans: what is read can be written down, and comes back the same.
func FuzzSpans(f *testing.F) {
	at := func(s int) watch.Reading {
		return watch.Reading{Wall: time.Unix(1930000000+int64(s), 0).UTC(), Boot: "6c5d", SinceBoot: time.Duration(s) * time.Second, Awake: time.Duration(s) * time.Second}
	}
	f.Add(lines(f, spanLine{Op: "begin", N: 1, Name: "evening", At: at(1)}, spanLine{Op: "end", N: 1, At: at(5)}, spanLine{Op: "use", N: 1, Workload: "orrery"}))
	f.Add(lines(f, spanLine{Op: "end", N: 1, At: at(1)}, spanLine{Op: "begin", N: 3, Name: "a", At: at(1)}, spanLine{Op: "begin", N: 2, Name: "b", At: at(2)}))
	text, _ := json.Marshal(spanLine{Op: "begin", N: 1, Name: "evening", At: at(1)})
	f.Add(text)
	f.Fuzz(func(t *testing.T, b []byte) {
		all, _ := parseSpans(journal(b))
		for i, n := range all {
			if n.N <= 0 || i > 0 && n.N <= all[i-1].N || !record.ValidName(n.Name) || n.Began.Boot == "" {
				t.Fatalf("span %+v", n)
			}
		}
		again, damaged := parseSpans(linesOf(all))
		if d := cmp.Diff(all, again); damaged > 0 || d != "" {
			t.Fatalf("%d lines damaged, %s", damaged, d)
		}
	})
}

// FuzzStates: each state is of one boot, was seen in order, and gives snapshots
// that a record takes.
func FuzzStates(f *testing.F) {
	at := watch.Reading{Wall: time.Unix(1930000000, 0).UTC(), Boot: "6c5d", SinceBoot: time.Hour, Awake: time.Hour}
	later := at
	later.SinceBoot += time.Minute
	facts := []rig.Fact{{Key: "memory.speed", Value: rig.NumberOf(3200), Unit: rig.MTps, Source: "/sys"}, {Key: "kernel.uptime", Unread: rig.Unread{Reason: rig.Denied}}}
	f.Add(lines(f, stateLine{at, facts}, stateLine{At: later}))
	f.Add(lines(f, stateLine{At: later}, stateLine{later, facts}, stateLine{at, facts}, stateLine{At: later}))
	f.Fuzz(func(t *testing.T, b []byte) {
		all := parseStates(journal(b))
		for _, s := range all {
			for i, r := range s.seen {
				if r.Boot != s.first().Boot || i > 0 && r.SinceBoot < s.seen[i-1].SinceBoot {
					t.Fatalf("seen %+v", s.seen)
				}
			}
		}
		for _, i := range []watch.Instant{{}, at.Instant(), later.Instant()} {
			before, after := around(all, i, i)
			run := record.Run{ID: "20310302-090312-k7q2m9xd", Rig: "heron", Workload: record.Workload{Name: "orrery"}, Repeat: 1, Repeats: 1,
				Started: at.Wall, Exit: record.Exit{Outcome: record.Taken}, Before: before, After: after}
			if err := run.Check(); err != nil {
				t.Fatal(err)
			}
			if (len(before.Facts) == 0) != (len(all) == 0) && len(all) > 0 && len(all[len(all)-1].facts) > 0 {
				t.Fatalf("%d states, and nothing before", len(all))
			}
		}
	})
}

func TestTheNearestStatesAreAttached(t *testing.T) {
	l := newLab(t)
	speeds := map[time.Duration]float64{}
	for _, speed := range []float64{3200, 3200, 2400, 3200, 3200, 3200} {
		l.note(speed)
		speeds[l.since] = speed
		l.run(time.Minute)
	}
	second := time.Hour + time.Minute
	for name, test := range map[string]struct {
		from, to      time.Duration
		before, after float64
		passing       bool // the one before has its passing facts
	}{
		"between":          {second + 10*time.Second, second + 20*time.Second, 3200, 2400, false},
		"around a change":  {second + 10*time.Second, second + 70*time.Second, 3200, 3200, false},
		"at a reading":     {time.Hour, second, 3200, 3200, true},
		"after a change":   {second + 65*time.Second, second + 66*time.Second, 2400, 3200, true},
		"before all":       {time.Minute, time.Minute, 0, 3200, false},
		"not after":        {second + 4*time.Minute, second + time.Hour, 3200, 0, false},
		"before and after": {time.Minute, second + time.Hour, 0, 0, false},
	} {
		at := func(d time.Duration) watch.Instant { return watch.Instant{Boot: "boot-0", At: d} }
		before, after, err := l.states.Around(at(test.from), at(test.to))
		if err != nil {
			t.Fatal(err)
		}
		b, okb := before.Number("memory.speed")
		a, oka := after.Number("memory.speed")
		if b != test.before || a != test.after || okb != (b > 0) || oka != (a > 0) {
			t.Errorf("%s: %v before and %v after, want %v and %v", name, b, a, test.before, test.after)
		}
		if _, ok := before.Number("kernel.uptime"); ok != test.passing {
			t.Errorf("%s: the passing fact before is there: %v", name, ok)
		}
		for _, f := range append(before.Facts, after.Facts...) {
			if !f.Read() && f.Unread.Detail == "" {
				t.Errorf("%s: %s is unread for no reason", name, f.Key)
			}
		}
	}
}

// TestStatesStayWithinTheirBound fills the store: the latest states stay.
func TestStatesStayWithinTheirBound(t *testing.T) {
	l := newLab(t)
	long := strings.Repeat("x", 400<<10)
	for i := range 40 {
		l.pass(time.Minute)
		s := rig.NewSnapshot(l.wall, []rig.Fact{{Key: "cpu.model", Value: rig.TextOf(fmt.Sprint(i, " ", long)), Source: "/proc"}})
		if err := l.states.Note(l.Read(), s); err != nil {
			t.Fatal(err)
		}
	}
	info, err := os.Stat(filepath.Join(l.state, "states.jsonl"))
	if err != nil || info.Size() > maxStates+1<<20 {
		t.Fatal(info, err)
	}
	if err := l.states.Close(); err != nil {
		t.Fatal(err)
	}
	if l.states, err = OpenStates(filepath.Join(l.state, "states.jsonl")); err != nil {
		t.Fatal(err)
	}
	before, _, err := l.states.Around(l.Read().Instant(), l.Read().Instant())
	if model, _ := before.Text("cpu.model"); err != nil || !strings.HasPrefix(model, "39 ") {
		t.Error(model[:min(10, len(model))], err)
	}
}
