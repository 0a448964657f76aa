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

// Extends implements deliver.Prover.
func (c *Collector) Extends(_ context.Context, seen [][]byte) (deliver.Extended, error) {
	_, signed, found, err := c.archive.Extends(seen)
	x := deliver.Extended{VerifierKey: c.archive.VerifierKey(), Head: signed}
	for _, s := range found {
		x.Consistency = append(x.Consistency, s.Consistency)
	}
	return x, err
}
