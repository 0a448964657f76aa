package audit_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/audit"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// liar alters what a collector answers to a delivery.
type liar struct {
	grpc.ClientConnInterface
	lie func(*pb.Receipt)
}

func (l liar) NewStream(ctx context.Context, d *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	s, err := l.ClientConnInterface.NewStream(ctx, d, method, opts...)
	return lying{s, l.lie}, err
}

type lying struct {
	grpc.ClientStream
	lie func(*pb.Receipt)
}

func (l lying) RecvMsg(m any) error {
	err := l.ClientStream.RecvMsg(m)
	if m, ok := m.(*pb.DeliverResponse); ok && err == nil {
		l.lie(m.Receipt)
	}
	return err
}

func TestRefusesReceipts(t *testing.T) {
	c := labtest.NewCollector(t)
	c.Fill(t, 5, 3)
	old, err := c.Archive.Entry(2)
	if err != nil {
		t.Fatal(err)
	}
	other := labtest.NewCollector(t)
	other.Fill(t, 5, 4)
	theirs, err := other.Archive.Entry(2)
	if err != nil {
		t.Fatal(err)
	}
	replay := func(r *pb.Receipt, as trail.Receipt) {
		r.Index, r.Size, r.Leaf, r.Head, r.Proof = as.Index, as.Size, as.Leaf, as.Head, nil
		for _, h := range as.Proof {
			r.Proof = append(r.Proof, bytes.Clone(h[:]))
		}
	}
	for name, lie := range labtest.InOrder(map[string]func(*pb.Receipt){
		"replayed, of another run": func(r *pb.Receipt) { replay(r, old) },
		"replayed, with the run's hash": func(r *pb.Receipt) {
			replay(r, old)
			r.RecordSha256 = bytes.Clone(old.RecordSHA256[:])
		},
		"of another collector":        func(r *pb.Receipt) { replay(r, theirs) },
		"a head of another collector": func(r *pb.Receipt) { r.Head = theirs.Head },
		"cut proof":                   func(r *pb.Receipt) { r.Proof = r.Proof[:len(r.Proof)-1] },
		"a hash cut":                  func(r *pb.Receipt) { r.Proof[0] = r.Proof[0][:31] },
		"cut proof of consistency":    func(r *pb.Receipt) { r.Consistency = r.Consistency[:len(r.Consistency)-1] },
		"no inclusion proof":          func(r *pb.Receipt) { r.Proof = nil },
		"altered proof":               func(r *pb.Receipt) { r.Proof[0][3] ^= 1 },
		"another place":               func(r *pb.Receipt) { r.Index-- },
		"another size":                func(r *pb.Receipt) { r.Size++ },
		"altered leaf":                func(r *pb.Receipt) { r.Leaf[len(r.Leaf)-1] ^= 1 },
		"no head":                     func(r *pb.Receipt) { r.Head = nil },
		"an older head":               func(r *pb.Receipt) { r.Head = old.Head },
		"another signature":           func(r *pb.Receipt) { r.Head[len(r.Head)-20] ^= 1 },
		"not consistent":              func(r *pb.Receipt) { r.Consistency = nil },
		"altered proof of consistency": func(r *pb.Receipt) {
			r.Consistency[0][0] ^= 1
		},
		"from another size": func(r *pb.Receipt) { r.SeenSize-- },
		"another record":    func(r *pb.Receipt) { r.RecordSha256[0] ^= 1 },
	}) {
		b := newBench(t, t.TempDir())
		if _, err := b.deliver(c, 1); err != nil {
			t.Fatal(err)
		}
		before := b.seen(t)
		c.Fill(t, 1, labtest.Rand(t).Uint64())
		sizes, err := b.deliver(liar{c, lie}, 1)
		if !errors.Is(err, audit.ErrAlarm) && !errors.Is(err, audit.ErrReceipt) && !errors.Is(err, deliver.ErrUnreachable) || len(sizes) > 0 {
			t.Errorf("%s: receipts of %v, %v", name, sizes, err)
		}
		if n := b.seen(t); n != before+1 { // that of the meeting
			t.Errorf("%s: %d were seen, now %d", name, before, n)
		}
	}
}

