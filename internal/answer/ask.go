package answer

import (
	"context"
	"errors"
	"io"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// Client asks a collector. It is a Book at the other end of a connection, and
// takes on trust nothing that a record proves by itself: what Show, Attachment
// and Mark return has been checked against the rig's signature.
type Client struct {
	c     pb.AnswerServiceClient
	where string
}

var _ Book = Client{}

// NewClient makes a Client over a connection.
func NewClient(conn grpc.ClientConnInterface) Client {
	return Client{c: pb.NewAnswerServiceClient(conn)}
}

// At returns the client with a name for the other end, which its errors give.
func (c Client) At(where string) Client {
	c.where = where
	return c
}

// Rigs lists the rigs by name.
func (c Client) Rigs(ctx context.Context) ([]RigSummary, error) {
	m, err := c.c.ListRigs(ctx, &pb.ListRigsRequest{})
	if err != nil {
		return nil, c.explain(err)
	}
	var out []RigSummary
	for _, p := range m.GetRigs() {
		r := RigSummary{
			Name: p.GetName(), Runs: int(p.GetRuns()), LastRun: p.GetLastRun(),
			LastSetup: p.GetLastSetup(), LastStanding: p.GetLastStanding(), KeySHA256: p.GetKeySha256(),
			MarkedSetups: p.GetMarkedSetups(), Played: p.GetPlayed() != "",
		}
		if n := p.GetLastStartedUnixNano(); n != 0 {
			r.LastStarted = time.Unix(0, n).UTC()
		}
		if r.Beat, err = beatOf(p.GetBeat()); err != nil {
			return nil, doubt("list rigs", c.where, err)
		}
		out = append(out, r)
	}
	return out, nil
}

// Runs yields the chosen summaries, newest first.
func (c Client) Runs(ctx context.Context, q Query, yield func(Summary) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.ListRuns(ctx, q.proto())
	if err != nil {
		return c.explain(err)
	}
	for {
		m, err := st.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return c.explain(err)
		}
		for _, p := range m.GetRuns() {
			s, err := summaryOf(p)
			if err != nil {
				return doubt("list runs", c.where, err)
			}
			if err := yield(s); err != nil {
				return err
			}
		}
	}
}

func (q Query) proto() *pb.ListRunsRequest {
	m := &pb.ListRunsRequest{Rig: q.Rig, Workload: q.Workload, Setup: q.Setup, Standing: q.Standing, Limit: uint32(q.Limit)}
	if !q.From.IsZero() {
		m.FromUnixNano = q.From.UnixNano()
	}
	if !q.Before.IsZero() {
		m.BeforeUnixNano = q.Before.UnixNano()
	}
	return m
}

// Show gives a run whose bytes have the rig's signature and the hash they are
// kept under, and whose summary and receipt are of those bytes.
func (c Client) Show(ctx context.Context, id string) (Detail, error) {
	d, _, err := c.show(ctx, id)
	return d, err
}

// Attachment gives one attachment byte for byte, as the signed record has it;
// name "" is the run's only timing log.
func (c Client) Attachment(ctx context.Context, id, name string) ([]byte, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	_, r, err := c.show(ctx, id)
	if err != nil {
		return nil, err
	}
	a, err := Pick(r, name)
	if err != nil {
		return nil, err
	}
	st, err := c.c.ReadAttachment(ctx, &pb.ReadAttachmentRequest{Id: r.ID, Name: a.Name})
	if err != nil {
		return nil, c.explain(err)
	}
	b, err := c.receive(uint64(a.Size), func() ([]byte, error) {
		m, err := st.Recv()
		return m.GetData(), err
	})
	if err != nil {
		return nil, err
	}
	if got := record.Attach(a.Name, a.Kind, b); got != a {
		return nil, doubt("read attachment", r.ID+" "+a.Name, errors.New("its bytes are not those that the rig signed for"))
	}
	return b, nil
}

// AcceptMark makes a run's first snapshot the reference of its rig and setup.
func (c Client) AcceptMark(ctx context.Context, id, by, why string) (Mark, trail.Receipt, error) {
	d, r, err := c.show(ctx, id)
	if err != nil {
		return Mark{}, trail.Receipt{}, err
	}
	m, err := c.c.AcceptMark(ctx, &pb.AcceptMarkRequest{Id: r.ID, By: by, Why: why})
	if err != nil {
		return Mark{}, trail.Receipt{}, c.explain(err)
	}
	k := markOf(m.GetMark())
	receipt, err := record.ReceiptOf(m.GetReceipt())
	if err == nil && (k.RunID != r.ID || k.Rig != r.Rig || receipt.RecordSHA256 != d.Receipt.RecordSHA256) {
		err = errors.New("the answer is about another run")
	}
	if err != nil {
		return Mark{}, trail.Receipt{}, doubt("accept mark", r.ID, err)
	}
	return k, receipt, nil
}

// Mark gives the reference in force, nil when there is none. The snapshot is
// that of the marked run's signed record.
func (c Client) Mark(ctx context.Context, rigName, setup string) (*Mark, rig.Snapshot, error) {
	m, err := c.c.GetMark(ctx, &pb.GetMarkRequest{Rig: rigName, Setup: setup})
	if err != nil {
		return nil, rig.Snapshot{}, c.explain(err)
	}
	if m.GetMark() == nil {
		return nil, rig.Snapshot{}, nil
	}
	k := markOf(m.GetMark())
	_, r, err := c.show(ctx, k.RunID)
	if err == nil && r.Rig != rigName {
		err = doubt("read mark", rigName+" "+setup, errors.New("the marked run is of another rig"))
	}
	if err != nil {
		return nil, rig.Snapshot{}, err
	}
	return &k, r.Before, nil
}

func markOf(p *pb.Mark) Mark {
	return Mark{
		Rig: p.GetRig(), Setup: p.GetSetup(), RunID: p.GetRunId(), At: time.Unix(0, p.GetAcceptedUnixNano()).UTC(),
		By: p.GetBy(), Why: p.GetWhy(),
	}
}
