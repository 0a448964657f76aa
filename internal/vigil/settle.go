package vigil

import (
	"context"
	"errors"
	"slices"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/watch"
)

const (
	settleEvery = time.Second
	// stale is how old a sample may be to tell how the rig is now: slow sensors
	// are read every five seconds.
	stale = 12 * time.Second
	// hopeless is how long the agent samples before what it could not read by then
	// is waited for no longer.
	hopeless = 15 * time.Second
)

// Settle waits until the rig is as want says, or its limit. Each second it tells
// what is not settled yet, and it gives what is not at the end. When all that is
// left could not be read since the agent began, it does not wait for the limit.
func (v *Vigil) Settle(ctx context.Context, want setup.Settle, tell func(left []string) error) (left []string, err error) {
	start := v.o.Clock.Read()
	tick := time.NewTicker(settleEvery)
	defer tick.Stop()
	for {
		now := v.o.Clock.Read()
		left, unread := v.unsettled(want, now)
		over := now.Boot != start.Boot || now.SinceBoot-start.SinceBoot >= want.Limit
		if len(left) == 0 && (len(unread) == 0 || now.SinceBoot-v.started.SinceBoot >= hopeless) {
			over = true
		}
		if left = append(left, unread...); over {
			return left, nil
		}
		if err := tell(left); err != nil {
			return left, err
		}
		select {
		case <-ctx.Done():
			return left, context.Cause(ctx)
		case <-v.ending:
			return left, ErrEnding
		case <-tick.C:
		}
	}
}

// ErrEnding is returned when the agent ends while somebody waits for something.
var ErrEnding = errors.New("the agent is stopping")

func (v *Vigil) unsettled(want setup.Settle, now watch.Reading) (left, unread []string) {
	signals := slices.Clone(v.pump.Latest())
	for i := range signals {
		s := &signals[i]
		if n := len(s.Offsets); n > 0 && now.SinceBoot-s.Offsets[n-1] > stale {
			s.Offsets, s.Values, s.Unread = nil, nil, rig.Unread{Reason: rig.Unknown, Detail: "not sampled of late"}
		}
	}
	return watch.Unsettled(signals, want)
}