// hazy alters the first answers that a collector gives about its head.
type hazy struct {
	grpc.ClientConnInterface
	answers *int // that it is still to alter
	haze    func(*pb.GetHeadResponse)
}

func (h hazy) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	err := h.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
	if m, ok := reply.(*pb.GetHeadResponse); ok && err == nil && *h.answers > 0 {
		*h.answers--
		h.haze(m)
	}
	return err
}

// TestDamagedProof: a proof that does not hold is no evidence against heads that may
// well be of one trail, so the collector is asked once more; it is an alarm when it
// cannot prove them then.
func TestDamagedProof(t *testing.T) {
	damage := func(c *pb.Consistency) {
		if len(c.GetHashes()) > 0 {
			c.Hashes[0][5] ^= 1
		}
	}
	for name, haze := range labtest.InOrder(map[string]func(*pb.GetHeadResponse){
		"of the head seen": func(m *pb.GetHeadResponse) {
			for _, c := range m.GetConsistency() {
				damage(c)
			}
		},
		"none": func(m *pb.GetHeadResponse) {
			for _, c := range m.GetConsistency() {
				c.Hashes = nil
			}
		},
		"of a witnessed head": func(m *pb.GetHeadResponse) { damage(m.GetCosigned()[0].GetConsistency()) },
	}) {
		b, c := newBench(t, t.TempDir()), labtest.NewCollector(t)
		c.Fill(t, 3, 1)
		witnessed(t, c)
		c.Fill(t, 2, 2)
		if _, err := b.deliver(c, 1); err != nil {
			t.Fatal(err)
		}
		c.Fill(t, 5, 3)
		once := 1
		if _, err := b.deliver(hazy{c, &once, haze}, 1); err != nil || once != 0 {
			t.Errorf("%s, once: %v", name, err)
		}
		if open, err := b.Open(); len(open) > 0 || err != nil {
			t.Errorf("%s, once: %+v, %v", name, open, err)
		}
		c.Fill(t, 1, 4)
		always := 1000
		_, err := b.deliver(hazy{c, &always, func(m *pb.GetHeadResponse) {
			haze(m)
			for _, c := range m.GetConsistency() {
				c.Hashes = nil
			}
		}}, 1)
		if !errors.Is(err, audit.ErrAlarm) {
			t.Errorf("%s, always: %v", name, err)
		}
	}
}

