package deliver_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"io"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	pb "witnessmark/proto/witnessmark/v1"
)

// script is a stream as a rig, or somebody else, might send it.
type script []*pb.DeliverRequest

func announce(run labtest.Run) *pb.Announcement {
	sum := run.Signed.SHA256()
	a := &pb.Announcement{RecordSha256: sum[:], RecordSize: uint64(len(run.Signed.Bytes)), PublicKey: run.Signed.PublicKey, Signature: run.Signed.Signature}
	for _, p := range run.Attachments {
		a.Parts = append(a.Parts, &pb.AnnouncedPart{Name: p.Name, Size: uint64(p.Size), Sha256: bytes.Clone(p.SHA256[:])})
	}
	return a
}

func announcement(a *pb.Announcement) *pb.DeliverRequest {
	return &pb.DeliverRequest{Message: &pb.DeliverRequest_Announcement{Announcement: a}}
}

func chunk(b []byte) *pb.DeliverRequest {
	return &pb.DeliverRequest{Message: &pb.DeliverRequest_Chunk{Chunk: &pb.Chunk{Data: b}}}
}

// proper is the right stream for a run, in chunks of at most size bytes.
func proper(run labtest.Run, size int) script {
	s := script{announcement(announce(run))}
	for _, b := range append([][]byte{run.Signed.Bytes}, run.Data...) {
		for ; len(b) > 0; b = b[min(size, len(b)):] {
			s = append(s, chunk(b[:min(size, len(b))]))
		}
	}
	return s
}

// play sends the script, closes and waits for the answer.
func (l *lab) play(s script) (*pb.DeliverResponse, error) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	st, err := pb.NewDeliveryServiceClient(l.conn).Deliver(ctx)
	if err != nil {
		return nil, err
	}
	for _, m := range s {
		if err := st.Send(m); err != nil {
			break // the answer came early
		}
	}
	return st.CloseAndRecv()
}

