package deliver_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// taker keeps deliveries in memory.
type taker struct {
	mu    sync.Mutex
	known map[[sha256.Size]byte]deliver.Reply
	taken []deliver.Delivery
	fail  error
	full  error         // what Admit says
	wait  chan struct{} // when set, Take waits for it
	ask   chan struct{} // when set, Known waits for it
	head  []byte        // what Extends gives, when set

	instead []byte // what it gives for each head seen
}

func (k *taker) Admits(context.Context, ed25519.PublicKey) error { return nil }

func (k *taker) Known(_ context.Context, sum [sha256.Size]byte) (deliver.Reply, bool, error) {
	if k.ask != nil {
		<-k.ask
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	r, ok := k.known[sum]
	return r, ok, nil
}

func (k *taker) Admit(context.Context, int64, int64) error { return k.full }

func (k *taker) Take(_ context.Context, d deliver.Delivery) (deliver.Reply, error) {
	if k.wait != nil {
		<-k.wait
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.fail != nil {
		return deliver.Reply{}, k.fail
	}
	k.taken = append(k.taken, d)
	return replyTo(d.Signed.SHA256()), nil
}

// Consistency proves nothing and says what it was asked.
func (k *taker) Consistency(older, size int64) ([]trail.Hash, error) {
	return []trail.Hash{{byte(older), byte(size)}}, nil
}

func (k *taker) Extends(_ context.Context, _ string, seen [][]byte) (deliver.Extended, error) {
	x := deliver.Extended{VerifierKey: "key", Head: []byte("head")}
	if k.head != nil {
		x.Head = k.head
	}
	for _, s := range seen {
		x.Consistency, x.Instead = append(x.Consistency, []trail.Hash{{byte(len(s))}}), append(x.Instead, k.instead)
	}
	return x, k.fail
}

func (k *taker) count() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return len(k.taken)
}

// replyTo is an answer that claims to be for the record.
func replyTo(sum [sha256.Size]byte) deliver.Reply {
	leaf, err := trail.Entry{Kind: trail.KindRecord, At: time.Unix(1e9, 0), Digest: sum, Length: 1, Subject: "run", Actor: "heron"}.Marshal()
	if err != nil {
		panic(err)
	}
	return deliver.Reply{
		Receipt:   trail.Receipt{RecordSHA256: sum, Leaf: leaf, Index: 3, Size: 4, Proof: []trail.Hash{{1}, {2}}, Head: []byte("head")},
		Judgement: drift.Judgement{Standing: drift.Careful, MarkRun: "mark", At: time.Unix(1e9, 0).UTC()},
	}
}

// lab serves a taker in memory.
type lab struct {
	*taker
	conn *grpc.ClientConn
	srv  *grpc.Server
	held func() int64
}

func newLab(t testing.TB, limits deliver.Limits) *lab {
	l := &lab{taker: &taker{known: map[[sha256.Size]byte]deliver.Reply{}}}
	l.srv = grpc.NewServer(grpc.WaitForHandlers(true))
	l.held = deliver.Register(l.srv, l.taker, func() deliver.Limits { return limits })
	l.conn = labtest.Connect(t, l.srv)
	return l
}

// freed waits until nothing is held.
func (l *lab) freed(t testing.TB) {
	t.Helper()
	l.holds(t, "nothing", func(held int64) bool { return held == 0 })
}

// holds waits until as many bytes are held as should be.
func (l *lab) holds(t testing.TB, what string, right func(held int64) bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !right(l.held()); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Errorf("%d bytes are held, and not %s", l.held(), what)
			return
		}
	}
}

func rig(t testing.TB) *labtest.Rig { return labtest.NewRig("heron", labtest.Rand(t)) }

