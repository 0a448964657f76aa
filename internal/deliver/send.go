package deliver

import (
	"context"
	"errors"
	"fmt"
	"io"

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

// Send delivers one record and waits for its receipt, whose claim about the
// record it checks. An error is ErrRefused or ErrUnreachable, or the context's.
func Send(ctx context.Context, conn grpc.ClientConnInterface, s record.Signed, parts []Part) (Reply, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := pb.NewDeliveryServiceClient(conn).Deliver(ctx)
	if err != nil {
		return Reply{}, explain(err)
	}
	err = transmit(stream, s, parts)
	if err != nil && !errors.Is(err, io.EOF) { // EOF: the answer came early
		return Reply{}, err
	}
	m, err := stream.CloseAndRecv()
	if err != nil {
		return Reply{}, explain(err)
	}
	return replyOf(m, s)
}

func replyOf(m *pb.DeliverResponse, s record.Signed) (Reply, error) {
	var r Reply
	var err error
	if r.Receipt, err = record.ReceiptOf(m.GetReceipt()); err == nil {
		r.Judgement, err = record.JudgementOf(m.GetJudgement())
	}
	if err == nil && r.Receipt.RecordSHA256 != trail.Digest(s.SHA256()) {
		err = errors.New("the receipt is for another record")
	}
	if err != nil {
		return Reply{}, fault.New("deliver", "", fmt.Errorf("%w: its answer is not one: %w", ErrUnreachable, err))
	}
	return r, nil
}

func transmit(stream grpc.ClientStreamingClient[pb.DeliverRequest, pb.DeliverResponse], s record.Signed, parts []Part) error {
	sum := s.SHA256()
	a := &pb.Announcement{RecordSha256: sum[:], RecordSize: uint64(len(s.Bytes)), PublicKey: s.PublicKey, Signature: s.Signature}
	for _, p := range parts {
		a.Parts = append(a.Parts, &pb.AnnouncedPart{Name: p.Name, Size: uint64(p.Size), Sha256: p.SHA256[:]})
	}
	if err := stream.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Announcement{Announcement: a}}); err != nil {
		return sendError(err)
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

func transmitPart(stream grpc.ClientStreamingClient[pb.DeliverRequest, pb.DeliverResponse], p Part, buf []byte) error {
	r, err := p.Open()
	if err != nil {
		return fault.New("deliver", p.Name, err)
	}
	defer r.Close()
	for left := p.Size; left > 0; {
		n, err := io.ReadFull(r, buf[:min(int64(len(buf)), left)])
		if err != nil {
			return fault.New("deliver", p.Name, fmt.Errorf("it is shorter than when it was recorded: %w", err))
		}
		if err := sendChunk(stream, buf[:n]); err != nil {
			return err
		}
		left -= int64(n)
	}
	return nil
}

func sendChunk(stream grpc.ClientStreamingClient[pb.DeliverRequest, pb.DeliverResponse], b []byte) error {
	return sendError(stream.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Chunk{Chunk: &pb.Chunk{Data: b}}}))
}

// sendError passes io.EOF through: the reason comes with the answer.
func sendError(err error) error {
	if err == nil || errors.Is(err, io.EOF) {
		return err
	}
	return explain(err)
}

// explain turns a gRPC status into one line for a person.
func explain(err error) error {
	st := status.Convert(err)
	switch st.Code() {
	case codes.InvalidArgument, codes.FailedPrecondition, codes.AlreadyExists, codes.PermissionDenied, codes.Unauthenticated, codes.OutOfRange, codes.Unimplemented:
		return fault.New("deliver", "", fmt.Errorf("%w: %s", ErrRefused, st.Message())).
			WithHint("the run stays in the spool; see it with: agent spool")
	case codes.Canceled:
		return fault.New("deliver", "", fmt.Errorf("%w: %w", ErrUnreachable, context.Canceled))
	}
	return fault.New("deliver", "", fmt.Errorf("%w: %s", ErrUnreachable, st.Message())).
		WithHint("the run stays in the spool and is sent with the next run, or by: agent spool send")
}
