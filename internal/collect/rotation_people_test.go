package collect_test

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/enrol"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestThePeoplesEarlierKeyEnds: a key of a keeper that another came after does nothing
// any more, also over a connection that was open before and with what was copied of
// it; the rotation that it asked for it may ask for again.
func TestThePeoplesEarlierKeyEnds(t *testing.T) {
	w := newWorkshop(t)
	before, id, next := w.as(t, "wren"), w.ids["wren"], labtest.Key(labtest.Seeded(60))
	if _, err := enrol.Members(t.Context(), before, w.address); err != nil {
		t.Fatal(err)
	}
	begun, ended := make(chan bool, 1), make(chan error, 1)
	go func() { // a stream that only listens
		ended <- answer.NewClient(before).FollowFlags(t.Context(), nil, func(answer.Flagged) error { begun <- true; return nil })
	}()
	<-begun
	got, err := enrol.Rotate(t.Context(), w.as(t, "wren"), id, next)
	if err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-ended:
		if err == nil {
			t.Error("a stream of before ended well")
		}
	case <-time.After(time.Minute):
		t.Error("a stream of before goes on")
	}
	w.refused(t, "key_succeeded", "another key of keeper wren came after this one", func() error {
		_, err := enrol.Members(t.Context(), w.as(t, "wren"), w.address)
		return err
	})
	if _, err := enrol.Members(t.Context(), before, w.address); err == nil {
		t.Error("over the connection of before it is still good")
	}
	if again, err := enrol.Rotate(t.Context(), w.as(t, "wren"), id, next); err != nil || !again.Leaf.Equal(got.Leaf) {
		t.Errorf("asked again: %v", err)
	}
	now := labtest.DialAs(t, w.address, got)
	if all, err := enrol.Members(t.Context(), now, w.address); err != nil || len(all.Members) != 4 {
		t.Errorf("%d members, %v", len(all.Members), err)
	}
	if _, _, err := answer.NewClient(now).Rekey(t.Context(), "", "a year is over"); err != nil {
		t.Error(err)
	}
}

// asOneWhoChanges is a connection as somebody, and has him come back as somebody else from
// then on.
func (w *workshop) asOneWhoChanges(t *testing.T, id trust.Identity) (conn *collect.Connection, set func(trust.Identity)) {
	t.Helper()
	var who atomic.Pointer[trust.Identity]
	who.Store(&id)
	conn, err := collect.Dial(w.address, func() []trust.Identity { return []trust.Identity{*who.Load()} })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn, func(id trust.Identity) { who.Store(&id) }
}

// TestOpenConnectionComesBackWithTheNextKey: a connection that is met with the key before
// is not left with it, not even the one over which another key came after that.
func TestOpenConnectionComesBackWithTheNextKey(t *testing.T) {
	w := newWorkshop(t)
	conn, set := w.asOneWhoChanges(t, w.ids["swift"])
	got, err := enrol.Rotate(t.Context(), conn, w.ids["swift"], labtest.Key(labtest.Seeded(60)))
	if err != nil {
		t.Fatal(err)
	}
	set(got)
	insist(t, "ask over it", func(ctx context.Context) error {
		_, err := answer.NewClient(conn).Rigs(ctx)
		return err
	})
}

// TestCameBeforeItsCertificate: who comes with the key before while the certificate of the
// next one is on its way to him, here because he was quick to come back, is told so, and
// comes with the next key once he has it.
func TestCameBeforeItsCertificate(t *testing.T) {
	t.Cleanup(collect.ToldFor(100 * time.Millisecond))
	w := newWorkshop(t)
	got, err := enrol.Rotate(t.Context(), w.as(t, "swift"), w.ids["swift"], labtest.Key(labtest.Seeded(60)))
	if err != nil {
		t.Fatal(err)
	}
	conn, set := w.asOneWhoChanges(t, w.ids["swift"])
	asks := func() error {
		_, err := answer.NewClient(conn).Rigs(t.Context())
		return err
	}
	insist(t, "be told", func(context.Context) error {
		if err := asks(); err == nil || !strings.Contains(err.Error(), "came after this one") {
			return fmt.Errorf("said is %v", err)
		}
		return nil
	})
	set(got)
	insist(t, "ask with the next key", func(context.Context) error { return asks() })
}

