package follow

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/archive"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// Entry is one entry of a trail with all that is kept with it.
type Entry struct {
	archive.Copied
	Run *Run // of an entry about a record
}

// Run is a record with what belongs to it.
type Run struct {
	Signed  record.Signed
	Parts   [][]byte // the attachments, in the record's order
	Summary []byte
	Receipt trail.Receipt
}

// Source is a collector that is followed.
type Source interface {
	// Head gives the present head and its signed note.
	Head() (trail.Head, []byte, error)
	// HeadAt gives the signed head that the trail had at a size.
	HeadAt(size int64) ([]byte, error)
	// From gives the present signed head, and how another belongs to that one; ok is
	// false when it is none of this trail's.
	From(head []byte) (now []byte, size int64, proof []trail.Hash, ok bool, err error)
	Entry(index int64) (Entry, error)
	// Line is the keys of the trail, and Successions are the notes of those that
	// follow a key, of all for "".
	Line() (trail.Line, error)
	Successions(since string) ([][]byte, error)
	// News gives a channel that closes when the trail has grown.
	News() <-chan struct{}
	// Cosigned takes a head that the witness of a key signed, too. An error that
	// wraps ErrRefused says why it does not.
	Cosigned(ctx context.Context, key string, head []byte) error
}

// ErrRefused is returned for a cosignature that does not hold, and to who may not ask.
var ErrRefused = errors.New("refused")

// The bounds of a step: entries and bytes after which a head comes, bytes of a
// message, and of what else one may bring.
const (
	stepEntries = 64
	stepBytes   = 8 << 20
	chunk       = 128 << 10
	mostNote    = 8 << 10
	mostKey     = 1 << 10
)

// Register adds the service to a gRPC server.
func Register(s grpc.ServiceRegistrar, from Source) {
	pb.RegisterFollowServiceServer(s, &server{source: from})
}

type server struct {
	pb.UnimplementedFollowServiceServer
	source Source
}

type stream = grpc.ServerStreamingServer[pb.FollowResponse]

func (s *server) Follow(q *pb.FollowRequest, st stream) error {
	if len(q.GetHead()) > mostNote || len(q.GetSinceKey()) > mostKey {
		return status.Errorf(codes.InvalidArgument, "a head of %d bytes; %d are taken", len(q.GetHead()), mostNote)
	}
	at, err := s.begin(q.GetHead(), q.GetSinceKey(), st)
	if err != nil {
		return statusOf(err)
	}
	for {
		news := s.source.News()
		now, signed, err := s.source.Head()
		for err == nil && at < now.Size {
			at, err = s.step(at, now.Size, signed, st)
		}
		if err != nil {
			return statusOf(err)
		}
		select {
		case <-st.Context().Done():
			return status.FromContextError(st.Context().Err()).Err()
		case <-news:
		}
	}
}

func (s *server) begin(head []byte, since string, st stream) (at int64, err error) {
	b, ok := &pb.FollowBegin{}, true
	if len(head) == 0 {
		_, b.Head, err = s.source.Head()
	} else {
		var proof []trail.Hash
		b.Head, at, proof, ok, err = s.source.From(head)
		b.Consistency = &pb.Consistency{Hashes: record.HashesProto(proof)}
	}
	if err != nil {
		return 0, err
	}
	for { // after the head, which a key that came meanwhile need not open
		line, err := s.source.Line()
		if err != nil {
			return 0, err
		}
		if line.Present() == b.VerifierKey {
			break // all is of that key
		}
		b.VerifierKey, b.Successions = line.Present(), nil
		notes, err := s.source.Successions(since)
		if err != nil {
			return 0, err
		}
		for _, n := range notes {
			b.Successions = append(b.Successions, &pb.Succession{Note: n})
		}
		if len(head) == 0 {
			if b.Empty, err = s.source.HeadAt(0); err != nil {
				return 0, err
			}
		}
	}
	if err := st.Send(&pb.FollowResponse{Message: &pb.FollowResponse_Begin{Begin: b}}); err != nil {
		return 0, err
	}
	if !ok {
		return 0, status.Error(codes.FailedPrecondition, "that head is none of this trail's")
	}
	return at, nil
}

// step sends entries, and then the signed head over them: not before the heads of
// the receipts among them, so that the follower can hold those against its tree.
func (s *server) step(at, size int64, last []byte, st stream) (next int64, err error) {
	var bytes, until int64
	for n := 0; at < size && (n < stepEntries && bytes < stepBytes || at < until); n++ {
		e, err := s.source.Entry(at)
		if err != nil {
			return at, err
		}
		sent, err := sendEntry(e, st)
		if err != nil {
			return at, err
		}
		if e.Run != nil {
			until = max(until, e.Run.Receipt.Size)
		}
		at, bytes = at+1, bytes+sent
	}
	if at < size {
		if last, err = s.source.HeadAt(at); err != nil {
			return at, err
		}
	}
	return at, st.Send(&pb.FollowResponse{Message: &pb.FollowResponse_Head{Head: last}})
}

func sendEntry(e Entry, st stream) (sent int64, err error) {
	m := &pb.CopiedEntry{Leaf: e.Leaf, ContentSize: uint64(len(e.Content)), GivenUp: e.GivenUp}
	data := [][]byte{e.Content}
	if r := e.Run; r != nil {
		m.Run = &pb.CopiedRun{
			PublicKey: r.Signed.PublicKey, Signature: r.Signed.Signature, RecordSize: uint64(len(r.Signed.Bytes)),
			Summary: r.Summary, Receipt: record.ReceiptProto(r.Receipt),
		}
		data = append([][]byte{r.Signed.Bytes}, r.Parts...)
		for _, p := range r.Parts {
			m.Run.PartSizes = append(m.Run.PartSizes, uint64(len(p)))
		}
	}
	if err := st.Send(&pb.FollowResponse{Message: &pb.FollowResponse_Entry{Entry: m}}); err != nil {
		return 0, err
	}
	for _, b := range data {
		sent += int64(len(b))
		for len(b) > 0 {
			n := min(chunk, len(b))
			if err := st.Send(&pb.FollowResponse{Message: &pb.FollowResponse_Data{Data: b[:n]}}); err != nil {
				return sent, err
			}
			b = b[n:]
		}
	}
	return sent, nil
}

func (s *server) Cosign(ctx context.Context, q *pb.CosignRequest) (*pb.CosignResponse, error) {
	if len(q.GetHead()) > mostNote || len(q.GetWitnessKey()) > mostKey {
		return nil, status.Error(codes.InvalidArgument, "the head or the key is too long")
	}
	return &pb.CosignResponse{}, statusOf(s.source.Cosigned(ctx, q.GetWitnessKey(), q.GetHead()))
}

func statusOf(err error) error {
	switch _, ok := status.FromError(err); {
	case err == nil, ok:
		return err
	case errors.Is(err, ErrRefused), errors.Is(err, archive.ErrReadOnly):
		msg := err.Error()
		if h := fault.HintOf(err); h != "" {
			msg += hintLine + h
		}
		return status.Error(codes.FailedPrecondition, strings.ToValidUTF8(msg, "\uFFFD"))
	case errors.Is(err, context.Canceled):
		return status.Error(codes.Canceled, "canceled")
	}
	return status.Error(codes.Internal, strings.ToValidUTF8(err.Error(), "\uFFFD"))
}

const hintLine = "\nhint: "
