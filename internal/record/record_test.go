package record_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
)

var same = cmp.Options{cmpopts.EquateEmpty(), cmp.AllowUnexported(rig.Value{})}

func drawRun(t *rapid.T) labtest.Run {
	r := labtest.Seeded(rapid.Uint64().Draw(t, "seed"))
	return labtest.NewRig(rapid.SampledFrom([]string{"heron", "plover", "Ävocet 3"}).Draw(t, "rig"), r).Finish(labtest.Shape{})
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run := drawRun(t)
		got, err := record.Decode(run.Signed.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(run.Run, got, same); d != "" {
			t.Fatalf("decoded otherwise than encoded:\n%s", d)
		}
		if again, err := record.Encode(got); err != nil || !bytes.Equal(again, run.Signed.Bytes) {
			t.Fatalf("one run, one program, two encodings (%v)", err)
		}
	})
}

// TestAnyByteCounts flips bytes of everything a signature covers or is.
func TestAnyByteCounts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawRun(t).Signed
		if err := s.Verify(); err != nil {
			t.Fatal(err)
		}
		sum := s.SHA256()
		fields := map[string]*[]byte{"record": &s.Bytes, "key": (*[]byte)(&s.PublicKey), "signature": &s.Signature}
		name := rapid.SampledFrom([]string{"record", "key", "signature"}).Draw(t, "field")
		field := fields[name]
		*field = bytes.Clone(*field)
		switch i := rapid.IntRange(0, len(*field)-1).Draw(t, "at"); rapid.IntRange(0, 3).Draw(t, "how") {
		case 0:
			*field = (*field)[:i]
		case 1:
			*field = append(*field, 0)
		default:
			(*field)[i] ^= byte(1 << rapid.IntRange(0, 7).Draw(t, "bit"))
		}
		if err := s.Verify(); err == nil {
			t.Fatalf("a changed %s verifies", name)
		}
		if name == "record" && s.SHA256() == sum {
			t.Fatal("other bytes, same identity")
		}
	})
}

// TestSignatureIsOfARecordOnly holds the domain line to its purpose.
func TestSignatureIsOfARecordOnly(t *testing.T) {
	key := labtest.Key(labtest.Rand(t))
	s := record.Sign([]byte("bytes"), key)
	bare := record.Signed{Bytes: append([]byte("witnessmark record v1\n"), "bytes"...), PublicKey: s.PublicKey, Signature: s.Signature}
	if bare.Verify() == nil {
		t.Error("the domain line can be moved into the bytes")
	}
	if (record.Signed{}).Verify() == nil {
		t.Error("nothing at all verifies")
	}
}

func TestIDs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(0, 1<<33).Draw(t, "at"), 0)
		var random [5]byte
		copy(random[:], rapid.SliceOfN(rapid.Byte(), 5, 5).Draw(t, "random"))
		id := record.NewID(at, random)
		if !record.ValidID(id) {
			t.Fatalf("%s is not valid", id)
		}
		later := record.NewID(at.Add(time.Second), random)
		if id >= later {
			t.Fatalf("%s does not sort before %s", id, later)
		}
		b := []byte(id)
		i := rapid.IntRange(0, len(b)-1).Draw(t, "at byte")
		b[i] = rapid.SampledFrom([]byte("\n/. \x00Zilou-_é")).Draw(t, "byte")
		if s := string(b); s != id && record.ValidID(s) {
			t.Fatalf("%q is valid", s)
		}
	})
	for _, s := range []string{"", "..", "20310302-090312-", "20310302-090312-k7q2m9xd0", "20311302-090312-k7q2m9xd", "20310302-090312-k7q2m9x\n", "20310302_090312-k7q2m9xd"} {
		if record.ValidID(s) {
			t.Errorf("%q is valid", s)
		}
	}
	if !record.ValidID("20310302-090312-k7q2m9xd") {
		t.Error("the documented id is not valid")
	}
}

// good is a run that passes, for one thing to be broken at a time.
func good(t *testing.T) labtest.Run {
	return labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true, LogBytes: 100, Setup: "memory-rated"})
}

