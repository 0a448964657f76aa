package collect

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/rig"
)

// bell wakes all who wait for something new. The zero value is ready.
type bell struct {
	mu   sync.Mutex
	next chan struct{}
}

// wait gives a channel that closes with the next ring.
func (b *bell) wait() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.next == nil {
		b.next = make(chan struct{})
	}
	return b.next
}

func (b *bell) ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.next != nil {
		close(b.next)
		b.next = nil
	}
}

// mostFound is how many findings about one rig wait to be written.
const mostFound = 256

// found is a flag on a rig's present state that is new, as it is kept.
type found struct {
	Rig, Setup, Played string
	Judgement          drift.Judgement
}

// fresh gives the flags of a state that the one before did not have. One on a
// fact that has another reading is new; one that only counts on, such as how far
// a clock is off, is not.
func fresh(last, p *present) (out []found) {
	type about struct {
		kind   drift.Kind
		fact   rig.Key
		weight rig.Weight
	}
	had := map[about]bool{}
	was, is := map[rig.Key]rig.Fact{}, map[rig.Key]rig.Fact{}
	if last != nil {
		for _, f := range last.Judgement.Flags {
			had[about{f.Kind, f.Fact, f.Weight}] = true
		}
		for _, f := range last.Facts {
			was[f.Key] = f
		}
	}
	for _, f := range p.Facts {
		is[f.Key] = f
	}
	label := ""
	if p.Setup != nil {
		label = p.Setup.Label
	}
	for _, f := range p.Judgement.Flags {
		a, b := was[f.Fact], is[f.Fact]
		if had[about{f.Kind, f.Fact, f.Weight}] && a.Value == b.Value && a.Unread == b.Unread {
			continue
		}
		j := p.Judgement
		j.Flags = []drift.Flag{f}
		out = append(out, found{p.Rig, label, p.Played, j})
	}
	return out
}

// FollowFlags implements answer.Book. Each follower reads what is committed, a
// page at a time, at its own pace: one that is slow holds nobody and costs a page.
func (c *Collector) FollowFlags(ctx context.Context, from *answer.Place, yield func(answer.Flagged) error) error {
	at, err := c.place(from)
	if err != nil {
		return err
	}
	if err := yield(answer.Flagged{Next: at}); err != nil {
		return err
	}
	for {
		news := c.news.wait()
		if at.Entry, err = c.flaggedRuns(ctx, at, yield); err != nil {
			return err
		}
		if at.Finding, err = c.flaggedRigs(ctx, at, yield); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-news:
		}
	}
}

// place gives the place to begin at. One that this collector has not come to is
// of a trail that was put back.
func (c *Collector) place(from *answer.Place) (answer.Place, error) {
	head, _, err := c.archive.Head()
	if err != nil {
		return answer.Place{}, err
	}
	_, next, err := c.archive.News(0)
	now := answer.Place{Entry: head.Size, Finding: next, Trail: answer.TrailOf(c.archive.Origin())}
	if err != nil || from == nil {
		return now, err
	}
	switch {
	case from.Trail != now.Trail:
		err = errors.New("it is a place in another collector's trail")
	case from.Entry > now.Entry || from.Finding > now.Finding:
		err = fmt.Errorf("the collector has only come to %v: its archive was put back", now)
	}
	if err != nil {
		return now, sentinel{fault.New("follow flags", from.String(), err).WithHint("begin anew, without a place; what came until now is in collector flags and collector rigs"), answer.ErrState}
	}
	return *from, nil
}

// flaggedRuns yields the runs with flags that were kept from a place on, and
// gives the entry to go on from.
func (c *Collector) flaggedRuns(ctx context.Context, at answer.Place, yield func(answer.Flagged) error) (int64, error) {
	return c.Kept(ctx, at.Entry, func(index int64, id string) error {
		s, err := c.summary(id)
		if err != nil || len(s.Judgement.Flags) == 0 {
			return err
		}
		at.Entry = index + 1
		return yield(answer.Flagged{Next: at, Run: &s})
	})
}

// flaggedRigs does the same for the findings about rigs' present states.
func (c *Collector) flaggedRigs(ctx context.Context, at answer.Place, yield func(answer.Flagged) error) (int64, error) {
	for {
		page, next, err := c.archive.News(at.Finding)
		if err != nil {
			return at.Finding, err
		}
		first := next
		if len(page) > 0 {
			first = page[0].Number
		}
		if missed := first - at.Finding; missed > 0 {
			at.Finding = first
			if err := yield(answer.Flagged{Next: at, Missed: missed}); err != nil {
				return at.Finding, err
			}
		}
		if len(page) == 0 {
			return at.Finding, nil
		}
		for _, p := range page {
			var f found
			if err := json.Unmarshal(p.Data, &f); err != nil {
				return at.Finding, fault.New("follow flags", fmt.Sprint("finding ", p.Number), err)
			}
			if err := ctx.Err(); err != nil {
				return at.Finding, context.Cause(ctx)
			}
			at.Finding = p.Number + 1
			if err := yield(answer.Flagged{Next: at, Rig: (*answer.RigFlag)(&f)}); err != nil {
				return at.Finding, err
			}
		}
	}
}
