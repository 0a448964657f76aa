package collect_test

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
)

func send(t testing.TB, c *labtest.Collector, run labtest.Run) deliver.Reply {
	t.Helper()
	reply, err := deliver.Send(context.Background(), c, run.Signed, run.Parts())
	if err != nil {
		t.Fatal(err)
	}
	return reply
}

// flagged finds the flags of a kind on a fact.
func flagged(j drift.Judgement, k drift.Kind, fact rig.Key) (found []drift.Flag) {
	for _, f := range j.Flags {
		if f.Kind == k && f.Fact == fact {
			found = append(found, f)
		}
	}
	return found
}

// TestWalk delivers runs and finds them again by every question.
func TestWalk(t *testing.T) {
	ctx := context.Background()
	c := labtest.NewCollector(t)
	ask := answer.NewClient(c)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	known := labtest.Verifiers(t, c.Archive.VerifierKey())
	for range 20 {
		run := heron.Finish(labtest.Shape{})
		reply := send(t, c, run)
		again := send(t, c, run)
		if _, _, err := reply.Receipt.Check(known, trail.KindRecord, run.Signed.SHA256()); err != nil {
			t.Error(err)
		}
		if again.Receipt.Index != reply.Receipt.Index || !bytes.Equal(again.Receipt.Head, reply.Receipt.Head) || !again.Judgement.At.Equal(reply.Judgement.At) ||
			len(again.Judgement.Flags) != len(reply.Judgement.Flags) {
			t.Error("delivered again, answered otherwise")
		}
		d, err := ask.Show(ctx, run.ID[16:])
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(d.Signed.Bytes, run.Signed.Bytes) || d.Summary.Judgement.Standing != reply.Judgement.Standing {
			t.Errorf("run %s is shown otherwise", run.ID)
		}
		for i, a := range run.Attachments {
			if b, err := ask.Attachment(ctx, run.ID, a.Name); err != nil || !bytes.Equal(b, run.Data[i]) {
				t.Errorf("attachment %s: %v", a.Name, err)
			}
		}
	}
	if kept := labtest.Kept(t, c.Archive); len(kept) != 20 {
		t.Errorf("%d kept", len(kept))
	}
}

