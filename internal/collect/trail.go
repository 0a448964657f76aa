package collect

import (
	"context"

	"witnessmark/internal/deliver"
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
	if err := c.heads.show(c.archive, seen); err != nil {
		c.log.Error("a head that a rig has seen is not kept", "error", err)
	} else if err := c.heads.err(); err != nil {
		c.log.Error("nothing is kept until this is settled", "error", err)
	}
	return x, nil
}

// noteHead writes down the present head, now and then.
func (c *Collector) noteHead() {
	if err := c.heads.note(c.archive, false); err != nil {
		c.log.Error("the trail's head is not written down", "error", err)
	}
}
