package collect_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	pb "witnessmark/proto/witnessmark/v1"
)

func beatOf(t testing.TB, conn grpc.ClientConnInterface, name string) answer.Beat {
	t.Helper()
	rigs, err := answer.NewClient(conn).Rigs(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rigs {
		if r.Name == name && r.Beat != nil {
			return *r.Beat
		}
	}
	t.Fatalf("no beat of %s in %+v", name, rigs)
	return answer.Beat{}
}

func raises(j drift.Judgement, k drift.Kind, fact rig.Key) bool {
	for _, f := range j.Flags {
		if f.Kind == k && f.Fact == fact {
			return true
		}
	}
	return false
}

func hearFrom(t testing.TB, conn grpc.ClientConnInterface, g *labtest.Beating) {
	t.Helper()
	if err := g.Send(context.Background(), conn); err != nil {
		t.Fatal(err)
	}
}

// TestMemoryBackAtItsDefault: a firmware reset shows with the first beat after
// it, and no run is needed.
func TestMemoryBackAtItsDefault(t *testing.T) {
	c := labtest.NewCollector(t)
	heron := labtest.NewBeating("heron")
	heron.Setup = &record.Setup{Label: "memory-rated", FileName: "rated.toml", Source: []byte("label = \"memory-rated\"\n[expect]\n\"memory.speed\" = 3200\n")}
	hearFrom(t, c, heron)
	if b := beatOf(t, c, "heron"); b.Judgement.Standing != drift.Clean || len(b.Moved) > 0 || b.Setup != "memory-rated" || b.Silent {
		t.Fatalf("%+v", b)
	}
	heron.Reboot()
	heron.SetMemory(2400)
	hearFrom(t, c, heron)
	for _, j := range []drift.Judgement{heron.Last.Judgement, beatOf(t, c, "heron").Judgement} {
		if j.Standing != drift.Careful || !raises(j, drift.Underrated, "memory.speed") || !raises(j, drift.Undeclared, "memory.speed") {
			t.Errorf("%+v", j)
		}
	}
	b := beatOf(t, c, "heron")
	if len(b.Moved) != 1 || b.Moved[0].Fact != "memory.speed" || b.Moved[0].Was != rig.NumberOf(3200) || b.Moved[0].Against != "the boot before" {
		t.Errorf("%+v", b.Moved)
	}
	since := b.Moved[0].Since
	hearFrom(t, c, heron)
	if b := beatOf(t, c, "heron"); len(b.Moved) != 1 || !b.Moved[0].Since.Equal(since) {
		t.Errorf("moved since %v, was %v", b.Moved, since)
	}
	heron.SetMemory(3200)
	hearFrom(t, c, heron)
	if b := beatOf(t, c, "heron"); b.Judgement.Standing != drift.Clean || len(b.Moved) > 0 {
		t.Errorf("%+v", b)
	}
}

// TestClockFarOff: a wall clock five minutes wrong is flagged once it is known,
// and one that is right is not.
func TestClockFarOff(t *testing.T) {
	c := labtest.NewCollector(t)
	for name, off := range map[string]time.Duration{"heron": 5 * time.Minute, "plover": 0, "avocet": -5 * time.Minute} {
		g := labtest.NewBeating(name)
		g.Wall = time.Now().Add(off)
		var p deliver.Pulse
		booted := g.Wall.Add(-g.SinceBoot)
		for range 2 {
			now := time.Now().Add(off)
			b := g.Beat
			b.Wall, b.SinceBoot = now, now.Sub(booted)
			b = p.Next(b)
			r, err := deliver.SendBeat(context.Background(), c, b)
			if err != nil {
				t.Fatal(err)
			}
			p.Heard(b, r, time.Now().Add(off).Sub(booted))
		}
		b := beatOf(t, c, name)
		if b.Offset == nil || (b.Offset.Ahead-off).Abs() > b.Offset.Uncertainty || raises(b.Judgement, drift.Unsteady, "clock.ahead") != (off != 0) {
			t.Errorf("%s: %+v, %+v", name, b.Offset, b.Judgement)
		}
	}
}

// TestBeatsOutOfOrder: what comes late changes nothing, and whole facts heal.
func TestBeatsOutOfOrder(t *testing.T) {
	c := labtest.NewCollector(t)
	beat := func(b deliver.Beat) deliver.BeatReply {
		t.Helper()
		r, err := deliver.SendBeat(context.Background(), c, b)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	heron := labtest.NewBeating("heron")
	first := heron.Next()
	if r := beat(first); r.Wanted != 0 {
		t.Fatal("whole facts came, and are wanted")
	}
	if r := beat(first); r.Wanted == 0 {
		t.Error("a beat was taken twice")
	}
	second := heron.Next()
	beat(second)
	if r := beat(first); r.Wanted == 0 {
		t.Error("an older beat was taken")
	}
	strange := heron.Next()
	strange.Base, strange.Facts.Facts = [32]byte{9}, nil
	if r := beat(strange); r.Wanted == 0 || r.Judgement.Standing != drift.Clean {
		t.Errorf("changes to facts that nobody has were taken: %+v", r)
	}
	old := heron.Next()
	heron.Reboot()
	heron.SetMemory(2400)
	hearFrom(t, c, heron)
	r := beat(old)
	if r.Wanted == 0 || beatOf(t, c, "heron").Boot != heron.Boot {
		t.Error("a beat of the boot before was taken")
	}
	old.Answers = r.Wanted
	if r := beat(old); r.Wanted != 0 || beatOf(t, c, "heron").Boot != old.Boot {
		t.Error("whole facts that answer the question were not taken")
	}
	wrong := heron.Next()
	wrong.Base, wrong.SHA256 = [32]byte{}, [32]byte{1}
	wrong.Facts, wrong.Gone, wrong.SinceBoot, wrong.Boot = heron.Facts, nil, wrong.SinceBoot+time.Hour, "another"
	if _, err := deliver.SendBeat(context.Background(), c, wrong); !errors.Is(err, deliver.ErrRefused) {
		t.Error(err)
	}
}

// TestBeatsOfJunk leave nothing behind and do not disturb others.
func TestBeatsOfJunk(t *testing.T) {
	c := labtest.NewCollector(t)
	plover := labtest.NewBeating("plover")
	hearFrom(t, c, plover)
	setup := labtest.NewBeating("heron").Next()
	setup.Setup = &record.Setup{Label: "memory-rated", FileName: "a.toml", Source: []byte("no setup")}
	if _, err := deliver.SendBeat(context.Background(), c, setup); !errors.Is(err, deliver.ErrRefused) || strings.Contains(err.Error(), "\n") {
		t.Error(err)
	}
	for _, m := range []*pb.BeatRequest{{}, {Rig: "heron"}, {Rig: strings.Repeat("x", 200<<10)}, {Rig: "heron", Played: strings.Repeat("x", 2<<20)}} {
		if _, err := pb.NewBeatServiceClient(c).Beat(context.Background(), m); err == nil || len(err.Error()) > 1000 {
			t.Errorf("%v", err)
		}
	}
	strange := labtest.NewBeating("heron").Next()
	strange.Base, strange.Facts.Facts = [32]byte{9}, nil
	if r, err := deliver.SendBeat(context.Background(), c, strange); err != nil || r.Wanted == 0 || r.Judgement.Standing != "" {
		t.Errorf("%+v, %v", r, err)
	}
	hearFrom(t, c, plover)
	rigs, err := answer.NewClient(c).Rigs(context.Background())
	if err != nil || len(rigs) != 1 || rigs[0].Name != "plover" || rigs[0].Runs != 0 {
		t.Errorf("%+v %v", rigs, err)
	}
}

// TestBeatsSurviveARestart: the latest states are there again, a rig goes on with
// changes, and the archive is whole.
func TestBeatsSurviveARestart(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	heron := labtest.NewBeating("heron")
	for round := range 3 {
		conn, err := collect.Embedded(context.Background(), dir, labtest.Quiet())
		if err != nil {
			t.Fatal(err)
		}
		if round > 0 {
			b := beatOf(t, conn, "heron")
			if b.Judgement.Standing == drift.Clean || len(b.Moved) != 1 || b.Waiting.Runs != 2 || b.Silent {
				t.Errorf("%+v", b)
			}
		}
		hearFrom(t, conn, heron)
		if round == 0 {
			heron.Reboot()
			heron.SetMemory(2400)
			heron.Waiting = deliver.Waiting{Runs: 2, Size: 9, Oldest: heron.Wall}
			hearFrom(t, conn, heron)
		} else if heron.Asked > 0 {
			t.Error("whole facts were wanted although the collector had them")
		}
		if err := conn.Close(); err != nil {
			t.Fatal(err)
		}
		a, err := collect.OpenArchive(dir, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := a.Check(context.Background()); err != nil {
			t.Error(err)
		}
		a.Close()
	}
}

// TestManyRigsBeatAndDeliver: beats of many rigs at once are all heard while others
// deliver, and every run is kept.
func TestManyRigsBeatAndDeliver(t *testing.T) {
	c := labtest.NewCollector(t)
	r := labtest.Rand(t)
	const rigs, beats, runs = 50, 20, 4
	var all sync.WaitGroup
	for i := range rigs {
		g := labtest.NewBeating(fmt.Sprintf("dome-%02d", i))
		g.Every = time.Hour // so that none is silent, however long the others take
		all.Go(func() {
			for n := range beats {
				g.SetMemory(float64(2400 + n%3))
				if err := g.Send(context.Background(), c); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for i := range 5 {
		g := labtest.NewRig(fmt.Sprintf("dome-%02d", i), labtest.Seeded(r.Uint64()))
		all.Go(func() {
			for range runs {
				run := g.Finish(labtest.Shape{LogBytes: 2000})
				if _, err := deliver.Send(context.Background(), c, run.Signed, run.Parts()); err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	list, err := answer.NewClient(c).Rigs(context.Background())
	if err != nil || len(list) != rigs {
		t.Fatal(len(list), err)
	}
	for i, l := range list {
		if l.Beat == nil || l.Beat.Silent || i < 5 && l.Runs != runs || i >= 5 && l.Runs != 0 {
			t.Errorf("%+v", l)
		}
	}
	if _, err := c.Archive.Check(context.Background()); err != nil {
		t.Error(err)
	}
}

// listening is a collector without a server, and a rig that it hears.
func listening(t *testing.T) (a *archive.Archive, c *collect.Collector, heron *labtest.Beating, hear func()) {
	t.Helper()
	a, err := collect.OpenArchive(t.TempDir(), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	c, heron = collect.New(a, time.Now, labtest.Quiet()), labtest.NewBeating("heron")
	var p deliver.Pulse
	return a, c, heron, func() {
		t.Helper()
		heron.SinceBoot += heron.Every
		b := p.Next(heron.Beat)
		h, err := c.Hear(context.Background(), b, time.Now())
		if err != nil || h.Wanted != 0 {
			t.Fatal(h, err)
		}
		p.Heard(b, deliver.BeatReply{}, 0)
	}
}

// TestStatesUnderWayAreWaitedFor: the archive is closed once what was heard is written,
// also where somebody is about to write it.
func TestStatesUnderWayAreWaitedFor(t *testing.T) {
	a, c, heron, hear := listening(t)
	for i := range 50 {
		heron.SetMemory(float64(2400 + i))
		hear()
		var other sync.WaitGroup
		other.Go(c.Flush)
		c.Flush()
		err := a.Beats(func(_ string, state []byte, err error) {
			if err != nil || !strings.Contains(string(state), fmt.Sprint(2400+i)) {
				t.Errorf("after beat %d it is not written: %v", i, err)
			}
		})
		if other.Wait(); err != nil || t.Failed() {
			t.Fatal(err)
		}
	}
}

// TestSignsOfLifeWait: what moved is written at once; a rig that only lives costs
// no commit with each of its beats, and what moves meanwhile does not wait for it.
func TestSignsOfLifeWait(t *testing.T) {
	a, c, heron, hear := listening(t)
	hear()
	if w := c.WritesWithin(); w > time.Second {
		t.Errorf("what is new waits %v", w)
	}
	c.Flush()
	wait := 0
	for range 5 {
		hear()
		if c.WritesWithin() > 10*time.Second {
			wait++
		}
	}
	if wait < 3 { // a write that was under way may take one along
		t.Errorf("of 5 signs of life %d wait", wait)
	}
	heron.SetMemory(2400)
	hear()
	if w := c.WritesWithin(); w > time.Second {
		t.Errorf("what moved waits %v", w)
	}
	c.Flush()
	kept := 0
	err := a.Beats(func(name string, state []byte, err error) {
		if kept++; name != "heron" || err != nil || !strings.Contains(string(state), "2400") {
			t.Errorf("%s: %s %v", name, state, err)
		}
	})
	if err != nil || kept != 1 {
		t.Errorf("%d kept, %v", kept, err)
	}
}
