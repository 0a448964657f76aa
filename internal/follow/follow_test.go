package follow_test

import (
	"context"
	"crypto/ed25519"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/deliver"
	"witnessmark/internal/follow"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
	pb "witnessmark/proto/witnessmark/v1"
)

// liar passes on what a collector gives to who follows it, and alters some of it.
type liar struct {
	*labtest.Collector
	alter func(m *pb.FollowResponse)
}

func (l liar) NewStream(ctx context.Context, d *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	st, err := l.Collector.NewStream(ctx, d, method, opts...)
	return altered{st, l.alter}, err
}

type altered struct {
	grpc.ClientStream
	alter func(m *pb.FollowResponse)
}

func (a altered) RecvMsg(m any) error {
	err := a.ClientStream.RecvMsg(m)
	if r, ok := m.(*pb.FollowResponse); ok && err == nil {
		a.alter(r)
	}
	return err
}

// lab is a source with something of each kind in its trail.
func lab(t testing.TB) (*labtest.Collector, []labtest.Run) {
	t.Helper()
	c := labtest.NewCollector(t)
	heron := labtest.NewRig("heron", labtest.Seeded(6))
	var runs []labtest.Run
	for i := range 5 {
		if i == 3 {
			rekey(t, c, 21)
		}
		run := heron.Finish(labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"})
		if _, err := deliver.Send(t.Context(), c, run.Signed, run.Parts()); err != nil {
			t.Fatal(err)
		}
		runs = append(runs, run)
	}
	ask := answer.NewClient(c)
	if _, _, err := ask.AcceptMark(t.Context(), runs[0].ID, "keeper", "memory checked"); err != nil {
		t.Fatal(err)
	}
	retract(t, c, runs[1].ID)
	if _, _, err := ask.Reinstate(t.Context(), runs[1].ID, "keeper", "it was the other room"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := c.Archive.Restored("keeper", "the disk was lost", nil); err != nil {
		t.Fatal(err)
	}
	m, key := trust.Member{Role: trust.Rig, Name: "heron"}, heron.Key.Public().(ed25519.PublicKey)
	for _, x := range []struct {
		key  ed25519.PublicKey
		lost string
	}{{labtest.Key(labtest.Seeded(41)).Public().(ed25519.PublicKey), ""}, {key, "the disk broke"}} {
		secret := trust.Secret{x.key[0]}
		if err := c.Archive.AddToken(secret.Hash(), archive.JoinToken{Member: m, By: "wren", Made: time.Now().UTC(), Expires: time.Now().UTC().Add(time.Hour), Lost: x.lost}); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Archive.Join(secret.Hash(), m, x.key, labtest.Certify(t, labtest.Authority(t), m, x.key)); err != nil {
			t.Fatal(err)
		}
	}
	next, chain, signature := labtest.Rotated(t, labtest.Authority(t), m, heron.Key, labtest.Key(labtest.Seeded(40)))
	if _, err := c.Archive.Rotate(m, key, next, signature, chain); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Archive.Revoke("heron", "wren", "sold"); err != nil {
		t.Fatal(err)
	}
	return c, runs
}

func retract(t testing.TB, c *labtest.Collector, id string) {
	t.Helper()
	if _, _, err := answer.NewClient(c).Retract(t.Context(), id, "keeper", "the lamp was on"); err != nil {
		t.Fatal(err)
	}
}

// follower begins a copy of c.
func follower(t testing.TB, c *labtest.Collector) (*follow.Follower, *archive.Archive, *audit.Auditor) {
	t.Helper()
	start, err := follow.Ask(t.Context(), c, "source")
	if err != nil {
		t.Fatal(err)
	}
	a, err := archive.OpenFollowing(filepath.Join(t.TempDir(), "archive.db"), start.Line.Present(), start.Empty, archive.Options{Now: time.Now}, start.Successions...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	seen, err := audit.Open(t.TempDir(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	return &follow.Follower{Source: "127.0.0.1:7410", Copy: a, Auditor: seen, Limits: deliver.DefaultLimits, Once: true}, a, seen
}

// TestCopyIsEqual: a copy of everything is equal, and the examination finds
// nothing in it; a second time there is nothing to do.
func TestCopyIsEqual(t *testing.T) {
	c, runs := lab(t)
	f, a, _ := follower(t, c)
	for range 2 {
		if err := f.Follow(t.Context(), c); err != nil {
			t.Fatal(err)
		}
		want, _, _ := c.Archive.Head()
		if got, _, err := a.Head(); err != nil || got != want {
			t.Fatalf("%v, %v; want %v", got, err, want)
		}
	}
	if kept := labtest.Kept(t, a); len(kept) != len(runs) {
		t.Errorf("%d runs", len(kept))
	}
	st, err := a.Run(runs[1].ID)
	if err != nil || len(st.Retractions) != 2 {
		t.Errorf("%+v, %v", st.Retractions, err)
	}
	if m, ok, err := a.Mark("heron", "memory-rated"); err != nil || !ok || m.RunID != runs[0].ID || m.Why != "memory checked" {
		t.Errorf("%+v, %v", m, err)
	}
}

// TestLies: whatever a source alters on the way, nothing of the step is kept, and
// a head that its entries do not give is an alarm.
func TestLies(t *testing.T) {
	flip := func(b []byte) {
		if len(b) > 0 {
			b[len(b)/2] ^= 1
		}
	}
	for name, lie := range map[string]struct {
		alter func(m *pb.FollowResponse)
		want  error
	}{
		"data":      {func(m *pb.FollowResponse) { flip(m.GetData()) }, follow.ErrDoubt},
		"leaf":      {func(m *pb.FollowResponse) { flip(m.GetEntry().GetLeaf()) }, nil},
		"signature": {func(m *pb.FollowResponse) { flip(m.GetEntry().GetRun().GetSignature()) }, follow.ErrDoubt},
		"summary":   {func(m *pb.FollowResponse) { flip(m.GetEntry().GetRun().GetSummary()) }, follow.ErrDoubt},
		"receipt":   {func(m *pb.FollowResponse) { flip(m.GetEntry().GetRun().GetReceipt().GetHead()) }, follow.ErrDoubt},
		"head":      {func(m *pb.FollowResponse) { flip(m.GetHead()) }, nil},
		"sizes": {func(m *pb.FollowResponse) {
			if r := m.GetEntry().GetRun(); r != nil {
				r.RecordSize = 1 << 40
			}
		}, follow.ErrTooLarge},
		"no record": {func(m *pb.FollowResponse) {
			if e := m.GetEntry(); e != nil {
				e.Run = nil
			}
		}, nil},
		"another head": {func(m *pb.FollowResponse) {
			if m.GetHead() != nil {
				m.Message = &pb.FollowResponse_Head{Head: forged(t)}
			}
		}, audit.ErrAlarm},
		"its key": {func(m *pb.FollowResponse) {
			if m.GetBegin() != nil {
				m.GetBegin().Head = forged(t)
				m.GetBegin().Consistency = &pb.Consistency{Hashes: [][]byte{make([]byte, 32)}}
			}
		}, audit.ErrAlarm},
	} {
		t.Run(name, func(t *testing.T) {
			c, _ := lab(t)
			f, a, seen := follower(t, c)
			err := f.Follow(t.Context(), liar{c, lie.alter})
			if err == nil || lie.want != nil && !errors.Is(err, lie.want) {
				t.Errorf("%v, want %v", err, lie.want)
			}
			if h, _, err := a.Head(); err != nil || h.Size != 0 {
				t.Errorf("kept: %v, %v", h, err)
			}
			alarms, err := seen.Open()
			if err != nil || (len(alarms) > 0) != errors.Is(lie.want, audit.ErrAlarm) {
				t.Errorf("alarms: %v, %v", alarms, err)
			}
			// With the truth it goes on.
			if err := f.Follow(t.Context(), c); err != nil {
				t.Error(err)
			}
			if _, err := a.Check(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

// forged is a head that the source's key signed over another tree.
func forged(t testing.TB) []byte {
	s, err := trail.NewSigner("collector.dome.example/trail", labtest.Key(labtest.Seeded(21)))
	if err != nil {
		t.Fatal(err)
	}
	msg, err := trail.SignHead(trail.Head{Origin: s.Name(), Size: 12, Root: trail.Hash{9}}, s)
	if err != nil {
		t.Fatal(err)
	}
	return msg
}

// TestForkIsNoticed: a copy does not go on with a source whose trail is another,
// though it is signed with the same key.
func TestForkIsNoticed(t *testing.T) {
	c, _ := lab(t)
	f, a, seen := follower(t, c)
	if err := f.Follow(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	before, _, _ := a.Head()
	other := labtest.NewCollector(t) // the keys of all of them are the same
	rekey(t, other, 21)
	plover := labtest.NewRig("plover", labtest.Seeded(8))
	for range 16 {
		run := plover.Finish(labtest.Shape{Plain: true, LogBytes: 300})
		if _, err := deliver.Send(t.Context(), other, run.Signed, run.Parts()); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Follow(t.Context(), other); !errors.Is(err, audit.ErrAlarm) {
		t.Error(err)
	}
	alarms, err := seen.Open()
	if err != nil || len(alarms) != 1 || alarms[0].Seen.Size != before.Size || alarms[0].Now.Size < 16 || alarms[0].Seen.Root == alarms[0].Now.Root {
		t.Errorf("%+v, %v", alarms, err)
	}
	if h, _, _ := a.Head(); h != before {
		t.Errorf("the copy moved to %v", h)
	}
}

// TestCosigned: what a witness signed comes back with the source's head; what does
// not hold is refused.
func TestCosigned(t *testing.T) {
	c, _ := lab(t)
	_, signed, err := c.Archive.Head()
	if err != nil {
		t.Fatal(err)
	}
	key := labtest.Key(labtest.Seeded(20))
	s, err := trail.NewCosigner("witness.dome.example/avocet", key, time.Unix(1e9, 0))
	if err != nil {
		t.Fatal(err)
	}
	w := s.(interface{ Key() string }).Key()
	both, err := trail.Cosign(signed, labtest.Verifiers(t, c.Archive.VerifierKey()), s)
	if err != nil {
		t.Fatal(err)
	}
	broken := slices.Clone(both)
	broken[len(broken)-8] ^= 1
	for name, bad := range map[string]struct {
		key  string
		head []byte
	}{"no witness": {w, signed}, "no key": {"", both}, "a changed one": {w, broken}, "another tree's": {w, forged(t)}} {
		if err := follow.Cosign(t.Context(), c, bad.key, bad.head); !errors.Is(err, follow.ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := follow.Cosign(t.Context(), c, w, both); err != nil {
		t.Fatal(err)
	}
	x, err := deliver.AskHead(t.Context(), c)
	if err != nil || len(x.Cosigned) != 1 || string(x.Cosigned[0].Head) != string(both) || !strings.HasPrefix(string(both), string(signed)) {
		t.Errorf("%+v, %v", x, err)
	}
	if _, err := c.Archive.Check(t.Context()); err != nil {
		t.Error(err)
	}
}
