package deliver

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// chunkSize is the most bytes that one message carries.
const chunkSize = 128 << 10

// Part is an attachment on its way. Open may be called once for each try.
type Part struct {
	record.Attachment
	Open func() (io.ReadCloser, error)
}

// Reply is what the collector gives for a kept record.
type Reply struct {
	Receipt   trail.Receipt
	Judgement drift.Judgement
}

// ErrRefused is returned when the collector will not take the record, now or
// later; sending it again is of no use.
var ErrRefused = errors.New("the collector refused it")

// ErrUnreachable is returned when the collector could not be reached or could
// not take the record now; it is worth trying again.
var ErrUnreachable = errors.New("the collector could not take it now")

// ErrFewer is returned when the collector's trail has fewer entries than were seen of
// it. It is an ErrUnreachable: once the trail is what it was, the record is taken.
var ErrFewer = fmt.Errorf("%w: its trail was put back", ErrUnreachable)

// ErrFiles is returned when an attachment cannot be read or is not what the
// record binds any more; no collector would take it.
var ErrFiles = errors.New("the run's files are not what was recorded")

// Option says more of a delivery.
type Option func(*pb.Announcement)

// Seen asks that the receipt lead from the trail of that many entries, which was
// seen before, and that nothing be kept in one with fewer; 0 asks for nothing.
func Seen(size int64) Option { return func(a *pb.Announcement) { a.SeenSize = size } }

// Send delivers one record and waits for its receipt, whose claim about the
// record it checks. An error is one of ErrRefused, ErrUnreachable and ErrFiles;
// when ctx has ended it is ErrUnreachable with ctx's cause.
func Send(ctx context.Context, conn grpc.ClientConnInterface, s record.Signed, parts []Part, opts ...Option) (Reply, error) {
	trying, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := pb.NewDeliveryServiceClient(conn).Deliver(trying, unrepeated)
	if err == nil {
		err = transmit(stream, announce(s, parts, opts), s, parts)
	}
	switch {
	case errors.Is(err, ErrFiles):
		return Reply{}, err
	case err != nil && err != io.EOF: // EOF: the answer came early
		return Reply{}, explain(ctx, err)
	}
	m, err := stream.CloseAndRecv()
	if err != nil {
		return Reply{}, explain(ctx, err)
	}
	return replyOf(m, s)
}

// unrepeated keeps gRPC from beginning a delivery anew over another connection by
// itself. It does so also after it has ended the sending with io.EOF, and the collector
// then gets a stream that ends in the middle, which it refuses for good.
var unrepeated = grpc.MaxRetryRPCBufferSize(0)

func replyOf(m *pb.DeliverResponse, s record.Signed) (Reply, error) {
	var r Reply
	var err error
	if r.Receipt, err = record.ReceiptOf(m.GetReceipt()); err == nil {
		r.Judgement, err = record.JudgementOf(m.GetJudgement())
	}
	if err == nil {
		err = about(r.Receipt, trail.Digest(s.SHA256()))
	}
	if err != nil {
		return Reply{}, fault.New("deliver", "", fmt.Errorf("%w: its answer is not one: %w", ErrUnreachable, err))
	}
	return r, nil
}

// about says whether a receipt claims to be for the record. Whether the claim
// is true takes the collector's key.
func about(r trail.Receipt, sum trail.Digest) error {
	e, err := trail.ParseEntry(r.Leaf)
	if err == nil && len(r.Head) > mostNote {
		err = fmt.Errorf("its head has %d bytes", len(r.Head))
	}
	if err == nil && (r.RecordSHA256 != sum || e.Digest != sum || e.Kind != trail.KindRecord) {
		err = errors.New("the receipt is for another record")
	}
	return err
}

type sending = grpc.ClientStreamingClient[pb.DeliverRequest, pb.DeliverResponse]

