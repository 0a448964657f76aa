package answer

import (
	"context"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "witnessmark/proto/witnessmark/v1"
)

func (s *server) GetState(ctx context.Context, _ *pb.GetStateRequest) (*pb.GetStateResponse, error) {
	n, err := s.book.State(ctx)
	if err != nil {
		return nil, statusOf(err)
	}
	m := &pb.GetStateResponse{Refusing: n.Refusing, Hint: n.Hint, FreeBytes: n.Free, TotalBytes: n.Total, FloorBytes: n.Floor}
	if !n.Since.IsZero() {
		m.SinceUnixNano = n.Since.UnixNano()
	}
	return m, nil
}

// State says whether the collector takes deliveries. One that is too old to say
// gives the zero State.
func (c Client) State(ctx context.Context) (State, error) {
	m, err := c.c.GetState(ctx, &pb.GetStateRequest{})
	if status.Code(err) == codes.Unimplemented {
		return State{}, nil
	}
	if err != nil {
		return State{}, c.explain(err)
	}
	s := State{Refusing: m.GetRefusing(), Hint: m.GetHint(), Free: m.GetFreeBytes(), Total: m.GetTotalBytes(), Floor: m.GetFloorBytes()}
	if n := m.GetSinceUnixNano(); n != 0 {
		s.Since = time.Unix(0, n).UTC()
	}
	return s, nil
}

// StateRow is a collector's state as JSON shows it.
type StateRow struct {
	Taking   bool      `json:"taking"`
	Refusing string    `json:"refusing,omitempty"`
	Hint     string    `json:"hint,omitempty"`
	Since    time.Time `json:"since,omitzero"`
	Free     int64     `json:"free_bytes"`
	Total    int64     `json:"total_bytes"`
	Floor    int64     `json:"floor_bytes"`
}

// Row is the state as JSON shows it.
func (s State) Row() StateRow {
	return StateRow{s.Refusing == "", s.Refusing, s.Hint, s.Since, s.Free, s.Total, s.Floor}
}
