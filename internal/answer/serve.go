package answer

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/record"
	pb "witnessmark/proto/witnessmark/v1"
)

// chunkSize is the most record or attachment bytes that one message carries.
const chunkSize = 128 << 10

// Register adds the query service to a gRPC server.
func Register(s grpc.ServiceRegistrar, b Book) {
	pb.RegisterAnswerServiceServer(s, &server{book: b})
}

type server struct {
	pb.UnimplementedAnswerServiceServer
	book Book
}

func (s *server) ListRigs(ctx context.Context, _ *pb.ListRigsRequest) (*pb.ListRigsResponse, error) {
	rigs, err := s.book.Rigs(ctx)
	if err != nil {
		return nil, statusOf(err)
	}
	m := &pb.ListRigsResponse{}
	for _, r := range rigs {
		m.Rigs = append(m.Rigs, r.proto())
	}
	return m, nil
}

func (r RigSummary) proto() *pb.RigSummary {
	p := &pb.RigSummary{
		Name: r.Name, Runs: uint64(r.Runs), LastRun: r.LastRun, Beat: r.Beat.proto(),
		LastSetup: r.LastSetup, LastStanding: r.LastStanding, KeySha256: r.KeySHA256, MarkedSetups: r.MarkedSetups,
	}
	if !r.LastStarted.IsZero() {
		p.LastStartedUnixNano = r.LastStarted.UnixNano()
	}
	if r.Played {
		p.Played = "played"
	}
	return p
}

// batch is how many summaries one message carries.
const batch = 64

func (s *server) ListRuns(q *pb.ListRunsRequest, st grpc.ServerStreamingServer[pb.ListRunsResponse]) error {
	m := &pb.ListRunsResponse{}
	flush := func() error {
		if len(m.Runs) == 0 {
			return nil
		}
		err := st.Send(m)
		m = &pb.ListRunsResponse{}
		return err
	}
	err := s.book.Runs(st.Context(), queryOf(q), func(r Summary) error {
		if m.Runs = append(m.Runs, r.proto()); len(m.Runs) < batch {
			return nil
		}
		return flush()
	})
	if err == nil {
		err = flush()
	}
	return statusOf(err)
}

func queryOf(m *pb.ListRunsRequest) Query {
	q := Query{Rig: m.GetRig(), Workload: m.GetWorkload(), Setup: m.GetSetup(), Standing: m.GetStanding(), Limit: int(m.GetLimit())}
	if n := m.GetFromUnixNano(); n != 0 {
		q.From = time.Unix(0, n)
	}
	if n := m.GetBeforeUnixNano(); n != 0 {
		q.Before = time.Unix(0, n)
	}
	return q
}

func (s *server) ShowRun(q *pb.ShowRunRequest, st grpc.ServerStreamingServer[pb.ShowRunResponse]) error {
	d, err := s.book.Show(st.Context(), q.GetId())
	if err != nil {
		return statusOf(err)
	}
	sum := d.Summary.proto()
	sum.Receipt = record.ReceiptProto(d.Receipt)
	detail := &pb.RunDetail{Summary: sum, PublicKey: d.Signed.PublicKey, Signature: d.Signed.Signature, RecordSize: uint64(len(d.Signed.Bytes))}
	if err := st.Send(&pb.ShowRunResponse{Message: &pb.ShowRunResponse_Detail{Detail: detail}}); err != nil {
		return err
	}
	return inChunks(d.Signed.Bytes, func(b []byte) error {
		return st.Send(&pb.ShowRunResponse{Message: &pb.ShowRunResponse_Record{Record: b}})
	})
}

func (s *server) ReadAttachment(q *pb.ReadAttachmentRequest, st grpc.ServerStreamingServer[pb.ReadAttachmentResponse]) error {
	b, err := s.book.Attachment(st.Context(), q.GetId(), q.GetName())
	if err != nil {
		return statusOf(err)
	}
	return inChunks(b, func(b []byte) error { return st.Send(&pb.ReadAttachmentResponse{Data: b}) })
}

func inChunks(b []byte, send func([]byte) error) error {
	for len(b) > 0 {
		n := min(chunkSize, len(b))
		if err := send(b[:n]); err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}

func (s *server) AcceptMark(ctx context.Context, q *pb.AcceptMarkRequest) (*pb.AcceptMarkResponse, error) {
	m, receipt, err := s.book.AcceptMark(ctx, q.GetId(), q.GetBy(), q.GetWhy())
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.AcceptMarkResponse{Mark: m.proto(), Receipt: record.ReceiptProto(receipt)}, nil
}

func (s *server) GetMark(ctx context.Context, q *pb.GetMarkRequest) (*pb.GetMarkResponse, error) {
	m, snap, err := s.book.Mark(ctx, q.GetRig(), q.GetSetup())
	if err != nil {
		return nil, statusOf(err)
	}
	if m == nil {
		return &pb.GetMarkResponse{}, nil
	}
	return &pb.GetMarkResponse{Mark: m.proto(), Snapshot: record.SnapshotProto(snap)}, nil
}

func (m Mark) proto() *pb.Mark {
	return &pb.Mark{Rig: m.Rig, Setup: m.Setup, RunId: m.RunID, AcceptedUnixNano: m.At.UnixNano(), By: m.By, Why: m.Why}
}