// plain is a run that the judgement finds nothing void in, with one log.
func plain(g *labtest.Rig) labtest.Run {
	return g.Finish(labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"})
}

// TestReadOtherwise: the collector reads the logs itself.
func TestReadOtherwise(t *testing.T) {
	heron := labtest.NewRig("heron", labtest.Rand(t))
	for name, change := range map[string]struct {
		to   func(r *labtest.Run)
		says string
		read bool
	}{
		"as the rig did":            {func(*labtest.Run) {}, "", true},
		"more rows":                 {func(r *labtest.Run) { r.Logs[0].Rows++ }, "read_otherwise", true},
		"no rows":                   {func(r *labtest.Run) { r.Logs[0].Rows = 0 }, "read_otherwise", true},
		"refused by the rig":        {func(r *labtest.Run) { r.Logs[0].Refused = "ragged" }, "read_otherwise", true},
		"no such column":            {func(r *labtest.Run) { r.Logs[0].Spec.Column = "9" }, "layout", false},
		"wild layout":               {func(r *labtest.Run) { r.Logs[0].Spec.Unit = "fortnight" }, "layout", false},
		"damaged, taken by the rig": {func(r *labtest.Run) { alter(r, r.Data[0][:9]) }, "empty", false},
		"damaged, refused by the rig": {func(r *labtest.Run) {
			alter(r, nil)
			r.Logs[0].Refused, r.Logs[0].Detail = "absent", "the file is from before the run"
		}, "absent", false},
	} {
		c := labtest.NewCollector(t)
		run := plain(heron)
		change.to(&run)
		run = heron.Sign(run.Run, run.Data)
		reply := send(t, c, run)
		flags := flagged(reply.Judgement, drift.UnreadFact, rig.Of("run.log", run.Logs[0].Attachment, ""))
		switch {
		case change.says == "" && len(flags) > 0:
			t.Errorf("%s: %v", name, flags)
		case change.says != "" && (len(flags) != 1 || reply.Judgement.Standing != drift.Voided || flags[0].Seen != rig.TextOf("refused: "+change.says) || strings.Contains(flags[0].Evidence, "()")):
			t.Errorf("%s: %v %v", name, reply.Judgement.Standing, flags)
		}
		_, err := c.Archive.Series(run.ID, run.Logs[0].Attachment)
		if change.read != (err == nil) {
			t.Errorf("%s: durations kept: %v", name, err)
		}
		if b, err := c.Archive.Part(run.ID, run.Logs[0].Attachment); err != nil || !bytes.Equal(b, run.Data[0]) {
			t.Errorf("%s: the raw log is not kept: %v", name, err)
		}
	}
}

// alter puts other bytes in place of the run's first file before it is signed.
func alter(r *labtest.Run, b []byte) {
	r.Data[0] = b
	r.Attachments[0] = record.Attach(r.Attachments[0].Name, r.Attachments[0].Kind, b)
}

func TestRefused(t *testing.T) {
	c := labtest.NewCollector(t)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	kept := plain(heron)
	send(t, c, kept)
	for name, change := range map[string]func(r *record.Run){
		"another record of its id": func(r *record.Run) { r.ID = kept.ID },
		"setup that is none":       func(r *record.Run) { r.Setup.Source = []byte("label = ") },
		"setup of another label":   func(r *record.Run) { r.Setup.Label = "memory-default" },
	} {
		run := plain(heron)
		change(run.Run)
		run = heron.Sign(run.Run, run.Data)
		if _, err := deliver.Send(context.Background(), c, run.Signed, run.Parts()); !errors.Is(err, deliver.ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if n := len(labtest.Kept(t, c.Archive)); n != 1 {
		t.Errorf("%d kept", n)
	}
}

// TestMarkAndKey: what a run is judged by beside itself.
func TestMarkAndKey(t *testing.T) {
	ctx := context.Background()
	c := labtest.NewCollector(t)
	ask := answer.NewClient(c)
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	speed := func(run labtest.Run, mts float64) labtest.Run {
		run.Before.Facts = []rig.Fact{{Key: "memory.speed", Value: rig.NumberOf(mts), Unit: rig.MTps, Source: "/sys"}}
		return heron.Sign(run.Run, run.Data)
	}
	first := speed(plain(heron), 3200)
	if j := send(t, c, first).Judgement; j.MarkRun != "" || flagged(j, drift.Moved, "memory.speed") != nil || flagged(j, drift.Moved, "rig.key") != nil {
		t.Errorf("%+v", j)
	}
	m, receipt, err := ask.AcceptMark(ctx, first.ID, "keeper", "memory checked")
	if err != nil || m.RunID != first.ID {
		t.Fatalf("%+v %v", m, err)
	}
	if _, _, err := receipt.Check(labtest.Verifiers(t, c.Archive.VerifierKey()), trail.KindMark, first.Signed.SHA256()); err != nil {
		t.Error(err)
	}
	heron.Key = labtest.Key(r)
	second := speed(plain(heron), 2400)
	j := send(t, c, second).Judgement
	if f := flagged(j, drift.Moved, "memory.speed"); j.MarkRun != first.ID || len(f) != 1 || f[0].Expected != rig.NumberOf(3200) || f[0].Seen != rig.NumberOf(2400) {
		t.Errorf("%+v", j)
	}
	if f := flagged(j, drift.Moved, "rig.key"); len(f) != 1 || f[0].Seen != rig.TextOf(record.Fingerprint(second.Signed.PublicKey)) {
		t.Errorf("%+v", f)
	}
	if _, snap, err := ask.Mark(ctx, "heron", "memory-rated"); err != nil || len(snap.Facts) != 1 {
		t.Errorf("%v %v", snap, err)
	}
	other := plain(heron)
	other.Setup = nil
	if j := send(t, c, heron.Sign(other.Run, other.Data)).Judgement; j.MarkRun != "" {
		t.Errorf("judged by the mark of another setup")
	}
}

// TestManyRigs deliver at the same time, each run twice.
func TestManyRigs(t *testing.T) {
	c := labtest.NewCollector(t)
	r := labtest.Rand(t)
	var wg sync.WaitGroup
	for range 12 {
		g := labtest.NewRig("heron", labtest.Seeded(r.Uint64()))
		wg.Go(func() {
			for range 4 {
				run := g.Finish(labtest.Shape{LogBytes: 50 << 10})
				var both sync.WaitGroup
				indexes := make([]int64, 2)
				for i := range indexes {
					both.Go(func() { indexes[i] = send(t, c, run).Receipt.Index })
				}
				both.Wait()
				if indexes[0] != indexes[1] {
					t.Errorf("run %s has two places: %v", run.ID, indexes)
				}
			}
		})
	}
	wg.Wait()
	if n := len(labtest.Kept(t, c.Archive)); n != 48 {
		t.Errorf("%d kept", n)
	}
}

// TestFaultInOneCall does not take the collector away from the others.
func TestFaultInOneCall(t *testing.T) {
	conn := labtest.Connect(t, collect.New(nil, time.Now, labtest.Quiet()).Server(deliver.DefaultLimits)) // no archive: every call is a fault
	run := plain(labtest.NewRig("heron", labtest.Rand(t)))
	for range 3 {
		if _, err := deliver.Send(context.Background(), conn, run.Signed, run.Parts()); !errors.Is(err, deliver.ErrUnreachable) || !strings.Contains(err.Error(), "its log says") {
			t.Fatal(err)
		}
		if _, err := answer.NewClient(conn).Rigs(context.Background()); err == nil {
			t.Fatal("answered")
		}
	}
}

// FuzzKeeping holds what comes from a rig to be kept or refused, never to end
// the collector; and what is kept to be listed again.
func FuzzKeeping(f *testing.F) {
	for seed := range uint64(6) {
		run := labtest.NewRig("heron", labtest.Seeded(seed)).Finish(labtest.Shape{})
		var log []byte
		if len(run.Data) > 0 {
			log = run.Data[0]
		}
		f.Add(run.Signed.Bytes, log)
	}
	a, err := archive.Open(f.TempDir()+"/archive.db", archive.Options{Key: labtest.Key(labtest.Seeded(7)), Origin: "collector.dome.example/trail", Now: time.Now})
	if err != nil {
		f.Fatal(err)
	}
	c := collect.New(a, time.Now, labtest.Quiet())
	f.Fuzz(func(t *testing.T, raw, log []byte) {
		run, err := record.Decode(raw)
		if err != nil || len(raw) > 1<<16 || len(log) > 1<<16 {
			return
		}
		d := deliver.Delivery{Signed: record.Signed{Bytes: raw, PublicKey: make([]byte, 32)}, Run: run}
		for range run.Attachments {
			d.Parts = append(d.Parts, log)
		}
		k, s, err := c.Keeping(d)
		if err != nil {
			if !errors.Is(err, deliver.ErrRefused) {
				t.Fatal(err)
			}
			return
		}
		back, err := answer.ParseSummary(k.Summary)
		if err != nil || back.ID != run.ID || back.Judgement.Standing != s.Judgement.Standing || len(back.Judgement.Flags) != len(s.Judgement.Flags) {
			t.Fatalf("summarised and read back otherwise: %v", err)
		}
		if len(k.Series) > len(run.Logs) || slices.ContainsFunc(k.Series, func(p archive.Part) bool { return p.Name == "" }) {
			t.Fatalf("%d series of %d logs", len(k.Series), len(run.Logs))
		}
	})
}
