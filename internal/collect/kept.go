package collect

import "context"

// Kept implements answer.Book.
func (c *Collector) Kept(ctx context.Context, from int64, yield func(index int64, id string) error) (int64, error) {
	return c.archive.Kept(from, func(index int64, id string) error {
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		return yield(index, id)
	})
}
