package audit_test

import (
	"context"
	"crypto/ed25519"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"

	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

func rekey(t testing.TB, a *archive.Archive, seed uint64) {
	t.Helper()
	if _, _, err := a.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(seed)), By: "wren", Why: "its year is over"}); err != nil {
		t.Fatal(err)
	}
}

// TestWalksToTheNewKey: a rig goes on by itself, however often the key has changed
// and whenever, and takes receipts of before.
func TestWalksToTheNewKey(t *testing.T) {
	dir := t.TempDir()
	b, c := newBench(t, dir), labtest.NewCollector(t)
	old := c.Archive.VerifierKey()
	var walked []string
	tell := func(at, from, to string) { walked = append(walked, at, from, to) }
	b.OnSuccession(tell)
	met, err := b.Meet(context.Background(), c, address)
	if err != nil {
		t.Fatal(err)
	}
	early := b.rig.Finish(labtest.Shape{Bare: true, Plain: true})
	if _, err := met.Send(context.Background(), early.Signed, early.Parts()); err != nil {
		t.Fatal(err)
	}
	rekey(t, c.Archive, 21) // while the trail is met
	run := b.rig.Finish(labtest.Shape{Bare: true, Plain: true})
	if _, err := met.Send(context.Background(), run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	if want := []string{address, old, c.Archive.VerifierKey()}; !slices.Equal(walked, want) {
		t.Errorf("it tells of %q, and not of %q", walked, want)
	}
	rekey(t, c.Archive, 22) // and twice while it is not
	rekey(t, c.Archive, 23)
	b = newBench(t, dir)
	b.OnSuccession(tell)
	if sizes, err := b.deliver(c, 2); err != nil || sizes[1] != 7 || b.seen(t) != 7 {
		t.Errorf("receipts of %v, %d seen; %v", sizes, b.seen(t), err)
	}
	if len(walked) != 6 || walked[5] != c.Archive.VerifierKey() {
		t.Errorf("it tells of %q", walked)
	}
	if met, err = b.Meet(context.Background(), c, address); err != nil {
		t.Fatal(err)
	}
	for _, kept := range []labtest.Run{early, run} { // whose receipts are of earlier keys
		if reply, err := met.Send(context.Background(), kept.Signed, kept.Parts()); err != nil || reply.Receipt.Size > 3 {
			t.Errorf("receipt of %d, %v", reply.Receipt.Size, err)
		}
	}
	all, err := b.Memories()
	if err != nil || len(all) != 1 || all[0].Key != c.Archive.VerifierKey() || len(all[0].Earlier) != 3 || all[0].Earlier[0].Key != old {
		t.Errorf("%+v, %v", all, err)
	}
	if err := b.Pin(address, old); err != nil {
		t.Errorf("the key that was pinned at first: %v", err)
	}
	if open, err := b.Open(); len(open) > 0 || err != nil {
		t.Errorf("alarms: %+v, %v", open, err)
	}
}

// TestKeyOnAWord: a rig does not walk over a lost key by itself, says on whose word
// another followed, and goes on once its operator believes it.
func TestKeyOnAWord(t *testing.T) {
	path := filepath.Join(t.TempDir(), "archive.db")
	opt := archive.Options{Key: labtest.Key(labtest.Seeded(31)), Origin: "collector.dome.example/trail", Now: time.Now}
	open := func() (*archive.Archive, grpc.ClientConnInterface) {
		a, err := archive.Open(path, opt)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { a.Close() })
		return a, labtest.Connect(t, collect.New(a, time.Now, labtest.Quiet()).Server(deliver.DefaultLimits))
	}
	b := newBench(t, t.TempDir())
	a, conn := open()
	met, err := b.Meet(context.Background(), conn, address)
	if err != nil {
		t.Fatal(err)
	}
	early := b.rig.Finish(labtest.Shape{Bare: true, Plain: true})
	if _, err := met.Send(context.Background(), early.Signed, early.Parts()); err != nil {
		t.Fatal(err)
	}
	a.Close()
	opt.Key = labtest.Key(labtest.Seeded(32))
	if _, err := archive.Vouch(path, opt, archive.Rekeying{Next: opt.Key, By: "operator", Why: "the stick is gone"}); err != nil {
		t.Fatal(err)
	}
	a, conn = open()
	rekey(t, a, 33)
	for range 2 {
		_, err = b.deliver(conn, 1)
		var al audit.Alarm
		if !errors.As(err, &al) || !strings.Contains(al.Error(), "on the word of the owner of the collector's folder") || len(al.Keys) != 2 {
			t.Fatalf("%v", err)
		}
	}
	alarms, err := b.Open()
	if err != nil || len(alarms) != 1 {
		t.Fatalf("%d alarms, %v", len(alarms), err)
	}
	if _, err := b.Accept(alarms[0].Name, "operator", "the keeper told me"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.deliver(conn, 1); err != nil {
		t.Error(err)
	}
	if met, err = b.Meet(context.Background(), conn, address); err != nil {
		t.Fatal(err)
	}
	if _, err := met.Send(context.Background(), early.Signed, early.Parts()); err != nil {
		t.Errorf("a receipt of the lost key: %v", err)
	}
}

// evasive is a collector whose answers about its head are changed.
type evasive struct {
	grpc.ClientConnInterface
	change func(*pb.GetHeadResponse)
}

func (l evasive) Invoke(ctx context.Context, method string, q, r any, opts ...grpc.CallOption) error {
	err := l.ClientConnInterface.Invoke(ctx, method, q, r, opts...)
	if m, ok := r.(*pb.GetHeadResponse); ok && err == nil {
		l.change(m)
	}
	return err
}

// TestBrokenChain: whatever is wrong with the way from the known key to the one
// shown raises the alarm.
func TestBrokenChain(t *testing.T) {
	c := labtest.NewCollector(t)
	forged := func(size int64, root trail.Hash, old, next uint64) []byte {
		s := trail.Succession{Last: trail.Head{Origin: "collector.dome.example/trail", Size: size, Root: root}}
		var signers []note.Signer
		for _, k := range []struct {
			text *string
			seed uint64
		}{{&s.Old, old}, {&s.New, next}} {
			signer, err := trail.NewSigner(s.Last.Origin, labtest.Key(labtest.Seeded(k.seed)))
			if err == nil {
				*k.text, err = trail.VerifierKey(s.Last.Origin, labtest.Key(labtest.Seeded(k.seed)).Public().(ed25519.PublicKey))
			}
			if err != nil {
				t.Fatal(err)
			}
			signers = append(signers, signer)
		}
		msg, err := trail.SignSuccession(s, signers...)
		if err != nil {
			t.Fatal(err)
		}
		return msg
	}
	fresh := func() bench {
		b := newBench(t, t.TempDir())
		if _, err := b.deliver(c, 1); err != nil {
			t.Fatal(err)
		}
		return b
	}
	benches := map[string]bench{}
	changes := map[string]func(*pb.GetHeadResponse){
		"none is shown":        func(m *pb.GetHeadResponse) { m.Successions = nil },
		"the first is missing": func(m *pb.GetHeadResponse) { m.Successions = m.Successions[1:] },
		"the last is missing":  func(m *pb.GetHeadResponse) { m.Successions = m.Successions[:1] },
		"another order": func(m *pb.GetHeadResponse) {
			m.Successions[0], m.Successions[1] = m.Successions[1], m.Successions[0]
		},
		"a changed byte":          func(m *pb.GetHeadResponse) { m.Successions[0].Note[90] ^= 1 },
		"no proof of the head":    func(m *pb.GetHeadResponse) { m.Successions[0].Consistency = nil },
		"another last head":       func(m *pb.GetHeadResponse) { m.Successions[0].Note = forged(9, trail.Hash{1}, 7, 41) },
		"it stopped before":       func(m *pb.GetHeadResponse) { m.Successions[0].Note = forged(1, trail.Hash{1}, 7, 41) },
		"signed by another":       func(m *pb.GetHeadResponse) { m.Successions[0].Note = forged(9, trail.Hash{1}, 8, 41) },
		"leads to another key":    func(m *pb.GetHeadResponse) { m.Successions[1].Note = forged(12, trail.Hash{1}, 41, 43) },
		"shows another key alone": func(m *pb.GetHeadResponse) { m.VerifierKey = strings.ToLower(m.VerifierKey) },
	}
	for name := range changes {
		benches[name] = fresh()
	}
	benches["untouched"], changes["untouched"] = fresh(), func(*pb.GetHeadResponse) {}
	rekey(t, c.Archive, 41)
	rekey(t, c.Archive, 42)
	for name, change := range changes {
		_, err := benches[name].deliver(evasive{c, change}, 0)
		if want := name != "untouched"; errors.Is(err, audit.ErrAlarm) != want || want == (err == nil) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := benches[name].deliver(c, 0); err != nil {
			t.Errorf("%s, and the truth: %v", name, err)
		}
	}
}
