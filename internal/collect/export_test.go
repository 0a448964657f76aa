package collect

import (
	"context"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
)

// Keeping is what would be kept of a delivery.
func (c *Collector) Keeping(d deliver.Delivery) (archive.Keeping, answer.Summary, error) {
	return c.keeping(context.Background(), d)
}

// WritesWithin says how long what was heard may yet wait to be written; 0 when
// nothing waits.
func (c *Collector) WritesWithin() time.Duration {
	c.beats.mu.Lock()
	defer c.beats.mu.Unlock()
	if c.beats.timer == nil {
		return 0
	}
	return time.Until(c.beats.due)
}

// Flush writes what was heard.
func (c *Collector) Flush() { c.flushBeats() }
