package deliver

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
	pb "witnessmark/proto/witnessmark/v1"
)

// Delivery is a record that has come whole: its signature holds, it decodes, and
// every attachment has the size and hash that the record says.
type Delivery struct {
	Signed record.Signed
	Run    *record.Run
	Parts  [][]byte // in the order of Run.Attachments
}

// Taker keeps deliveries.
type Taker interface {
	// Admits refuses who calls to bring what that key has signed. It is asked
	// before anything of a record is taken in.
	Admits(ctx context.Context, key ed25519.PublicKey) error
	// Known returns the reply that the record with this hash was given before.
	Known(ctx context.Context, sum [sha256.Size]byte) (Reply, bool, error)
	// Admit says why a record of that size, with its attachments, cannot be kept
	// now, before any of it is sent; nil when it can. Seen is how many entries of the
	// trail the rig has seen: into one with fewer nothing of its is taken.
	Admit(ctx context.Context, size, seen int64) error
	// Take keeps the delivery and returns after its commit. An error that wraps
	// ErrRefused tells the rig not to try again.
	Take(ctx context.Context, d Delivery) (Reply, error)
	Prover
}

// Limits bound what one delivery and all deliveries together may take.
type Limits struct {
	Record   int64         // bytes of a record
	Parts    int64         // bytes of all attachments of a record
	Count    int           // attachments of a record
	InFlight int64         // bytes held for deliveries that are not yet kept
	Quiet    time.Duration // how long a stream may be silent, and behind the least rate
	Rate     int64         // the least rate, bytes a second; see Pace
	Clock    Clock         // nil for the machine's own
}

// DefaultLimits suit a collector with a few hundred megabytes to spare. The rate
// lets 50 rigs share a line of 4 Mbit/s.
var DefaultLimits = Limits{Record: 64 << 20, Parts: 256 << 20, Count: 64, InFlight: 512 << 20, Quiet: time.Minute, Rate: 8 << 10}

// Of chunks so many are taken, and one more for each so many bytes announced: each
// costs the collector something, however small it is.
const (
	mostChunks = 1024
	leastChunk = 1024
)

// ServiceName is the full name of the delivery service.
var ServiceName = pb.DeliveryService_ServiceDesc.ServiceName

// Register adds the delivery service to a gRPC server. A delivery is held to the
// limits as they are when it begins. It gives what tells how many bytes are held
// for deliveries that are under way.
func Register(s grpc.ServiceRegistrar, t Taker, l func() Limits) (held func() int64) {
	srv := newServer(t, l)
	pb.RegisterDeliveryServiceServer(s, srv)
	return srv.held.bytes
}

// decoders is how many records are decoded at once: signals unfold to far more
// than came over the wire, and what that will be is only known afterwards.
const decoders = 2

func newServer(t Taker, l func() Limits) *server {
	return &server{taker: t, limits: l, decoding: make(chan struct{}, decoders)}
}

type server struct {
	pb.UnimplementedDeliveryServiceServer
	taker    Taker
	limits   func() Limits
	held     holding // bytes of unfinished deliveries
	decoding chan struct{}
}

type stream = grpc.ClientStreamingServer[pb.DeliverRequest, pb.DeliverResponse]

func (s *server) Deliver(st stream) error {
	limits := s.limits()
	in := receive(st, limits)
	first, err := in.next()
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	a := first.GetAnnouncement()
	if err := admit(a, limits); err != nil {
		return err
	}
	if err := s.taker.Admits(st.Context(), a.GetPublicKey()); err != nil {
		return statusOf(err)
	}
	reply, ok, err := s.taker.Known(st.Context(), [sha256.Size]byte(a.GetRecordSha256()))
	if err != nil {
		return statusOf(err)
	}
	if !ok {
		if err := s.taker.Admit(st.Context(), announced(a), a.GetSeenSize()); err != nil {
			return statusOf(err)
		}
		if reply, err = s.take(st.Context(), a, in, limits); err != nil {
			return err
		}
	}
	if err := s.lead(a.GetSeenSize(), &reply.Receipt); err != nil {
		return statusOf(err)
	}
	return st.SendAndClose(&pb.DeliverResponse{Receipt: record.ReceiptProto(reply.Receipt), Judgement: record.JudgementProto(reply.Judgement)})
}

