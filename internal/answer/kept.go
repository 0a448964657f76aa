package answer

import (
	"context"
	"errors"
	"io"

	"google.golang.org/grpc"

	pb "witnessmark/proto/witnessmark/v1"
)

// Kept names the runs from a trail entry on, in the order in which the collector
// kept them.
func (c Client) Kept(ctx context.Context, from int64, yield func(index int64, id string) error) (int64, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.ListKept(ctx, &pb.ListKeptRequest{FromIndex: from})
	if err != nil {
		return from, c.explain(err)
	}
	next := from
	for {
		m, err := st.Recv()
		if errors.Is(err, io.EOF) {
			return next, nil
		}
		if err != nil {
			return next, c.explain(err)
		}
		for _, r := range m.GetRuns() {
			if r.GetIndex() < next {
				return next, doubt("list kept runs", c.where, errors.New("its entries are out of order"))
			}
			if err := yield(r.GetIndex(), r.GetRunId()); err != nil {
				return next, err
			}
			next = r.GetIndex() + 1
		}
		next = max(next, m.GetNextIndex())
	}
}

func (s *server) ListKept(q *pb.ListKeptRequest, st grpc.ServerStreamingServer[pb.ListKeptResponse]) error {
	m := &pb.ListKeptResponse{}
	next, err := s.book.Kept(st.Context(), q.GetFromIndex(), func(index int64, id string) error {
		if m.Runs = append(m.Runs, &pb.KeptRun{Index: index, RunId: id}); len(m.Runs) < batch {
			return nil
		}
		err := st.Send(m)
		m = &pb.ListKeptResponse{}
		return err
	})
	if err != nil {
		return statusOf(err)
	}
	m.NextIndex = next
	return st.Send(m)
}
