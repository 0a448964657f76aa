package answer

import (
	"context"

	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// Rekeyed says which key signs a trail now, and which did before.
type Rekeyed struct {
	Old   string `json:"old_key"` // verifier keys
	New   string `json:"new_key"`
	Index int64  `json:"entry"`          // of the trail that says so
	Word  string `json:"word,omitempty"` // on whose word, where the old key is lost
}

func (s *server) Rekey(ctx context.Context, q *pb.RekeyRequest) (*pb.RekeyResponse, error) {
	r, receipt, err := s.book.Rekey(ctx, q.GetBy(), q.GetWhy())
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.RekeyResponse{OldKey: r.Old, NewKey: r.New, Receipt: record.ReceiptProto(receipt)}, nil
}

// Rekey has a collector sign its trail with a new key from now on.
func (c Client) Rekey(ctx context.Context, by, why string) (Rekeyed, trail.Receipt, error) {
	m, err := c.c.Rekey(ctx, &pb.RekeyRequest{By: by, Why: why})
	if err != nil {
		return Rekeyed{}, trail.Receipt{}, c.explain(err)
	}
	receipt, err := record.ReceiptOf(m.GetReceipt())
	var line trail.Line
	if err == nil {
		line, err = trail.NewLine(m.GetNewKey())
	}
	if err == nil {
		_, _, err = receipt.Check(line, trail.KindSuccession, receipt.RecordSHA256)
	}
	if err != nil {
		return Rekeyed{}, trail.Receipt{}, doubt("change key", "", err)
	}
	return Rekeyed{Old: m.GetOldKey(), New: m.GetNewKey(), Index: receipt.Index}, receipt, nil
}