// TestOpenConnectionComesBackAsTheNextOwner: so it is when the owner's identity was made
// anew, and who comes back with a copy of the one before is told that it has ended.
func TestOpenConnectionComesBackAsTheNextOwner(t *testing.T) {
	t.Cleanup(collect.ToldFor(time.Hour)) // however long the questions take
	w := newWorkshop(t)
	before := collect.Owner(w.dir)()
	stale, err := collect.Dial(w.address, func() []trust.Identity { return before })
	if err != nil {
		t.Fatal(err)
	}
	defer stale.Close()
	asks := func(conn *collect.Connection) error {
		_, err := answer.NewClient(conn).Rigs(t.Context())
		return err
	}
	if err := asks(stale); err != nil {
		t.Fatal(err)
	}
	pem, err := os.ReadFile(filepath.Join(w.dir, "authority.pem"))
	if err != nil {
		t.Fatal(err)
	}
	key := labtest.Key(labtest.Seeded(61))
	chain := labtest.Certify(t, labtest.ReadAuthority(t, pem), trust.Member{Role: trust.Owner, Name: "owner"}, key.Public().(ed25519.PublicKey))
	next, err := trust.NewIdentity(key, chain.Leaf.Raw, chain.Authority.Raw, w.address)
	if err != nil {
		t.Fatal(err)
	}
	b, err := next.Whole()
	if err == nil {
		err = os.WriteFile(filepath.Join(w.dir, "owner.pem"), b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	insist(t, "ask over it", func(context.Context) error { return asks(w.owner) })
	insist(t, "be told", func(context.Context) error {
		if err := asks(stale); err == nil || !strings.Contains(err.Error(), "another by now") || errors.Is(err, answer.ErrUnreachable) {
			return fmt.Errorf("said is %v", err)
		}
		return nil
	})
	// Nothing is closed any more, so that it is not tried over and over.
	for range 3 {
		if err := asks(stale); errors.Is(err, answer.ErrUnreachable) {
			t.Error(err)
		}
	}
}

// TestPeopleRotateWhileACollectorIsAway: where the next key was admitted already the
// person comes with that, elsewhere with the present one; and a connection that lasts
// goes over by itself.
func TestPeopleRotateWhileACollectorIsAway(t *testing.T) {
	swift := trust.Member{Role: trust.Analyst, Name: "swift"}
	dirs := []string{filepath.Join(t.TempDir(), "archive"), filepath.Join(t.TempDir(), "archive")}
	one, _ := labtest.Serve(t, dirs[0])
	two, stop := labtest.Serve(t, dirs[1])
	desk := filepath.Join(t.TempDir(), "desk")
	for i, address := range []string{one, two} {
		if _, err := collect.Join(t.Context(), address, desk, labtest.Token(t, labtest.DialOwner(t, address, dirs[i]), swift, time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	lasting, err := collect.DialLasting(one, desk)
	if err != nil {
		t.Fatal(err)
	}
	defer lasting.Close()
	asks := func(conn *collect.Connection) error {
		_, err := answer.NewClient(conn).Rigs(t.Context())
		return err
	}
	asksAt := func(address string) error {
		conn, err := collect.DialAs(t.Context(), address, desk, func(err error) { t.Error(err) })
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		return asks(conn)
	}
	if err := errors.Join(asks(lasting), asksAt(two)); err != nil {
		t.Fatal(err)
	}
	stop()
	if _, err := collect.RotateKey(t.Context(), desk); !errors.Is(err, enrol.ErrUnreachable) || !collect.NextKey(desk) {
		t.Fatal(err)
	}
	if err := asksAt(one); err != nil {
		t.Errorf("where the next key is admitted: %v", err)
	}
	ids, err := collect.Present(desk)
	if err != nil || len(ids) != 2 || ids[0].Key.Equal(ids[1].Key) {
		t.Errorf("who it is with both collectors: %d, %v", len(ids), err)
	}
	insist(t, "go over to the next key", func(context.Context) error { return asks(lasting) })
	two, _ = labtest.Serve(t, dirs[1])
	for _, id := range ids { // it is served at another address now
		if id.Collector != one {
			takeOut(t, desk, id.Collector)
			id.Collector = two
			if err := enrol.Save(collect.Certificates(desk), id); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := asksAt(two); err != nil {
		t.Errorf("where it is not yet: %v", err)
	}
	if ids, err := collect.RotateKey(t.Context(), desk); err != nil || len(ids) != 2 || !ids[0].Key.Equal(ids[1].Key) {
		t.Fatalf("%v", err)
	}
	if err := errors.Join(asksAt(one), asksAt(two)); err != nil {
		t.Error(err)
	}
	if files, err := os.ReadDir(collect.Certificates(desk)); err != nil || len(files) != 2 {
		t.Errorf("%v, %v", files, err)
	}
	if _, err := collect.RotateKey(t.Context(), t.TempDir()); err == nil || !strings.Contains(err.Error(), "enrolled with no collector") {
		t.Error(err)
	}
}

// TestACopyGoesOnWithItsNextKey: a witness that copies goes over to its next key by
// itself, and serves and signs with it.
func TestACopyGoesOnWithItsNextKey(t *testing.T) {
	dir, desk := filepath.Join(t.TempDir(), "archive"), filepath.Join(t.TempDir(), "desk")
	address, _ := labtest.Serve(t, dir)
	owner := labtest.DialOwner(t, address, dir)
	lark := trust.Member{Role: trust.Witness, Name: "lark"}
	if _, err := collect.Join(t.Context(), address, desk, labtest.Token(t, owner, lark, time.Hour)); err != nil {
		t.Fatal(err)
	}
	as, err := collect.WitnessAt(desk, address)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	steps, ready, ended := make(chan int64, 1000), make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- collect.Follow(ctx, collect.Following{
			Dir: filepath.Join(t.TempDir(), "copy"), Source: address, Listen: "127.0.0.1:0", Log: labtest.Quiet(), As: as,
			Ready: func(a string) { ready <- a }, Progress: func(done, _ int64) { steps <- done },
			Dial: func(a string) (*collect.Connection, error) {
				return collect.DialAs(ctx, a, desk, func(err error) { t.Error(err) })
			},
		})
	}()
	comesTo := func(size int64) {
		t.Helper()
		for {
			select {
			case done := <-steps:
				if done >= size {
					return
				}
			case err := <-ended:
				t.Fatalf("the copying has ended: %v", err)
			case <-time.After(time.Minute):
				t.Fatalf("it does not come to %d entries", size)
			}
		}
	}
	<-ready
	comesTo(2) // key and certificate
	if _, err := collect.RotateKey(t.Context(), desk); err != nil {
		t.Fatal(err)
	}
	comesTo(4)
	swift := labtest.Enrol(t, owner, trust.Member{Role: trust.Analyst, Name: "swift"}, labtest.Key(labtest.Rand(t)))
	comesTo(6)
	insist(t, "sign what it has come to", func(ctx context.Context) error {
		x, err := deliver.AskHead(ctx, labtest.DialAs(t, address, swift))
		if err == nil && (len(x.Cosigned) != 1 || !strings.Contains(string(x.Cosigned[0].Head), "\n6\n")) {
			err = errors.New("the last head is not cosigned")
		}
		return err
	})
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// TestFolderOfBefore: a folder that was put back has a key that another came after. It
// is told what to do, and not to ask again.
func TestFolderOfBefore(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, _ := labtest.Serve(t, dir)
	s := joined(t, labtest.DialOwner(t, address, dir))
	before := filepath.Join(t.TempDir(), "before")
	if err := os.CopyFS(before, os.DirFS(s.dir)); err != nil {
		t.Fatal(err)
	}
	if _, err := collect.RotateKey(t.Context(), s.dir); err != nil {
		t.Fatal(err)
	}
	_, err := collect.RotateKey(t.Context(), before)
	if !errors.Is(err, enrol.ErrRefused) || !strings.Contains(err.Error(), "another key of rig heron came after this one") {
		t.Fatal(err)
	}
	if hint := fault.HintOf(err); !strings.Contains(hint, "collector token --lost") || strings.Contains(hint, "ask again") {
		t.Errorf("the hint is %q", hint)
	}
}