func announce(s record.Signed, parts []Part, opts []Option) *pb.Announcement {
	sum := s.SHA256()
	a := &pb.Announcement{RecordSha256: sum[:], RecordSize: uint64(len(s.Bytes)), PublicKey: s.PublicKey, Signature: s.Signature}
	for _, p := range parts {
		a.Parts = append(a.Parts, &pb.AnnouncedPart{Name: p.Name, Size: uint64(p.Size), Sha256: p.SHA256[:]})
	}
	for _, o := range opts {
		o(a)
	}
	return a
}

func transmit(stream sending, a *pb.Announcement, s record.Signed, parts []Part) error {
	if err := stream.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Announcement{Announcement: a}}); err != nil {
		return err
	}
	for b := s.Bytes; len(b) > 0; b = b[min(chunkSize, len(b)):] {
		if err := sendChunk(stream, b[:min(chunkSize, len(b))]); err != nil {
			return err
		}
	}
	buf := make([]byte, chunkSize)
	for _, p := range parts {
		if err := transmitPart(stream, p, buf); err != nil {
			return err
		}
	}
	return nil
}

// transmitPart holds the last chunk back until the whole is what was recorded,
// so that a file that changed is told of by its owner and not by the collector.
func transmitPart(stream sending, p Part, buf []byte) error {
	r, err := p.Open()
	if err != nil {
		return changed(p, err)
	}
	defer r.Close()
	h := sha256.New()
	for left := p.Size; ; {
		b := buf[:min(int64(len(buf)), left)]
		if _, err := io.ReadFull(r, b); err != nil {
			return changed(p, fmt.Errorf("it is shorter than when it was recorded, or cannot be read: %v", err))
		}
		h.Write(b)
		if left -= int64(len(b)); left == 0 && [sha256.Size]byte(h.Sum(nil)) != p.SHA256 {
			return changed(p, errors.New("its SHA-256 is another than when it was recorded"))
		}
		if len(b) > 0 {
			if err := sendChunk(stream, b); err != nil {
				return err
			}
		}
		if left == 0 {
			return nil
		}
	}
}

func changed(p Part, why error) error {
	return fault.New("deliver", p.Name, fmt.Errorf("%w: %w", ErrFiles, why)).
		WithHint("the run stays in the spool; if its files can be restored it can be delivered yet")
}

func sendChunk(stream sending, b []byte) error {
	return stream.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Chunk{Chunk: &pb.Chunk{Data: b}}})
}

// explain turns what gRPC says of a delivery into one line for a person.
func explain(ctx context.Context, err error) error {
	said, why := meaning(ctx, err)
	if said == "" {
		return fault.New("deliver", "", why)
	}
	f := fault.New("deliver", "", fmt.Errorf("%w: %s", why, said))
	switch {
	case status.Code(err) == codes.PermissionDenied:
		return f.WithHint("the run stays in the spool; have the collector's keeper look whether this rig's key is a member's, and if not enrol it anew: agent enroll")
	case why == ErrRefused:
		return f.WithHint("the run stays in the spool; see it with: agent spool")
	}
	return f.WithHint("the run stays in the spool and is sent with the next run, or by: agent spool send")
}

// meaning gives one of the package's errors for what gRPC says, and its words in
// one line; none when ctx has ended, whose cause the error has then.
func meaning(ctx context.Context, err error) (said string, why error) {
	// The collector knows the deadline too, and may be the first to notice it.
	if end, ok := ctx.Deadline(); ok && time.Until(end) < 50*time.Millisecond {
		<-ctx.Done()
	}
	if ctx.Err() != nil {
		return "", fmt.Errorf("%w: %w", ErrUnreachable, context.Cause(ctx))
	}
	st := status.Convert(err)
	switch st.Code() {
	case codes.InvalidArgument, codes.FailedPrecondition, codes.AlreadyExists, codes.PermissionDenied, codes.OutOfRange, codes.Unimplemented:
		return st.Message(), ErrRefused
	case fewer:
		return st.Message(), ErrFewer
	}
	return fault.Network(st.Message()), ErrUnreachable
}
