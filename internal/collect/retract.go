package collect

import (
	"context"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// summaryOf reads a summary as it was kept and puts on it what came after.
func summaryOf(b []byte, history []archive.Retraction) (answer.Summary, error) {
	s, err := answer.ParseSummary(b)
	if err != nil {
		return s, fault.New("read archive", "", err).WithHint(archive.CheckHint)
	}
	var h []answer.Retracting
	for _, r := range history {
		h = append(h, answer.Retracting{Withdrawn: r.Withdrawn, At: r.At, By: r.By, Why: r.Why, Index: r.Index})
	}
	return s.Retracted(h), nil
}

// Retract implements answer.Book.
func (c *Collector) Retract(ctx context.Context, id, by, why string) (answer.Summary, trail.Receipt, error) {
	return c.retract(ctx, id, by, why, false)
}

// Reinstate implements answer.Book.
func (c *Collector) Reinstate(ctx context.Context, id, by, why string) (answer.Summary, trail.Receipt, error) {
	return c.retract(ctx, id, by, why, true)
}

func (c *Collector) retract(ctx context.Context, id, by, why string, withdrawn bool) (answer.Summary, trail.Receipt, error) {
	if err := c.mayKeep(); err != nil {
		return answer.Summary{}, trail.Receipt{}, err
	}
	id, err := c.resolve(id)
	if err != nil {
		return answer.Summary{}, trail.Receipt{}, err
	}
	by = deciding(ctx, by)
	r, receipt, err := c.archive.Retract(id, by, why, withdrawn)
	if err != nil {
		return answer.Summary{}, receipt, meaning(err)
	}
	c.log.Info("retraction", "run", id, "withdrawn", withdrawn, "by", by, "why", why, "index", r.Index)
	c.noteHead()
	s, err := c.summary(id)
	return s, receipt, err
}
