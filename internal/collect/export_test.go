package collect

import (
	"context"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
)

// Keeping is what would be kept of a delivery.
func (c *Collector) Keeping(d deliver.Delivery) (archive.Keeping, answer.Summary, error) {
	return c.keeping(context.Background(), d)
}