func TestRefusals(t *testing.T) {
	limits := deliver.Limits{Record: 1 << 20, Parts: 4 << 20, Count: 3, InFlight: 64 << 20, Quiet: 5 * time.Minute}
	l := newLab(t, limits)
	heron := rig(t)
	with := func(change func(labtest.Run, *pb.Announcement)) func(labtest.Run) script {
		return func(run labtest.Run) script {
			s := proper(run, 1000)
			change(run, s[0].GetAnnouncement())
			return s
		}
	}
	for name, c := range labtest.InOrder(map[string]struct {
		script func(labtest.Run) script
		says   string
	}{
		"nothing at all":     {func(labtest.Run) script { return nil }, "announcement"},
		"empty message":      {func(labtest.Run) script { return script{{}} }, "announcement"},
		"chunk first":        {func(r labtest.Run) script { return proper(r, 1000)[1:] }, "announcement"},
		"announcement alone": {func(r labtest.Run) script { return proper(r, 1000)[:1] }, "ends within the record"},
		"short by a chunk":   {func(r labtest.Run) script { s := proper(r, 1000); return s[:len(s)-1] }, "ends within attachment"},
		"a chunk more":       {func(r labtest.Run) script { return append(proper(r, 1000), chunk([]byte("x"))) }, "more bytes"},
		"a byte more": {func(r labtest.Run) script {
			s := proper(r, 1000)
			c := s[len(s)-1].GetChunk()
			c.Data = append(bytes.Clone(c.Data), 0)
			return s
		}, "more bytes"},
		"announced twice":      {func(r labtest.Run) script { s := proper(r, 1000); return append(script{s[0]}, s...) }, "second announcement"},
		"announced at the end": {func(r labtest.Run) script { s := proper(r, 1000); return append(s, s[0]) }, "more"},
		"an empty chunk":       {func(r labtest.Run) script { s := proper(r, 1000); return append(script{s[0], chunk(nil)}, s[1:]...) }, "chunk of 0 bytes"},
		"a huge chunk": {func(r labtest.Run) script {
			return script{proper(r, 1000)[0], chunk(make([]byte, deliver.ChunkSize+1))}
		}, "chunk of 131073 bytes"},
		"bytes in another order": {func(r labtest.Run) script { s := proper(r, 1000); s[1], s[len(s)-2] = s[len(s)-2], s[1]; return s }, "SHA-256"},
		"another record":         {with(func(_ labtest.Run, a *pb.Announcement) { a.RecordSha256[0] ^= 1 }), "the record does not have the SHA-256"},
		"no hash":                {with(func(_ labtest.Run, a *pb.Announcement) { a.RecordSha256 = nil }), "no SHA-256"},
		"another signature":      {with(func(_ labtest.Run, a *pb.Announcement) { a.Signature = bytes.Repeat([]byte{1}, 64) }), "signature"},
		"no key":                 {with(func(_ labtest.Run, a *pb.Announcement) { a.PublicKey = nil }), "signature"},
		"no record":              {with(func(_ labtest.Run, a *pb.Announcement) { a.RecordSize = 0 }), "a record of 0 bytes"},
		"record above the limit": {with(func(_ labtest.Run, a *pb.Announcement) { a.RecordSize = 1<<20 + 1 }), "1 to 1048576"},
		"10 GiB":                 {with(func(_ labtest.Run, a *pb.Announcement) { a.RecordSize = 10 << 30 }), "a record of 10737418240 bytes"},
		"attachment of 10 GiB":   {with(func(_ labtest.Run, a *pb.Announcement) { a.Parts[0].Size = 10 << 30 }), "4194304 are taken"},
		"sizes that wrap around": {with(func(_ labtest.Run, a *pb.Announcement) {
			a.Parts[0].Size = 1
			a.Parts = append(a.Parts, &pb.AnnouncedPart{Size: math.MaxUint64, Sha256: make([]byte, 32)})
		}), "are taken"},
		"too many attachments": {with(func(_ labtest.Run, a *pb.Announcement) {
			a.Parts = []*pb.AnnouncedPart{a.Parts[0], a.Parts[0], a.Parts[0], a.Parts[0]}
		}), "4 attachments"},
		"attachment unhashed": {with(func(_ labtest.Run, a *pb.Announcement) { a.Parts[0].Sha256 = nil }), "without its SHA-256"},
		"attachment renamed":  {with(func(_ labtest.Run, a *pb.Announcement) { a.Parts[0].Name = "other" }), "otherwise than the record"},
		"attachment left out": {func(r labtest.Run) script {
			s := script{announcement(announce(r))}
			s[0].GetAnnouncement().Parts = nil
			return append(s, chunk(r.Signed.Bytes))
		}, "0 are announced"},
		"attachment altered": {func(r labtest.Run) script {
			b := bytes.Clone(r.Data[0])
			b[0] ^= 1
			r.Data = [][]byte{b}
			return proper(r, 1000)
		}, "does not have the SHA-256"},
		"attachment and hash altered": {func(r labtest.Run) script {
			b := bytes.Clone(r.Data[0])
			b[0] ^= 1
			sum := sha256.Sum256(b)
			r.Data = [][]byte{b}
			s := proper(r, 1000)
			s[0].GetAnnouncement().Parts[0].Sha256 = sum[:]
			return s
		}, "otherwise than the record"},
		"not a record": {func(r labtest.Run) script {
			r.Signed = record.Sign([]byte("a letter to the collector"), heron.Key)
			return proper(r, 1000)
		}, "decode record"},
	}) {
		run := heron.Finish(labtest.Shape{LogBytes: 5000})
		run.Data, run.Run.Attachments = run.Data[:1], run.Run.Attachments[:1]
		run = heron.Sign(run.Run, run.Data)
		_, err := l.play(c.script(run))
		st := status.Convert(err)
		if st.Code() != codes.InvalidArgument || !strings.Contains(st.Message(), c.says) || strings.Contains(st.Message(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
		if l.count() != 0 {
			t.Fatalf("%s: taken", name)
		}
		l.freed(t)
	}
}

// TestStreams changes proper streams at random: what is taken is what was
// signed, however it is cut into chunks, and nothing else ever is.
func TestStreams(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits)
	heron := rig(t)
	rapid.Check(t, func(t *rapid.T) {
		l.taken = nil
		run := heron.Finish(labtest.Shape{LogBytes: rapid.IntRange(1, 4000).Draw(t, "log")})
		s := proper(run, rapid.SampledFrom([]int{100, 1777, 100_000}).Draw(t, "chunk"))
		i := rapid.IntRange(0, len(s)-1).Draw(t, "at")
		j := rapid.IntRange(0, len(s)-1).Draw(t, "other")
		right := false
		switch rapid.SampledFrom([]string{"proper", "drop", "again", "swap", "flip", "cut"}).Draw(t, "change") {
		case "proper":
			right = true
		case "drop":
			s = append(s[:i:i], s[i+1:]...)
		case "again":
			s = append(s[:i+1:i+1], s[i:]...)
		case "swap":
			right = i == j || i > 0 && j > 0 && bytes.Equal(s[i].GetChunk().Data, s[j].GetChunk().Data)
			s[i], s[j] = s[j], s[i]
		case "flip":
			if c := s[i].GetChunk(); c != nil {
				c.Data = bytes.Clone(c.Data)
				c.Data[rapid.IntRange(0, len(c.Data)-1).Draw(t, "byte")] ^= 0x20
			} else {
				s[i].GetAnnouncement().RecordSha256[5] ^= 0x20
			}
		case "cut":
			s = s[:i]
		}
		_, err := l.play(s)
		if right != (err == nil) || right != (l.count() == 1) {
			t.Fatalf("right %v, taken %d, %v", right, l.count(), err)
		}
		if !right && status.Code(err) != codes.InvalidArgument {
			t.Fatal(err)
		}
	})
	l.freed(t)
}

func TestSilence(t *testing.T) {
	limits := deliver.DefaultLimits
	limits.Quiet, limits.Rate = 40*time.Millisecond, 0 // a busy machine is slow before it is silent
	l := newLab(t, limits)
	run := rig(t).Finish(labtest.Shape{LogBytes: 5000})
	s := proper(run, 1000)
	for _, sent := range []int{0, 1, 2, len(s) - 1, len(s)} { // the last one leaves the stream open
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
		st, err := pb.NewDeliveryServiceClient(l.conn).Deliver(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range s[:sent] {
			if err := st.Send(m); err != nil {
				break // a slow machine was silent before
			}
		}
		if err := st.RecvMsg(&pb.DeliverResponse{}); status.Code(err) != codes.DeadlineExceeded || !strings.Contains(err.Error(), "nothing came for 40ms") {
			t.Errorf("after %d messages: %v", sent, err)
		}
		cancel()
	}
	if l.count() != 0 {
		t.Error("taken")
	}
	l.freed(t)
}

// TestInFlight has more under way than may be held: some are put off, none is
// lost, and what was held is given back.
func TestInFlight(t *testing.T) {
	limits := deliver.DefaultLimits
	limits.InFlight = 3 << 20
	l := newLab(t, limits)
	l.wait = make(chan struct{})
	r := labtest.Rand(t)
	const rigs = 8
	var wg sync.WaitGroup
	results := make(chan error, rigs)
	var runs []labtest.Run
	for range rigs {
		run := labtest.NewRig("heron", r).Finish(labtest.Shape{LogBytes: 1 << 20, Plain: true})
		runs = append(runs, run)
		wg.Go(func() {
			_, err := l.play(proper(run, 64<<10))
			results <- err
		})
	}
	put := <-results // with all waiting in Take, only a refusal can come back
	if status.Code(put) != codes.Unavailable || !strings.Contains(put.Error(), "too much") {
		t.Fatal(put)
	}
	l.holds(t, "what one of them brings", func(held int64) bool { return held >= 1<<20 })
	if held := l.held(); held > limits.InFlight+rigs*deliver.ChunkSize {
		t.Errorf("%d bytes held of %d", held, limits.InFlight)
	}
	close(l.wait)
	wg.Wait()
	l.freed(t)
	for _, run := range runs {
		if _, err := l.play(proper(run, 64<<10)); err != nil {
			t.Errorf("again, alone: %v", err)
		}
	}
	l.freed(t)
}

// TestHangUp has rigs that go away at any message.
func TestHangUp(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits)
	run := rig(t).Finish(labtest.Shape{LogBytes: 5000})
	s := proper(run, 1000)
	for sent := range s {
		ctx, cancel := context.WithCancel(context.Background())
		st, err := pb.NewDeliveryServiceClient(l.conn).Deliver(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range s[:sent] {
			st.Send(m)
		}
		cancel()
		if _, err := st.CloseAndRecv(); err == nil || err == io.EOF {
			t.Errorf("%v", err)
		}
	}
	l.freed(t)
	if l.count() != 0 {
		t.Error("taken")
	}
}

// TestHangUpUnnoticed has the rig go away while the collector looks elsewhere,
// with a chunk received that nobody has asked for yet.
func TestHangUpUnnoticed(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits) // whose longest silence is a minute
	l.ask = make(chan struct{})
	run := rig(t).Finish(labtest.Shape{LogBytes: 5000})
	ctx, cancel := context.WithCancel(context.Background())
	st, err := pb.NewDeliveryServiceClient(l.conn).Deliver(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range proper(run, 1000)[:3] {
		if err := st.Send(m); err != nil {
			t.Fatal(err)
		}
	}
	time.Sleep(50 * time.Millisecond)
	cancel()
	time.Sleep(50 * time.Millisecond)
	close(l.ask)
	time.Sleep(50 * time.Millisecond)
	l.freed(t)
	done := make(chan struct{})
	go func() { l.srv.GracefulStop(); close(done) }()
	select {
	case <-done:
	case <-time.After(5 * time.Minute):
		t.Error("the call goes on after its rig has hung up")
	}
}

// TestJoinHoldsWhatCame: a part's memory follows its bytes, not its announcement.
func TestJoinHoldsWhatCame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.IntRange(1, 1<<20).Draw(t, "announced")
		var b, want []byte
		for len(b) < size {
			more := make([]byte, min(size-len(b), rapid.IntRange(1, deliver.ChunkSize).Draw(t, "chunk")))
			more[0] = byte(len(b))
			b, want = deliver.Join(b, more, uint64(size)), append(want, more...)
			if cap(b) > size || cap(b) > 2*len(b) && cap(b) > 2*deliver.ChunkSize {
				t.Fatalf("room for %d with %d of %d come", cap(b), len(b), size)
			}
		}
		if !bytes.Equal(b, want) {
			t.Fatal("joined otherwise")
		}
	})
}