// witnessed has a witness sign the present head.
func witnessed(t testing.TB, c *labtest.Collector) {
	t.Helper()
	key := labtest.Key(labtest.Seeded(61))
	text, err := trail.WitnessKey("witness.dome.example/lark", key.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	s, err := trail.NewCosigner("witness.dome.example/lark", key, time.Unix(1e9, 0))
	if err != nil {
		t.Fatal(err)
	}
	_, head, err := c.Archive.Head()
	if err == nil {
		head, err = trail.Cosign(head, labtest.Verifiers(t, c.Archive.VerifierKey()), s)
	}
	if err == nil {
		err = c.Archive.AddCosigned(text, head)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestForkAfterTheKeyChanged: both heads are named also where a key that signs no
// more has signed the one that was seen.
func TestForkAfterTheKeyChanged(t *testing.T) {
	b, c, other := newBench(t, t.TempDir()), labtest.NewCollector(t), labtest.NewCollector(t)
	if _, err := b.deliver(c, 2); err != nil {
		t.Fatal(err)
	}
	other.Fill(t, 1, 9)
	run := b.rig.Finish(labtest.Shape{Bare: true, Plain: true})
	if _, err := deliver.Send(t.Context(), other, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	rekey(t, other.Archive, 21)
	_, err := b.deliver(other, 1)
	var al audit.Alarm
	if !errors.As(err, &al) || al.Seen.At.IsZero() || al.Now.At.Before(al.Seen.At) {
		t.Fatalf("%+v, %v", al, err)
	}
	if want := fmt.Sprintf("%v: seen 2 %s on %s, now 2 %s on ", trail.ErrForked, al.Seen.Root, al.Seen.At.Format(time.DateTime), al.Now.Root); !strings.Contains(al.Error(), want) {
		t.Errorf("%v, want %s", al, want)
	}
	// Once it is explained a receipt that the earlier key has signed holds, too.
	if _, err := b.Accept(al.Name, "operator", "the disk was lost"); err != nil {
		t.Fatal(err)
	}
	met, err := b.Meet(t.Context(), other, address)
	if err == nil {
		_, err = met.Send(t.Context(), run.Signed, nil)
	}
	if err != nil {
		t.Error(err)
	}
}

// TestInsteadThatIsNone: what a collector gives in the place of the head seen proves a
// fork only where it is signed by the trail's key, of that size and with another root.
func TestInsteadThatIsNone(t *testing.T) {
	other := labtest.NewCollector(t)
	other.Fill(t, 8, 1)
	shorter, err := other.Archive.HeadAt(4)
	if err != nil {
		t.Fatal(err)
	}
	for name, give := range labtest.InOrder(map[string]func(seen string) []byte{
		"nothing":           func(string) []byte { return nil },
		"junk":              func(string) []byte { return []byte("junk") },
		"of another size":   func(string) []byte { return shorter },
		"the head seen":     func(seen string) []byte { return []byte(seen) },
		"with another text": func(seen string) []byte { return bytes.Replace([]byte(seen), []byte("\n5\n"), []byte("\n6\n"), 1) },
	}) {
		b := newBench(t, t.TempDir())
		if _, err := b.deliver(labtest.NewCollector(t), 5); err != nil {
			t.Fatal(err)
		}
		seen, err := b.Memories()
		if err != nil {
			t.Fatal(err)
		}
		always := 1000
		_, err = b.deliver(hazy{other, &always, func(m *pb.GetHeadResponse) { m.Instead = [][]byte{give(seen[0].Head)} }}, 1)
		var al audit.Alarm
		if !errors.As(err, &al) || !strings.Contains(al.Why, "does not show") || al.Now.Size != 8 {
			t.Errorf("%s: %+v, %v", name, al, err)
		}
	}
}

// moved is a connection that leads elsewhere after a while.
type moved struct{ grpc.ClientConnInterface }

// TestPutBackSinceItWasMet: a trail that was put back after a rig has met it gets nothing
// from that rig before it was shown the head that it lacks.
func TestPutBackSinceItWasMet(t *testing.T) {
	b, whole, back := newBench(t, t.TempDir()), labtest.NewCollector(t), labtest.NewCollector(t)
	conn := &moved{whole}
	if _, err := b.deliver(conn, 5); err != nil {
		t.Fatal(err)
	}
	met, err := b.Meet(t.Context(), conn, address)
	if err != nil {
		t.Fatal(err)
	}
	run := b.rig.Finish(labtest.Shape{Bare: true, Plain: true, LogBytes: 100})
	for _, has := range []int{0, 3} {
		back.Fill(t, has, 1)
		conn.ClientConnInterface = back
		var al audit.Alarm
		if _, err := met.Send(t.Context(), run.Signed, run.Parts()); !errors.As(err, &al) || al.Why != trail.ErrRolledBack.Error() || al.Seen.Size != 5 {
			t.Errorf("with %d entries: %+v, %v", has, al, err)
		}
		if _, err := deliver.Send(t.Context(), conn, run.Signed, run.Parts(), deliver.Seen(5)); !errors.Is(err, deliver.ErrFewer) || !errors.Is(err, deliver.ErrUnreachable) {
			t.Errorf("with %d entries: %v", has, err)
		}
		if now, _, err := back.Archive.Head(); now.Size != int64(has) || err != nil {
			t.Errorf("of %d entries it has %d, %v", has, now.Size, err)
		}
	}
	conn.ClientConnInterface = whole
	if got, err := met.Send(t.Context(), run.Signed, run.Parts()); err != nil || got.Receipt.Size != 6 {
		t.Errorf("into the whole one again: %d, %v", got.Receipt.Size, err)
	}
}