func TestCheckRefuses(t *testing.T) {
	signal := rig.Signal{Key: "load.total", Offsets: []time.Duration{0}, Values: []int64{1}}
	result := timing.Result{Name: "score", Value: "1.5", Better: "higher"}
	with := func(change func(*rig.Signal)) func(*record.Run) {
		return func(r *record.Run) { s := signal; change(&s); r.Signals = []rig.Signal{s} }
	}
	for name, damage := range labtest.InOrder(map[string]func(r *record.Run){
		"no id":               func(r *record.Run) { r.ID = "" },
		"path as id":          func(r *record.Run) { r.ID = "../../../../etc/passwd.." },
		"no rig":              func(r *record.Run) { r.Rig = "" },
		"line break in rig":   func(r *record.Run) { r.Rig = "he\nron" },
		"C1 control in rig":   func(r *record.Run) { r.Rig = "he\u0085ron" },
		"not UTF-8":           func(r *record.Run) { r.Rig = "he\xffron" },
		"long workload":       func(r *record.Run) { r.Workload.Name = strings.Repeat("x", 121) },
		"NUL in label":        func(r *record.Run) { r.Setup.Label = "a\x00b" },
		"no start":            func(r *record.Run) { r.Started = time.Time{} },
		"start out of range":  func(r *record.Run) { r.Started = time.Date(2400, 1, 1, 0, 0, 0, 0, time.UTC) },
		"negative elapsed":    func(r *record.Run) { r.Elapsed = -1 },
		"repeat 0":            func(r *record.Run) { r.Repeat = 0 },
		"repeat 4 of 3":       func(r *record.Run) { r.Repeat, r.Repeats = 4, 3 },
		"unknown outcome":     func(r *record.Run) { r.Exit.Outcome = "splendid" },
		"attachment twice":    func(r *record.Run) { r.Attachments = append(r.Attachments, r.Attachments[0]) },
		"log without file":    func(r *record.Run) { r.Logs[0].Attachment = "other.csv" },
		"log read twice":      func(r *record.Run) { r.Logs = append(r.Logs, r.Logs[0]) },
		"negative rows":       func(r *record.Run) { r.Logs[0].Rows = -1 },
		"facts out of order":  func(r *record.Run) { r.Before.Facts = []rig.Fact{text("b"), text("a")} },
		"fact twice":          func(r *record.Run) { r.After.Facts = []rig.Fact{text("a"), text("a")} },
		"fact says nothing":   func(r *record.Run) { r.Before.Facts = []rig.Fact{{Key: "a"}} },
		"nameless signal":     with(func(s *rig.Signal) { s.Key = "" }),
		"more offsets":        with(func(s *rig.Signal) { s.Offsets = []time.Duration{0, 1} }),
		"offset far ahead":    with(func(s *rig.Signal) { s.Offsets = []time.Duration{1<<63 - 1} }),
		"offset far back":     with(func(s *rig.Signal) { s.Offsets = []time.Duration{-1 << 63} }),
		"wild exponent":       with(func(s *rig.Signal) { s.Exponent = 31 }),
		"unknown reason":      with(func(s *rig.Signal) { s.Unread.Reason = "because" }),
		"limit is no number":  with(func(s *rig.Signal) { s.Limits = []rig.Limit{{Name: "max", Value: nan()}} }),
		"clock of no boot":    clocked(func(c *record.Clock) { c.Boot = "" }),
		"clock before boot":   clocked(func(c *record.Clock) { c.SinceBoot = -1 }),
		"offset and why not":  clocked(func(c *record.Clock) { c.Unread.Reason = rig.Absent }),
		"offset of no time":   clocked(func(c *record.Clock) { c.Offset.Measured = time.Time{} }),
		"offset too certain":  clocked(func(c *record.Clock) { c.Offset.Uncertainty = -1 }),
		"no offset, no why":   clocked(func(c *record.Clock) { c.Offset = nil }),
		"offset unread so":    clocked(func(c *record.Clock) { c.Offset, c.Unread.Reason = nil, "because" }),
		"clock of no event":   clocked(func(c *record.Clock) { c.Events[0].Kind = "" }),
		"slept backwards":     clocked(func(c *record.Clock) { c.Events[0] = record.ClockEvent{Kind: record.ClockSuspend, By: -1} }),
		"many clock events":   clocked(func(c *record.Clock) { c.Events = slices.Repeat(c.Events, 1001) }),
		"span without wall":   spanned(func(s *record.Span) { s.From.Wall = time.Time{} }),
		"span before 1678":    spanned(func(s *record.Span) { s.To.Wall = time.Date(1600, 1, 1, 0, 0, 0, 0, time.UTC) }),
		"span backwards":      spanned(func(s *record.Span) { s.To.SinceBoot = s.From.SinceBoot - 1 }),
		"span before boot":    spanned(func(s *record.Span) { s.From.SinceBoot = -1 }),
		"span without boot":   spanned(func(s *record.Span) { s.From.Boot = "" }),
		"span found somehow":  spanned(func(s *record.Span) { s.To.How = "guessed" }),
		"result is no number": func(r *record.Run) { result := result; result.Value = "fast"; r.Results = []timing.Result{result} },
		"result with zeros":   func(r *record.Run) { result := result; result.Value = "007"; r.Results = []timing.Result{result} },
		"nameless result":     func(r *record.Run) { result := result; result.Name = ""; r.Results = []timing.Result{result} },
		"result twice":        func(r *record.Run) { r.Results = []timing.Result{result, result} },
		"better unknown":      func(r *record.Run) { result := result; result.Better = "louder"; r.Results = []timing.Result{result} },
	}) {
		run := good(t).Run
		if run.Check() != nil {
			t.Fatal("the run to begin with is not good")
		}
		damage(run)
		if b, err := record.Encode(run); err == nil || b != nil {
			t.Errorf("%s: encoded", name)
		}
	}
}

