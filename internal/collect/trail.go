package collect

import (
	"context"

	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Consistency implements deliver.Prover.
func (c *Collector) Consistency(older, size int64) ([]trail.Hash, error) {
	return c.archive.Consistency(older, size)
}

// Extends implements deliver.Prover. A head that the trail signed and does not
// have is evidence against this archive, and kept.
func (c *Collector) Extends(_ context.Context, seen [][]byte) (deliver.Extended, error) {
	_, signed, found, err := c.archive.Extends(seen)
	x := deliver.Extended{VerifierKey: c.archive.VerifierKey(), Head: signed}
	for _, s := range found {
		x.Consistency = append(x.Consistency, s.Consistency)
	}
	if err != nil || c.heads == nil {
		return x, err
	}
	news, err := c.heads.show(c.archive, found, seen)
	if err != nil {
		c.log.Error("a head that a rig has seen cannot be written down", "error", err)
	}
	if why := c.heads.err(); news && why != nil {
		c.log.Error("nothing is kept until this is settled", "error", why, "hint", fault.HintOf(why))
	}
	return x, nil
}

// noteHead follows a commit: it writes down the present head, now and then.
func (c *Collector) noteHead() {
	c.metrics.wrote(c.now())
	if err := c.heads.note(c.archive, false); err != nil {
		c.log.Error("the trail's head is not written down", "error", err)
	}
}