// admit refuses an announcement that cannot be taken, before any byte of it is.
func admit(a *pb.Announcement, limits Limits) error {
	if a == nil {
		return Refuse(Malformed, codes.InvalidArgument, "the stream does not begin with an announcement")
	}
	if len(a.GetRecordSha256()) != sha256.Size {
		return Refuse(Malformed, codes.InvalidArgument, "the announcement has no SHA-256 of the record")
	}
	if n := a.GetRecordSize(); n == 0 || n > uint64(limits.Record) {
		return Refuse(TooLarge, codes.InvalidArgument, "a record of %d bytes is announced; 1 to %d are taken", n, limits.Record)
	}
	if n := a.GetSeenSize(); n < 0 || n > trail.MaxSize {
		return Refuse(Malformed, codes.InvalidArgument, "a trail of %d entries is said to be seen", n)
	}
	if n := len(a.GetParts()); n > limits.Count {
		return Refuse(TooLarge, codes.InvalidArgument, "%d attachments are announced; %d are taken", n, limits.Count)
	}
	var sum uint64
	for _, p := range a.GetParts() {
		if len(p.GetSha256()) != sha256.Size {
			return Refuse(Malformed, codes.InvalidArgument, "attachment %q is announced without its SHA-256", p.GetName())
		}
		if n := p.GetSize(); n > uint64(limits.Parts) || sum+n > uint64(limits.Parts) {
			return Refuse(TooLarge, codes.InvalidArgument, "attachments of %d bytes or more are announced; %d are taken", sum+n, limits.Parts)
		}
		sum += p.GetSize()
	}
	return nil
}

// announced is how many bytes are to come, by an announcement that was admitted.
func announced(a *pb.Announcement) int64 {
	n := a.GetRecordSize()
	for _, p := range a.GetParts() {
		n += p.GetSize()
	}
	return int64(n)
}

func (s *server) take(ctx context.Context, a *pb.Announcement, in *inbox, limits Limits) (Reply, error) {
	p, _ := trust.PeerOf(ctx)
	r := reader{in: in, held: &s.held, who: p.Member, limits: limits, mostChunks: mostChunks + announced(a)/leastChunk}
	defer r.release()
	d := Delivery{Signed: record.Signed{PublicKey: a.GetPublicKey(), Signature: a.GetSignature()}}
	var err error
	if d.Signed.Bytes, err = r.part("the record", a.GetRecordSize(), a.GetRecordSha256()); err != nil {
		return Reply{}, err
	}
	if err := d.Signed.Verify(); err != nil {
		return Reply{}, Refuse(Unsigned, codes.InvalidArgument, "%v", err)
	}
	for _, p := range a.GetParts() {
		b, err := r.part(fmt.Sprintf("attachment %q", p.GetName()), p.GetSize(), p.GetSha256())
		if err != nil {
			return Reply{}, err
		}
		d.Parts = append(d.Parts, b)
	}
	if err := r.end(); err != nil {
		return Reply{}, err
	}
	if d.Run, err = s.decode(ctx, d.Signed.Bytes, &r); err != nil {
		return Reply{}, err
	}
	if err := sameParts(d.Run.Attachments, a.GetParts()); err != nil {
		return Reply{}, err
	}
	reply, err := s.taker.Take(ctx, d)
	return reply, statusOf(err)
}

// decode comes last, so that no unfolded record waits for a slow rig.
func (s *server) decode(ctx context.Context, b []byte, r *reader) (*record.Run, error) {
	select {
	case s.decoding <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-s.decoding }()
	run, err := record.Decode(b)
	if err != nil {
		return nil, Refuse(NoRecord, codes.InvalidArgument, "%v", err)
	}
	var samples int64
	for _, sig := range run.Signals {
		samples += int64(len(sig.Values))
	}
	return run, r.hold(16*samples, s.held.unfold)
}

func sameParts(as []record.Attachment, ps []*pb.AnnouncedPart) error {
	if len(as) != len(ps) {
		return Refuse(Mismatch, codes.InvalidArgument, "the record has %d attachments and %d are announced", len(as), len(ps))
	}
	for i, a := range as {
		if p := ps[i]; a.Name != p.GetName() || uint64(a.Size) != p.GetSize() || !bytes.Equal(a.SHA256[:], p.GetSha256()) {
			return Refuse(Mismatch, codes.InvalidArgument, "attachment %q is announced otherwise than the record has it", p.GetName())
		}
	}
	return nil
}

// reader joins chunks into parts and counts what it holds against the bound.
type reader struct {
	in   *inbox
	rest []byte // of the last chunk
	held *holding
	who  trust.Member
	mine int64

	limits             Limits
	chunks, mostChunks int64
}