func TestSend(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits)
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	rapid.Check(t, func(t *rapid.T) {
		l.taken = nil
		run := heron.Finish(labtest.Shape{LogBytes: rapid.SampledFrom([]int{0, 10, deliver.ChunkSize - 1, deliver.ChunkSize, 3*deliver.ChunkSize + 1}).Draw(t, "log")})
		reply, err := deliver.Send(context.Background(), l.conn, run.Signed, run.Parts())
		if err != nil {
			t.Fatal(err)
		}
		want := replyTo(run.Signed.SHA256())
		if !bytes.Equal(reply.Receipt.Leaf, want.Receipt.Leaf) || reply.Receipt.Index != 3 || !slices.Equal(reply.Receipt.Proof, want.Receipt.Proof) || reply.Judgement.MarkRun != "mark" {
			t.Fatalf("%+v", reply)
		}
		if len(l.taken) != 1 {
			t.Fatalf("taken %d times", len(l.taken))
		}
		d := l.taken[0]
		if !bytes.Equal(d.Signed.Bytes, run.Signed.Bytes) || !bytes.Equal(d.Signed.Signature, run.Signed.Signature) || d.Run.ID != run.ID {
			t.Fatal("another record was taken")
		}
		for i := range run.Data {
			if !bytes.Equal(d.Parts[i], run.Data[i]) {
				t.Fatalf("attachment %d differs", i)
			}
		}
	})
	l.freed(t)
}

// TestKnown: a record that is kept is answered at its announcement.
func TestKnown(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits)
	run := rig(t).Finish(labtest.Shape{LogBytes: 8 << 20})
	l.known[run.Signed.SHA256()] = replyTo(run.Signed.SHA256())
	parts := run.Parts()
	read := 0
	for i := range parts {
		inner := parts[i].Open
		parts[i].Open = func() (io.ReadCloser, error) {
			r, err := inner()
			return counting{r, &read}, err
		}
	}
	for range 20 {
		reply, err := deliver.Send(context.Background(), l.conn, run.Signed, parts)
		if err != nil || reply.Receipt.RecordSHA256 != trail.Digest(run.Signed.SHA256()) {
			t.Fatal(err)
		}
	}
	if l.count() != 0 {
		t.Error("a known record was taken again")
	}
	if total := 20 * len(run.Data[0]); read > total/2 {
		t.Errorf("%d of %d bytes were read to be sent for nothing", read, total)
	}
	l.freed(t)
}

type counting struct {
	io.ReadCloser
	n *int
}

func (c counting) Read(b []byte) (int, error) {
	n, err := c.ReadCloser.Read(b)
	*c.n += n
	return n, err
}

// TestFilesThatChanged has the run's own files altered between record and delivery.
func TestFilesThatChanged(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits)
	heron := rig(t)
	for name, open := range labtest.InOrder(map[string]func(b []byte) (io.ReadCloser, error){
		"gone":               func([]byte) (io.ReadCloser, error) { return nil, errors.New("no such file") },
		"shorter":            func(b []byte) (io.ReadCloser, error) { return reading(b[:len(b)-1]), nil },
		"empty":              func([]byte) (io.ReadCloser, error) { return reading(nil), nil },
		"shorter by chunks":  func(b []byte) (io.ReadCloser, error) { return reading(b[:deliver.ChunkSize]), nil },
		"altered":            func(b []byte) (io.ReadCloser, error) { b = bytes.Clone(b); b[len(b)/2] ^= 1; return reading(b), nil },
		"altered at the end": func(b []byte) (io.ReadCloser, error) { b = bytes.Clone(b); b[len(b)-1] ^= 1; return reading(b), nil },
		"a disk that fails": func(b []byte) (io.ReadCloser, error) {
			return io.NopCloser(io.MultiReader(bytes.NewReader(b[:1000]), failing{})), nil
		},
		"a disk that ends so": func(b []byte) (io.ReadCloser, error) { return io.NopCloser(failing{}), nil },
	}) {
		run := heron.Finish(labtest.Shape{LogBytes: 2*deliver.ChunkSize + 100, Plain: true})
		parts := run.Parts()
		parts[0].Open = func() (io.ReadCloser, error) { return open(run.Data[0]) }
		_, err := deliver.Send(context.Background(), l.conn, run.Signed, parts)
		if !errors.Is(err, deliver.ErrFiles) || errors.Is(err, deliver.ErrRefused) || errors.Is(err, deliver.ErrUnreachable) {
			t.Errorf("%s: %v", name, err)
		}
		if err != nil && (!strings.Contains(err.Error(), parts[0].Name) || fault.HintOf(err) == "" || strings.Contains(err.Error(), "\n")) {
			t.Errorf("%s: %v, hint %q", name, err, fault.HintOf(err))
		}
	}
	run := heron.Finish(labtest.Shape{LogBytes: 1000, Plain: true})
	parts := run.Parts()
	parts[0].Open = func() (io.ReadCloser, error) { return reading(append(bytes.Clone(run.Data[0]), "more"...)), nil }
	if _, err := deliver.Send(context.Background(), l.conn, run.Signed, parts); err != nil {
		t.Errorf("a file that only grew: %v", err)
	}
	if l.count() != 1 {
		t.Errorf("%d deliveries taken", l.count())
	}
	l.freed(t)
}

