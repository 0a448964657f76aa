package audit

import (
	"context"
	"errors"

	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

var errNotShown = errors.New("it does not show that its trail goes on from the one that was seen")

// Saw remembers a head that was come to by other means than meeting the collector,
// such as by copying, where it is further than the last one seen. The collector must
// have been met.
func (a *Auditor) Saw(collector string, head []byte) error {
	free, err := a.alone()
	if err != nil {
		return err
	}
	defer free()
	m, err := a.recall(collector)
	if err != nil || m.Times == 0 {
		return err
	}
	last, line, err := m.open()
	if err == nil {
		var h trail.Head
		if h, err = trail.OpenHead(head, line); err == nil && h.Size > last.Size {
			m.Head, m.Seen = string(head), a.now().UTC()
			err = a.remember(m)
		}
	}
	if err != nil {
		return fault.New("remember trail", collector, err)
	}
	return nil
}

// Doubt settles what a head that the collector has signed says against another that
// was seen, where the one is not shown to add to the other. Two heads that cannot
// both be of one trail convict the collector, and are an alarm, which is the error
// and wraps ErrAlarm. Where they might, since what is wrong is a proof, or entries
// that came with them, the collector is asked once more: nil says that it has proved
// both heads, and that the fault lies in what came. If it gives the head that its trail
// has in the place of the one seen, the alarm is over those two: they convict alone.
func (t *Trail) Doubt(ctx context.Context, seen, now []byte, why error) error {
	last, line := t.known()
	h, err := trail.OpenHead(now, line)
	if err != nil {
		return err
	}
	last.Head = string(seen)
	return t.doubt(ctx, last, shown{h, now, line}, why)
}

func (t *Trail) doubt(ctx context.Context, last Memory, now shown, why error) error {
	if !convicts(why) {
		x, both, err := t.ask(ctx, []byte(last.Head), now.signed)
		if err != nil {
			return err
		}
		seen, _, err := last.open()
		if err == nil {
			err = trail.CheckConsistency(seen, both.Head, x.Consistency[0])
		}
		if err == nil {
			err = trail.CheckConsistency(now.Head, both.Head, x.Consistency[1])
		}
		if err == nil {
			return nil
		}
		if h, ok := t.instead(seen, x, both.line); ok {
			now, why = shown{h, x.Instead[0], both.line}, trail.ErrForked
		}
	}
	var inconsistent *trail.InconsistentError
	if errors.As(why, &inconsistent) {
		why = inconsistent.Why
	}
	if !convicts(why) {
		why = errNotShown
	}
	return t.auditor.raise(last, now, why)
}

// instead gives the head that the collector has signed in the place of one seen, of
// which the two are a proof of a fork. Of one that is before the last one seen it gives
// none: who accepts the alarm would go back to it.
func (t *Trail) instead(seen trail.Head, x deliver.Extended, line trail.Line) (trail.Head, bool) {
	t.mu.Lock()
	last := t.head
	t.mu.Unlock()
	h, err := trail.OpenHead(x.Instead[0], line)
	return h, err == nil && h.Size == seen.Size && h.Root != seen.Root && h.Size >= last.Size
}

// convicts says whether two heads, the one seen before the other, prove by themselves
// that they are not of a trail that only grows.
func convicts(why error) bool {
	return errors.Is(why, trail.ErrRolledBack) || errors.Is(why, trail.ErrForked)
}