func (r *reader) part(what string, size uint64, sum []byte) ([]byte, error) {
	var b []byte
	h := sha256.New()
	for uint64(len(b)) < size {
		if len(r.rest) == 0 {
			if err := r.more(what); err != nil {
				return nil, err
			}
		}
		n := int(min(uint64(len(r.rest)), size-uint64(len(b))))
		b = join(b, r.rest[:n], size)
		h.Write(r.rest[:n])
		r.rest = r.rest[n:]
	}
	return b, matches(h, sum, what)
}

// join appends, and makes room for at most twice what has come and never for
// more than is to come.
func join(b, more []byte, size uint64) []byte {
	if need := len(b) + len(more); need > cap(b) {
		grown := make([]byte, len(b), max(uint64(need), min(size, 2*uint64(need))))
		copy(grown, b)
		b = grown
	}
	return append(b, more...)
}

func matches(h hash.Hash, sum []byte, what string) error {
	if !bytes.Equal(h.Sum(nil), sum) {
		return Refuse(Mismatch, codes.InvalidArgument, "%s does not have the SHA-256 that was announced", what)
	}
	return nil
}

func (r *reader) more(what string) error {
	m, err := r.in.next()
	if errors.Is(err, io.EOF) {
		return Refuse(Malformed, codes.InvalidArgument, "the stream ends within %s", what)
	}
	if err != nil {
		return err
	}
	c := m.GetChunk()
	switch {
	case m.GetAnnouncement() != nil:
		return Refuse(Malformed, codes.InvalidArgument, "a second announcement came within one stream")
	case c == nil:
		return Refuse(Malformed, codes.InvalidArgument, "a message came that is no chunk")
	}
	if r.chunks++; r.chunks > r.mostChunks {
		return Refuse(Malformed, codes.InvalidArgument, "%d bytes came in more than %d chunks", r.mine, r.mostChunks)
	}
	n := int64(len(c.GetData()))
	if n == 0 || n > chunkSize {
		return Refuse(Malformed, codes.InvalidArgument, "a chunk of %d bytes came; 1 to %d are taken", n, chunkSize)
	}
	if err := r.hold(n, r.held.take); err != nil {
		return err
	}
	r.rest = c.GetData()
	return nil
}

// hold counts n bytes more until release.
func (r *reader) hold(n int64, count func(trust.Member, int64, Limits) bool) error {
	if !count(r.who, n, r.limits) {
		return Refuse(Busy, codes.Unavailable, "too much is being delivered at once")
	}
	r.mine += n
	return nil
}

// end wants nothing more to come.
func (r *reader) end() error {
	if len(r.rest) > 0 {
		return Refuse(Malformed, codes.InvalidArgument, "more bytes came than were announced")
	}
	if _, err := r.in.next(); !errors.Is(err, io.EOF) {
		if err == nil {
			err = Refuse(Malformed, codes.InvalidArgument, "more bytes came than were announced")
		}
		return err
	}
	return nil
}

func (r *reader) release() { r.held.give(r.who, r.mine) }

// inbox receives in the background so that silence can be noticed.
type inbox struct {
	messages chan *pb.DeliverRequest
	failed   chan error
	pace     Pace
	clock    Clock
}

func receive(st stream, l Limits) *inbox {
	in := &inbox{messages: make(chan *pb.DeliverRequest), failed: make(chan error, 1), pace: Pace{Window: l.Quiet, Rate: l.Rate}, clock: l.Clock}
	if in.clock == nil {
		in.clock = WallClock{}
	}
	go func() {
		for {
			m, err := st.Recv()
			if err != nil {
				in.failed <- err
				return
			}
			select {
			case in.messages <- m:
			case <-st.Context().Done(): // the rig hung up, or the handler has returned
				in.failed <- status.FromContextError(st.Context().Err()).Err()
				return
			}
		}
	}()
	return in
}

func (in *inbox) next() (*pb.DeliverRequest, error) {
	began := in.clock.Now()
	due, stop := in.clock.Timer(in.pace.Left())
	defer stop()
	select {
	case m := <-in.messages:
		in.pace.Came(len(m.GetChunk().GetData()), in.clock.Now().Sub(began))
		return m, nil
	case err := <-in.failed:
		return nil, err
	case <-due:
		return nil, Refuse(TooSlow, codes.DeadlineExceeded, "%s", in.pace.Short())
	}
}