// clocked gives a run a good clock with one thing changed.
func clocked(change func(*record.Clock)) func(*record.Run) {
	return func(r *record.Run) {
		r.Clock = &record.Clock{BootClock: rig.BootClock{Boot: "6c5d", SinceBoot: time.Hour, Offset: &rig.ClockOffset{Measured: r.Started}},
			Events: []record.ClockEvent{{Kind: record.ClockStep, At: time.Second, By: -time.Hour}}}
		if err := r.Check(); err != nil {
			panic("the clock to begin with is not good: " + err.Error())
		}
		change(r.Clock)
	}
}

// spanned gives a run a good span with one thing changed.
func spanned(change func(*record.Span)) func(*record.Run) {
	return func(r *record.Run) {
		end := r.Started.Add(time.Minute)
		r.Span = &record.Span{
			From: record.Bound{Wall: r.Started, Boot: "6c5d", SinceBoot: time.Hour, How: record.ByDurations},
			To:   record.Bound{Wall: end, Boot: "6c5d", SinceBoot: time.Hour + time.Minute, How: record.ByLastWrite},
		}
		if err := r.Check(); err != nil {
			panic("the span to begin with is not good: " + err.Error())
		}
		change(r.Span)
	}
}

func text(k rig.Key) rig.Fact { return rig.Fact{Key: k, Value: rig.TextOf("x")} }

func nan() float64 { z := 0.0; return z / z }

// TestForeignBytesDoNotCostTheRun has texts as firmware and shells give them.
func TestForeignBytesDoNotCostTheRun(t *testing.T) {
	run := good(t).Run
	command := []string{"./orrery", "--scene", "caf\xe9"}
	run.Workload.Command = command
	run.Workload.Settings = map[string]string{"k\xff": "v\xfe", "plain": "v"}
	run.Exit.Detail = "no such file: caf\xe9\xe9"
	run.Before.Facts = []rig.Fact{{Key: "board.model", Value: rig.TextOf("Astrolabe\xae 9"), Source: "/sys"}}
	b, err := record.Encode(run)
	if err != nil {
		t.Fatal(err)
	}
	got, err := record.Decode(b)
	if err != nil {
		t.Fatal(err)
	}
	if model, _ := got.Before.Text("board.model"); model != "Astrolabe\uFFFD 9" || got.Exit.Detail != "no such file: caf\uFFFD" ||
		got.Workload.Command[2] != "caf\uFFFD" || got.Workload.Settings["k\uFFFD"] != "v\uFFFD" || len(got.Workload.Settings) != 2 {
		t.Errorf("%q %q %q %q", model, got.Exit.Detail, got.Workload.Command, got.Workload.Settings)
	}
	if n := len(got.Remarks); n != len(run.Remarks)+1 {
		t.Errorf("%d remarks, of them %d the run's own: nothing tells of the repair", n, len(run.Remarks))
	}
	if command[2] != "caf\xe9" || run.Workload.Settings["k\xff"] != "v\xfe" {
		t.Error("Encode changes the run it is given")
	}
}
