package answer

import (
	"context"
	"errors"
	"io"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// Client asks a collector. It is a Book at the other end of a connection.
type Client struct{ c pb.AnswerServiceClient }

var _ Book = Client{}

// NewClient makes a Client over a connection.
func NewClient(conn grpc.ClientConnInterface) Client {
	return Client{pb.NewAnswerServiceClient(conn)}
}

// Rigs lists the rigs by name.
func (c Client) Rigs(ctx context.Context) ([]RigSummary, error) {
	m, err := c.c.ListRigs(ctx, &pb.ListRigsRequest{})
	if err != nil {
		return nil, explain(err)
	}
	var out []RigSummary
	for _, p := range m.GetRigs() {
		out = append(out, RigSummary{
			Name: p.GetName(), Runs: int(p.GetRuns()), LastRun: p.GetLastRun(), LastStarted: time.Unix(0, p.GetLastStartedUnixNano()).UTC(),
			LastSetup: p.GetLastSetup(), LastStanding: p.GetLastStanding(), KeySHA256: p.GetKeySha256(),
			MarkedSetups: p.GetMarkedSetups(), Played: p.GetPlayed() != "",
		})
	}
	return out, nil
}

// Runs yields the chosen summaries, newest first.
func (c Client) Runs(ctx context.Context, q Query, yield func(Summary) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	m := &pb.ListRunsRequest{Rig: q.Rig, Workload: q.Workload, Setup: q.Setup, Standing: q.Standing, Limit: uint32(q.Limit)}
	if !q.From.IsZero() {
		m.FromUnixNano = q.From.UnixNano()
	}
	if !q.Before.IsZero() {
		m.BeforeUnixNano = q.Before.UnixNano()
	}
	st, err := c.c.ListRuns(ctx, m)
	if err != nil {
		return explain(err)
	}
	for {
		m, err := st.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return explain(err)
		}
		for _, p := range m.GetRuns() {
			s, err := summaryOf(p)
			if err != nil {
				return err
			}
			if err := yield(s); err != nil {
				return err
			}
		}
	}
}

// Show gives a run and checks that the bytes have the announced hash and the
// rig's signature.
func (c Client) Show(ctx context.Context, id string) (Detail, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.ShowRun(ctx, &pb.ShowRunRequest{Id: id})
	if err != nil {
		return Detail{}, explain(err)
	}
	first, err := st.Recv()
	if err != nil {
		return Detail{}, explain(err)
	}
	m := first.GetDetail()
	d := Detail{Signed: record.Signed{PublicKey: m.GetPublicKey(), Signature: m.GetSignature()}}
	if d.Summary, err = summaryOf(m.GetSummary()); err == nil {
		d.Receipt, err = record.ReceiptOf(m.GetSummary().GetReceipt())
	}
	for err == nil {
		var next *pb.ShowRunResponse
		if next, err = st.Recv(); err == nil {
			d.Signed.Bytes = append(d.Signed.Bytes, next.GetRecord()...)
		}
	}
	if !errors.Is(err, io.EOF) {
		return Detail{}, explain(err)
	}
	if d.Signed.SHA256() != d.Summary.RecordSHA256 {
		err = errors.New("the record's bytes do not have the hash it is kept under")
	} else if err = d.Signed.Verify(); err == nil {
		return d, nil
	}
	return Detail{}, fault.New("show run", d.Summary.ID, err).WithHint("check the archive with its owner before using this run")
}

// Attachment gives one attachment byte for byte.
func (c Client) Attachment(ctx context.Context, id, name string) ([]byte, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.ReadAttachment(ctx, &pb.ReadAttachmentRequest{Id: id, Name: name})
	if err != nil {
		return nil, explain(err)
	}
	var b []byte
	for {
		m, err := st.Recv()
		if errors.Is(err, io.EOF) {
			return b, nil
		}
		if err != nil {
			return nil, explain(err)
		}
		b = append(b, m.GetData()...)
	}
}

// AcceptMark makes a run's first snapshot the reference of its rig and setup.
func (c Client) AcceptMark(ctx context.Context, id, by, why string) (Mark, trail.Receipt, error) {
	m, err := c.c.AcceptMark(ctx, &pb.AcceptMarkRequest{Id: id, By: by, Why: why})
	if err != nil {
		return Mark{}, trail.Receipt{}, explain(err)
	}
	r, err := record.ReceiptOf(m.GetReceipt())
	return markOf(m.GetMark()), r, err
}

// Mark gives the reference in force, nil when there is none.
func (c Client) Mark(ctx context.Context, rigName, setup string) (*Mark, rig.Snapshot, error) {
	m, err := c.c.GetMark(ctx, &pb.GetMarkRequest{Rig: rigName, Setup: setup})
	if err != nil {
		return nil, rig.Snapshot{}, explain(err)
	}
	if m.GetMark() == nil {
		return nil, rig.Snapshot{}, nil
	}
	k := markOf(m.GetMark())
	return &k, record.SnapshotOf(m.GetSnapshot()), nil
}

func markOf(p *pb.Mark) Mark {
	return Mark{
		Rig: p.GetRig(), Setup: p.GetSetup(), RunID: p.GetRunId(), At: time.Unix(0, p.GetAcceptedUnixNano()).UTC(),
		By: p.GetBy(), Why: p.GetWhy(),
	}
}

// explain turns a status back into an error with its hint.
func explain(err error) error {
	st := status.Convert(err)
	msg, hint, _ := strings.Cut(st.Message(), "\nhint: ")
	why := errors.New(msg)
	switch st.Code() {
	case codes.NotFound:
		why = remote{msg, ErrNotFound}
	case codes.InvalidArgument:
		why = remote{msg, ErrAmbiguous}
	case codes.Canceled:
		return context.Canceled
	case codes.Unavailable:
		hint = "is the collector running, and is the address right?"
	}
	return fault.New("collector", "", why).WithHint(hint)
}

// remote is an error from the other end with the sentinel it stood for.
type remote struct {
	msg  string
	kind error
}

func (r remote) Error() string { return r.msg }
func (r remote) Unwrap() error { return r.kind }
