package follow

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/audit"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	pb "witnessmark/proto/witnessmark/v1"
)

// meet holds the source's trail against the one that was seen, and says in a
// follower's words that it was not met.
func (f *Follower) meet(ctx context.Context, conn grpc.ClientConnInterface) (*audit.Trail, error) {
	within, done := context.WithTimeoutCause(ctx, f.quiet(), f.late())
	defer done()
	source, err := f.Auditor.Meet(within, conn, f.Source)
	var why *fault.Error
	switch {
	case err == nil, errors.Is(err, audit.ErrAlarm):
		return source, err
	case ctx.Err() == nil && within.Err() != nil:
		return nil, f.late()
	case !errors.As(err, &why):
		return nil, err
	}
	said := func(as, of error) *fault.Error {
		return fault.New("follow", f.Source, fmt.Errorf("%w: %s", as, strings.TrimPrefix(why.Why.Error(), of.Error()+": ")))
	}
	switch {
	case errors.Is(err, deliver.ErrUnreachable):
		return nil, said(ErrUnreachable, deliver.ErrUnreachable).WithHint(notReached)
	case errors.Is(err, deliver.ErrRefused):
		return nil, said(ErrRefused, deliver.ErrRefused).WithHint(notAllowed)
	}
	return nil, err
}

// quiet is how long the source may say nothing where it is its turn.
func (f *Follower) quiet() time.Duration { return cmp.Or(f.Limits.Quiet, time.Minute) }

func (f *Follower) late() error {
	return fault.New("follow", f.Source, fmt.Errorf("%w: nothing came in %v", ErrUnreachable, f.quiet()))
}

// timed is what comes of a source. Once a step has begun, the rest of it must come.
type timed struct {
	incoming
	late *time.Timer
	most time.Duration
}

func (t timed) Recv() (*pb.FollowResponse, error) {
	t.late.Reset(t.most)
	defer t.late.Stop()
	return t.incoming.Recv()
}

// doubt is the error of a head that is not shown to add to the copy's: the alarm over
// both, or that the source has proved them when it was asked once more.
func (f *Follower) doubt(ctx context.Context, source *audit.Trail, seen, now []byte, why error) error {
	within, done := context.WithTimeoutCause(ctx, f.quiet(), f.late())
	defer done()
	if err := source.Doubt(within, seen, now, why); err != nil {
		return err
	}
	return fault.New("follow", f.Source, fmt.Errorf("%w: %w, though it can prove that head", ErrUnreachable, why))
}
