package collect_test

import (
	"context"
	"crypto/ed25519"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/enrol"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

var heronRig = trust.Member{Role: trust.Rig, Name: "heron"}

// rotateKilled is a rekeying that is killed before its nth step: DIR N.
func rotateKilled(args []string) error {
	n, err := strconv.Atoi(args[1])
	if err != nil {
		return err
	}
	collect.KillAtRotation(n)
	_, err = collect.RotateKey(context.Background(), args[0])
	return err
}

// state is a rig's state folder, and what it does with it.
type state struct {
	dir string
	t   *testing.T
	rig *labtest.Rig
}

func (s *state) key() ed25519.PrivateKey {
	s.t.Helper()
	k, err := collect.LoadKey(filepath.Join(s.dir, "key.pem"), false)
	if err != nil {
		s.t.Fatal(err)
	}
	return k
}

// deliver signs a run with the present key and delivers it to every collector.
func (s *state) deliver(to ...string) (run labtest.Run, replies []deliver.Reply) {
	s.t.Helper()
	s.rig.Key = s.key()
	run = s.rig.Finish(labtest.Shape{LogBytes: 2 << 10})
	for _, address := range to {
		replies = append(replies, s.bring(run, address))
	}
	return run, replies
}

func (s *state) bring(run labtest.Run, address string) deliver.Reply {
	s.t.Helper()
	conn, err := collect.DialAs(s.t.Context(), address, s.dir, func(err error) { s.t.Error(err) })
	if err != nil {
		s.t.Fatal(err)
	}
	defer conn.Close()
	reply, err := deliver.Send(s.t.Context(), conn, run.Signed, run.Parts())
	if err != nil {
		s.t.Errorf("deliver: %v", err)
	}
	return reply
}

// joined makes a rig's state folder that is enrolled with the collectors of those
// owners.
func joined(t *testing.T, owners ...*collect.Connection) *state {
	t.Helper()
	s := &state{filepath.Join(t.TempDir(), "state"), t, labtest.NewRig("heron", labtest.Rand(t))}
	for _, o := range owners {
		if _, err := collect.Join(t.Context(), o.Where, s.dir, labtest.Token(t, o, heronRig, time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

func moved(r deliver.Reply) bool { return len(flagged(r.Judgement, drift.Moved, "rig.key")) > 0 }

// TestRotationThroughKills kills a rekeying with two collectors before each of its
// steps: the rig can deliver with the key that it has then, also what it had signed
// before, and asked again it has one new key at both.
func TestRotationThroughKills(t *testing.T) {
	var owners []*collect.Connection
	for range 2 {
		dir := filepath.Join(t.TempDir(), "archive")
		address, _ := labtest.Serve(t, dir)
		owners = append(owners, labtest.DialOwner(t, address, dir))
	}
	one, two := owners[0].Where, owners[1].Where
	s := joined(t, owners...)
	steps := 0
	for ; ; steps++ {
		before := s.key()
		waiting, _ := s.deliver(one)
		err := labtest.Start(t, labtest.Role("rotate", s.dir, strconv.Itoa(steps))).Wait()
		after, _ := s.deliver(one, two)
		if s.bring(waiting, two); moved(s.bring(after, two)) {
			t.Errorf("step %d: the rig looks like another machine", steps)
		}
		if err == nil {
			if s.key().Equal(before) || collect.NextKey(s.dir) {
				t.Error("not killed, it has not finished")
			}
			break
		}
		if _, err := collect.RotateKey(t.Context(), s.dir); err != nil {
			t.Fatalf("after a kill before step %d: %v", steps, err)
		}
		if s.key().Equal(before) {
			t.Errorf("step %d: the key is the one of before", steps)
		}
		s.deliver(one, two)
	}
	if steps < 7 {
		t.Errorf("it was killed at %d steps", steps)
	}
	for _, o := range owners {
		roll, err := enrol.Members(t.Context(), o, o.Where)
		all := roll.Members
		if err != nil || len(all) != 1 || !all[0].Good() {
			t.Fatalf("%+v, %v", all, err)
		}
		last := all[0].Keys[len(all[0].Keys)-1]
		if !s.key().Public().(ed25519.PublicKey).Equal(ed25519.PublicKey(last.Key)) {
			t.Errorf("%s knows another key as the last", o.Where)
		}
		if _, err := answer.NewClient(o).Check(t.Context(), func(where, what string) { t.Error(where, what) }, nil); err != nil {
			t.Error(err)
		}
	}
	if files, err := os.ReadDir(collect.Certificates(s.dir)); err != nil || len(files) != 2 {
		t.Errorf("%v, %v", files, err)
	}
}

// TestRotationWaits: while a collector does not answer, the rig goes on with its key
// at all, and what is open goes over to the new one when it comes.
func TestRotationWaits(t *testing.T) {
	first, second := filepath.Join(t.TempDir(), "archive"), filepath.Join(t.TempDir(), "archive")
	one, _ := labtest.Serve(t, first)
	two, stop := labtest.Serve(t, second)
	s := joined(t, labtest.DialOwner(t, one, first), labtest.DialOwner(t, two, second))
	lasting, err := collect.DialLasting(one, s.dir) // as agent serve connects
	if err != nil {
		t.Fatal(err)
	}
	defer lasting.Close()
	before := s.key()
	stop()
	_, err = collect.RotateKey(t.Context(), s.dir)
	if !errors.Is(err, enrol.ErrUnreachable) || !strings.Contains(err.Error(), "the change of key waits: ") || fault.HintOf(err) == "" || !s.key().Equal(before) || !collect.NextKey(s.dir) {
		t.Fatalf("%v", err)
	}
	s.deliver(one)
	takeOut(t, s.dir, two) // that collector is no more
	ids, err := collect.RotateKey(t.Context(), s.dir)
	if err != nil || len(ids) != 1 || s.key().Equal(before) {
		t.Fatalf("%v, %v", ids, err)
	}
	run, _ := s.deliver(one)
	if _, err := deliver.Send(t.Context(), lasting, run.Signed, run.Parts()); err != nil {
		t.Errorf("what was open: %v", err)
	}
	if _, err := collect.RotateKey(t.Context(), t.TempDir()); err == nil || !strings.Contains(err.Error(), "enrolled with no collector") {
		t.Errorf("enrolled nowhere: %v", err)
	}
}

// takeOut takes the certificates of a collector out of a folder, as a person would who
// looks which files name it.
func takeOut(t *testing.T, dir, address string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(collect.Certificates(dir), "*.pem"))
	out := 0
	for _, name := range files {
		b, err2 := os.ReadFile(name)
		if err = errors.Join(err, err2); strings.HasPrefix(string(b), "collector "+address+"\n") {
			err = errors.Join(err, os.Remove(name))
			out++
		}
	}
	if err != nil || out == 0 {
		t.Fatalf("%d certificates of %s, %v", out, address, err)
	}
}

// TestRotate: what is asked for by the key before alone, signed by it and for its
// own name; it then gets no certificate any more, and its lineage is known.
func TestRotate(t *testing.T) {
	w := newWorkshop(t)
	heron, id := w.as(t, "heron"), w.ids["heron"]
	next := labtest.Key(labtest.Rand(t))
	ctx := t.Context()
	forged := id
	forged.Key = labtest.Key(labtest.Rand(t))
	w.refused(t, "bad_signature", "the key before has not signed", func() error {
		_, err := enrol.Rotate(ctx, heron, forged, next)
		return err
	})
	other := id
	other.Name = "plover"
	w.refused(t, "of_another", "the new key is for rig plover, and rig heron asks", func() error {
		_, err := enrol.Rotate(ctx, heron, other, next)
		return err
	})
	w.refused(t, "key_of_another", "the new key was admitted or revoked before, for plover", func() error {
		_, err := enrol.Rotate(ctx, heron, id, w.plover.Key)
		return err
	})
	got, err := enrol.Rotate(ctx, heron, id, next)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := enrol.Rotate(ctx, heron, id, next); err != nil || !again.Leaf.Equal(got.Leaf) {
		t.Errorf("asked again: %v", err)
	}
	w.refused(t, "key_succeeded", "another key of rig heron came after this one", func() error {
		_, err := enrol.Renew(ctx, heron, id)
		return err
	})
	w.refused(t, "key_succeeded", "another key of rig heron came after this one", func() error {
		_, err := enrol.Rotate(ctx, heron, id, labtest.Key(labtest.Rand(t)))
		return err
	})
	// Both deliver: runs that the key before has signed, and those of the new one.
	old := w.heron.Finish(labtest.Shape{LogBytes: 2 << 10})
	w.heron.Key = next
	fresh := w.heron.Finish(labtest.Shape{LogBytes: 2 << 10})
	for _, run := range []labtest.Run{fresh, old, w.heron.Finish(labtest.Shape{LogBytes: 2 << 10})} {
		reply, err := deliver.Send(ctx, labtest.DialAs(t, w.address, got), run.Signed, run.Parts())
		if err != nil || moved(reply) {
			t.Errorf("%v, %+v", err, reply.Judgement.Flags)
		}
	}
	// A key that came otherwise still looks like another machine.
	stranger := labtest.NewRig("heron", labtest.Rand(t))
	sid := labtest.Enrol(t, w.owner, heronRig, stranger.Key)
	late := w.heron.Finish(labtest.Shape{LogBytes: 2 << 10, Plain: true})
	w.heron.Key = stranger.Key
	run := w.heron.Finish(labtest.Shape{LogBytes: 2 << 10})
	if _, err := deliver.Send(ctx, labtest.DialAs(t, w.address, got), late.Signed, late.Parts()); err != nil {
		t.Error(err)
	}
	if reply, err := deliver.Send(ctx, labtest.DialAs(t, w.address, sid), run.Signed, run.Parts()); err != nil || !moved(reply) {
		t.Errorf("%v, %+v", err, reply.Judgement.Flags)
	}
	if _, err := answer.NewClient(w.owner).Check(ctx, func(where, what string) { t.Error(where, what) }, nil); err != nil {
		t.Error(err)
	}
}