func reading(b []byte) io.ReadCloser { return io.NopCloser(bytes.NewReader(b)) }

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errors.New("input/output error") }

func TestErrorsAreToldApart(t *testing.T) {
	run := rig(t).Finish(labtest.Shape{Plain: true})
	for _, c := range []struct {
		fail error
		want error
	}{
		{fmt.Errorf("%w: another record has its id", deliver.ErrRefused), deliver.ErrRefused},
		{errors.New("no space left on device"), deliver.ErrUnreachable},
		{status.Error(codes.PermissionDenied, "no"), deliver.ErrRefused},
		{status.Error(codes.Internal, "a fault of its own"), deliver.ErrUnreachable},
		{status.Error(codes.ResourceExhausted, "later"), deliver.ErrUnreachable},
	} {
		l := newLab(t, deliver.DefaultLimits)
		l.fail = c.fail
		_, err := deliver.Send(context.Background(), l.conn, run.Signed, run.Parts())
		if !errors.Is(err, c.want) || fault.HintOf(err) == "" || strings.Contains(err.Error(), "\n") {
			t.Errorf("%v: %v", c.fail, err)
		}
		l.freed(t)
	}
	conn, err := grpc.NewClient("127.0.0.1:1", grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := deliver.Send(context.Background(), conn, run.Signed, run.Parts()); !errors.Is(err, deliver.ErrUnreachable) {
		t.Errorf("nobody there: %v", err)
	}
	other := newLab(t, deliver.DefaultLimits)
	other.known[run.Signed.SHA256()] = replyTo([sha256.Size]byte{1})
	if _, err := deliver.Send(context.Background(), other.conn, run.Signed, run.Parts()); !errors.Is(err, deliver.ErrUnreachable) || !strings.Contains(err.Error(), "another record") {
		t.Errorf("receipt for another record: %v", err)
	}
	odd := replyTo([sha256.Size]byte{1}) // the claim beside the leaf is right, the leaf is not
	odd.Receipt.RecordSHA256 = run.Signed.SHA256()
	other.known[run.Signed.SHA256()] = odd
	if _, err := deliver.Send(context.Background(), other.conn, run.Signed, run.Parts()); !errors.Is(err, deliver.ErrUnreachable) {
		t.Errorf("leaf of another record: %v", err)
	}
}

func TestSendEndsWithItsContext(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits)
	l.wait = make(chan struct{})
	defer close(l.wait)
	run := rig(t).Finish(labtest.Shape{Plain: true})
	ctx, cancel := context.WithCancelCause(context.Background())
	stop := errors.New("the operator stopped it")
	time.AfterFunc(30*time.Millisecond, func() { cancel(stop) })
	if _, err := deliver.Send(ctx, l.conn, run.Signed, run.Parts()); !errors.Is(err, deliver.ErrUnreachable) || !errors.Is(err, stop) {
		t.Errorf("%v", err)
	}
	late, cancel2 := context.WithTimeout(context.Background(), 30*time.Millisecond)
	defer cancel2()
	if _, err := deliver.Send(late, l.conn, run.Signed, run.Parts()); !errors.Is(err, deliver.ErrUnreachable) || !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v", err)
	}
}
