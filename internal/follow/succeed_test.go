package follow_test

import (
	"errors"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
	"witnessmark/internal/follow"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

func rekey(t testing.TB, c *labtest.Collector, seed uint64) {
	t.Helper()
	if _, _, err := c.Archive.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(seed)), By: "wren", Why: "its year is over"}); err != nil {
		t.Fatal(err)
	}
}

// TestKeyChangesWhileAway: a copy goes on although the heads that its source signs
// now come before the entry that says by which key, and is whole after each step.
func TestKeyChangesWhileAway(t *testing.T) {
	c := labtest.NewCollector(t)
	g := labtest.NewRig("heron", labtest.Rand(t))
	send := func(n int) {
		for range n {
			run := g.Finish(labtest.Shape{Bare: true, Plain: true})
			if _, err := deliver.Send(t.Context(), c, run.Signed, run.Parts()); err != nil {
				t.Fatal(err)
			}
		}
	}
	send(3)
	f, a, _ := follower(t, c)
	steps, early := 0, 0
	f.Step = func(now trail.Head, _ int64) {
		steps++
		if _, err := a.Check(t.Context()); err != nil {
			t.Error(err)
		}
		if now.Size <= 143 {
			early++
		}
	}
	if err := f.Follow(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	send(140)
	rekey(t, c, 22)
	send(2)
	rekey(t, c, 23)
	send(1)
	if err := f.Follow(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	equal(t, c, a)
	if early < 3 {
		t.Errorf("of %d steps %d were before the key's entry", steps, early)
	}
	labtest.Kept(t, a)
}

func equal(t testing.TB, c *labtest.Collector, a *archive.Archive) {
	t.Helper()
	want, _, _ := c.Archive.Head()
	got, _, err := a.Head()
	line, err2 := a.Line()
	own, err3 := c.Archive.Line()
	if err := errors.Join(err, err2, err3); err != nil || got != want || line.Present() != own.Present() || len(line.Earlier()) != len(own.Earlier()) {
		t.Errorf("%v by %s, %v; want %v by %s", got, line.Present(), err, want, own.Present())
	}
}

// TestKeyChangesMeanwhile: it goes on over a new connection.
func TestKeyChangesMeanwhile(t *testing.T) {
	c, _ := lab(t)
	f, a, _ := follower(t, c)
	f.Once = false
	met := make(chan bool, 1)
	f.Met = func() { met <- true }
	ended := make(chan error, 1)
	go func() { ended <- f.Follow(t.Context(), c) }()
	select {
	case <-met:
	case <-time.After(60 * time.Second):
		t.Fatal("it does not begin")
	}
	rekey(t, c, 24)
	run := labtest.NewRig("plover", labtest.Rand(t)).Finish(labtest.Shape{Bare: true, Plain: true})
	if _, err := deliver.Send(t.Context(), c, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-ended:
		if !errors.Is(err, follow.ErrUnreachable) {
			t.Fatal(err)
		}
	case <-time.After(60 * time.Second):
		t.Fatal("it goes on by a key that it cannot know")
	}
	f.Once, f.Met = true, nil
	if err := f.Follow(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	equal(t, c, a)
	labtest.Kept(t, a)
}
