package collect

import (
	"context"
	"fmt"
	"time"

	"witnessmark/internal/archive"
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
func (c *Collector) Extends(_ context.Context, since string, seen [][]byte) (deliver.Extended, error) {
	x, head, found, err := c.extends(since, seen)
	if err != nil {
		return x, err
	}
	witnessed, err := c.archive.Cosigned(head.Size)
	if err != nil {
		return x, err
	}
	for _, w := range witnessed {
		x.Cosigned = append(x.Cosigned, deliver.Cosigned{Head: w.Note, Consistency: w.Consistency})
	}
	if c.heads == nil {
		return x, nil
	}
	news, err := c.heads.show(c.archive, found, seen)
	if news && err != nil {
		c.log.Error("a head that a rig has seen cannot be written down", "error", err)
	}
	if why := c.heads.err(); news && why != nil {
		c.log.Error("nothing is kept until this is settled", "error", why, "hint", fault.HintOf(why))
	}
	return x, nil
}

// extends gives a head and the keys that belong to it: they may change meanwhile.
func (c *Collector) extends(since string, seen [][]byte) (x deliver.Extended, head trail.Head, found []archive.Seen, err error) {
	for {
		x = deliver.Extended{VerifierKey: c.archive.VerifierKey()}
		if head, x.Head, found, err = c.archive.Extends(seen, c.heads.keys()...); err != nil {
			return x, head, found, err
		}
		for _, s := range found {
			x.Consistency, x.Instead = append(x.Consistency, s.Consistency), append(x.Instead, s.Instead)
		}
		if since != "" && since != x.VerifierKey {
			later, err := c.archive.Successions(since, head.Size)
			if err != nil {
				return x, head, found, err
			}
			for _, s := range later {
				x.Successions = append(x.Successions, deliver.Succession{Note: s.Note, Consistency: s.Consistency})
			}
		}
		if x.VerifierKey == c.archive.VerifierKey() {
			return x, head, found, nil
		}
	}
}

// noteHead follows a commit: it writes down the present head, now and then, and
// wakes who follows.
func (c *Collector) noteHead() {
	c.metrics.wrote(c.now())
	c.news.ring()
	if err := c.heads.note(c.archive, false); err != nil {
		c.log.Error("the trail's head is not written down", "error", err)
	}
}

// noteHeads writes the present head down every now and then until ctx ends, since the
// last of entries that came within a moment may be followed by none for long.
func (c *Collector) noteHeads(ctx context.Context) {
	tick := time.NewTicker(noteEvery)
	defer tick.Stop()
	for told := false; ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		err := c.heads.note(c.archive, true)
		if err != nil && !told && ctx.Err() == nil {
			c.log.Error("the trail's head is not written down yet", "error", err)
		}
		told = err != nil
	}
}

// mayKeep says why nothing may be kept; nil when it may.
func (c *Collector) mayKeep() error {
	if c.copyOf != "" {
		return fault.New("keep", "", fmt.Errorf("this is a copy that follows %s, and is only read", c.copyOf)).
			WithHint("deliver to that collector, and ask it for marks and retractions")
	}
	return c.doubt()
}

// doubt says why nothing is kept: the archive's file is damaged, or its trail lacks
// a head that it signed. Damage is logged when it is met first.
func (c *Collector) doubt() error {
	err := c.archive.Damaged()
	if err == nil {
		return c.heads.err()
	}
	c.damaged.Do(func() {
		c.log.Error("nothing is kept until the archive is restored", "error", err, "hint", fault.HintOf(err))
	})
	return err
}

// scanEvery lies between two looks over the archive's file, and much more where a look
// takes long: all of them together take a hundredth of the time.
var scanEvery = time.Minute

// lookOver looks for damage in the archive's file while it is served, until it finds
// some. What is damaged in a page that leads to others is better found so than by who
// reads it: see archive.LookOver.
func (c *Collector) lookOver(ctx context.Context, every time.Duration) {
	for ctx.Err() == nil && c.archive.Damaged() == nil {
		began := time.Now()
		if err := c.archive.LookOver(ctx); err != nil && ctx.Err() == nil && c.doubt() == nil {
			c.log.Error("the archive's file cannot be looked over", "error", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(max(every, 99*time.Since(began))):
		}
	}
}
