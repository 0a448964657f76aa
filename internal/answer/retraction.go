package answer

import (
	"context"
	"errors"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// Retracting is one retraction of a run, or the withdrawal of one.
type Retracting struct {
	Withdrawn bool
	At        time.Time
	By, Why   string
	Index     int64 // of its entry in the trail
}

// Retraction is the history of a run's retractions.
type Retraction struct {
	Judged  drift.Standing // what the run was judged
	History []Retracting   // oldest first; the last one is in force
}

// InForce gives the retraction in force, nil when there is none.
func (r *Retraction) InForce() *Retracting {
	if r == nil || len(r.History) == 0 || r.History[len(r.History)-1].Withdrawn {
		return nil
	}
	return &r.History[len(r.History)-1]
}

// Retracted gives the summary with its retractions: while one is in force the
// run is void.
func (s Summary) Retracted(history []Retracting) Summary {
	if len(history) == 0 {
		return s
	}
	s.Retraction = &Retraction{Judged: s.Judgement.Standing, History: history}
	if s.Retraction.InForce() != nil {
		s.Judgement.Standing = drift.Voided
	}
	return s
}

// LeftWhy says why a run does not enter an answer: the reason of its retraction,
// else its standing.
func (s Summary) LeftWhy() string {
	if r := s.Retraction.InForce(); r != nil {
		return LeftRetracted + ": " + r.Why
	}
	return string(s.Judgement.Standing)
}

func (r *Retraction) proto() *pb.Retraction {
	if r == nil {
		return nil
	}
	m := &pb.Retraction{JudgedStanding: string(r.Judged)}
	for _, x := range r.History {
		m.History = append(m.History, &pb.Retracting{Withdrawn: x.Withdrawn, AtUnixNano: x.At.UnixNano(), By: x.By, Why: x.Why, Index: x.Index})
	}
	return m
}

func retractionOf(m *pb.Retraction) *Retraction {
	if m == nil {
		return nil
	}
	r := &Retraction{Judged: drift.Standing(m.GetJudgedStanding())}
	for _, x := range m.GetHistory() {
		r.History = append(r.History, Retracting{x.GetWithdrawn(), time.Unix(0, x.GetAtUnixNano()).UTC(), x.GetBy(), x.GetWhy(), x.GetIndex()})
	}
	return r
}

// RetractingJSON is one retraction as JSON shows it.
type RetractingJSON struct {
	Withdrawn bool      `json:"withdrawn"`
	At        time.Time `json:"at"`
	By        string    `json:"by"`
	Why       string    `json:"why"`
	Index     int64     `json:"index"` // of its entry in the trail
}

func (r *Retraction) json() (inForce *RetractingJSON, all []RetractingJSON, judged drift.Standing) {
	if r == nil {
		return nil, nil, ""
	}
	for _, x := range r.History {
		all = append(all, RetractingJSON(x))
	}
	if x := r.InForce(); x != nil {
		j := RetractingJSON(*x)
		inForce = &j
	}
	return inForce, all, r.Judged
}

func (s *server) Retract(ctx context.Context, q *pb.RetractRequest) (*pb.RetractResponse, error) {
	sum, receipt, err := s.book.Retract(ctx, q.GetId(), q.GetBy(), q.GetWhy())
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.RetractResponse{Summary: sum.proto(), Receipt: record.ReceiptProto(receipt)}, nil
}

func (s *server) Reinstate(ctx context.Context, q *pb.ReinstateRequest) (*pb.ReinstateResponse, error) {
	sum, receipt, err := s.book.Reinstate(ctx, q.GetId(), q.GetBy(), q.GetWhy())
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.ReinstateResponse{Summary: sum.proto(), Receipt: record.ReceiptProto(receipt)}, nil
}

// Retract makes a run void for a reason that is kept with it.
func (c Client) Retract(ctx context.Context, id, by, why string) (Summary, trail.Receipt, error) {
	return c.retract(ctx, "retract run", trail.KindRetraction, id, func(id string) (retracted, error) {
		return c.c.Retract(ctx, &pb.RetractRequest{Id: id, By: by, Why: why})
	})
}

// Reinstate withdraws a run's retraction.
func (c Client) Reinstate(ctx context.Context, id, by, why string) (Summary, trail.Receipt, error) {
	return c.retract(ctx, "reinstate run", trail.KindReinstatement, id, func(id string) (retracted, error) {
		return c.c.Reinstate(ctx, &pb.ReinstateRequest{Id: id, By: by, Why: why})
	})
}

// retracted is what both calls answer.
type retracted interface {
	GetSummary() *pb.RunSummary
	GetReceipt() *pb.Receipt
}

// retract checks that the answer is about the record that is there.
func (c Client) retract(ctx context.Context, what string, kind trail.Kind, id string, call func(id string) (retracted, error)) (Summary, trail.Receipt, error) {
	d, r, err := c.show(ctx, id)
	if err != nil {
		return Summary{}, trail.Receipt{}, err
	}
	m, err := call(r.ID)
	if err != nil {
		return Summary{}, trail.Receipt{}, c.explain(err)
	}
	s, err := summaryOf(m.GetSummary())
	var receipt trail.Receipt
	if err == nil {
		receipt, err = record.ReceiptOf(m.GetReceipt())
	}
	var e trail.Entry
	if err == nil {
		e, err = trail.ParseEntry(receipt.Leaf)
	}
	if err == nil && (s.ID != r.ID || e.Subject != r.ID || e.Kind != kind || e.Digest != d.Signed.SHA256()) {
		err = errors.New("the answer is about another run")
	}
	if err != nil {
		return Summary{}, trail.Receipt{}, doubt(what, r.ID, err)
	}
	return s, receipt, nil
}
