package deliver

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	pb "witnessmark/proto/witnessmark/v1"
)

// Heard is what a Hearer makes of a beat.
type Heard struct {
	Wanted    uint64 // see BeatReply
	Judgement drift.Judgement
}

// Hearer takes beats in.
type Hearer interface {
	// Hear takes a beat that has passed Check and came at that time of the
	// collector's wall clock. An error that wraps ErrRefused tells the rig that
	// this beat will never be taken.
	Hear(ctx context.Context, b Beat, came time.Time) (Heard, error)
}

// RegisterBeats adds the beat service to a gRPC server. Now is the collector's
// wall clock, by which rigs tell how far off theirs are.
func RegisterBeats(s grpc.ServiceRegistrar, h Hearer, now func() time.Time) {
	pb.RegisterBeatServiceServer(s, &listener{hearer: h, now: now})
}

type listener struct {
	pb.UnimplementedBeatServiceServer
	hearer Hearer
	now    func() time.Time
}

func (l *listener) Beat(ctx context.Context, m *pb.BeatRequest) (*pb.BeatResponse, error) {
	came := l.now()
	if n := proto.Size(m); n > MaxBeat {
		return nil, Refuse(TooLarge, codes.InvalidArgument, "a beat of %d bytes came; %d are taken", n, MaxBeat)
	}
	b, err := beatOf(m)
	if err != nil {
		return nil, Refuse(Malformed, codes.InvalidArgument, "not a beat: %v", err)
	}
	h, err := l.hearer.Hear(ctx, b, came)
	if err != nil {
		return nil, statusOf(err)
	}
	r := &pb.BeatResponse{ReceivedUnixNano: came.UnixNano(), Wanted: h.Wanted}
	if h.Judgement.Standing != "" {
		r.Judgement = record.JudgementProto(h.Judgement)
	}
	r.AnsweredUnixNano = l.now().UnixNano()
	return r, nil
}

func (l *listener) GetTime(context.Context, *pb.GetTimeRequest) (*pb.GetTimeResponse, error) {
	came := l.now()
	return &pb.GetTimeResponse{ReceivedUnixNano: came.UnixNano(), AnsweredUnixNano: l.now().UnixNano()}, nil
}

// AskTime asks a collector's wall clock, for Offsets.Add. Its errors are those of
// SendBeat.
func AskTime(ctx context.Context, conn grpc.ClientConnInterface) (received, answered time.Time, err error) {
	m, err := pb.NewBeatServiceClient(conn).GetTime(ctx, &pb.GetTimeRequest{})
	if err != nil {
		return received, answered, failed(ctx, "ask the time", err)
	}
	received, answered = instant(m.GetReceivedUnixNano()), instant(m.GetAnsweredUnixNano())
	if received.IsZero() || answered.Before(received) {
		err = fault.New("ask the time", "", fmt.Errorf("%w: its answer is not one: its clock ran backwards", ErrUnreachable))
	}
	return received, answered, err
}

// SendBeat sends one beat. An error is ErrRefused when the collector will never
// take this beat, and ErrUnreachable when it could not be reached or could not
// take it now; when ctx has ended it is ErrUnreachable with ctx's cause.
func SendBeat(ctx context.Context, conn grpc.ClientConnInterface, b Beat) (BeatReply, error) {
	if err := b.Check(); err != nil {
		return BeatReply{}, fault.New("beat", "", fmt.Errorf("%w: %w", ErrRefused, err))
	}
	q := b.proto()
	if n := proto.Size(q); n > MaxBeat {
		return BeatReply{}, fault.New("beat", "", fmt.Errorf("%w: it has %d bytes, and %d are taken", ErrRefused, n, MaxBeat))
	}
	m, err := pb.NewBeatServiceClient(conn).Beat(ctx, q)
	if err != nil {
		return BeatReply{}, failed(ctx, "beat", err)
	}
	r := BeatReply{Received: instant(m.GetReceivedUnixNano()), Answered: instant(m.GetAnsweredUnixNano()), Wanted: m.GetWanted()}
	if m.GetJudgement() != nil {
		r.Judgement, err = record.JudgementOf(m.GetJudgement())
	}
	if err == nil && (r.Received.IsZero() || r.Answered.Before(r.Received)) {
		err = errors.New("its clock ran backwards")
	}
	if err != nil {
		return BeatReply{}, fault.New("beat", "", fmt.Errorf("%w: its answer is not one: %w", ErrUnreachable, err))
	}
	return r, nil
}

func failed(ctx context.Context, what string, err error) error {
	msg, why := meaning(ctx, err)
	if msg != "" {
		why = fmt.Errorf("%w: %s", why, msg)
	}
	return fault.New(what, "", why)
}
