package main

import (
	"context"
	"time"

	"witnessmark/internal/deliver"
	"witnessmark/internal/dispatch"
	rigs "witnessmark/internal/rig"
	"witnessmark/internal/watch"
)

// How the clock of a collector is asked: more than once, since the first answer
// also waits for the connection, and for so long at most. What it said is gone by
// for a while, over which two clocks drift apart by no more than 9 ms.
const (
	clockAsks  = 3
	clockWaits = 5 * time.Second
	clockHolds = 10 * time.Minute
)

// farClock is what is known of the clock of the collector that runs go to. It is
// asked before a run, so that none has to wait for it once it has begun.
type farClock struct {
	clock watch.Clock
	known deliver.Offsets
	next  time.Duration // on the boot clock, when to ask again
	why   string        // it is not known
}

// learn asks the collector for its time, unless it did lately.
func (f *farClock) learn(ctx context.Context, connect func(context.Context) (*dispatch.Way, error)) {
	now := f.clock.Read().SinceBoot
	if now < f.next {
		return
	}
	f.next = now + clockHolds
	ctx, cancel := context.WithTimeout(ctx, clockWaits)
	defer cancel()
	if err := f.ask(ctx, connect); err != nil {
		f.why = "the collector could not be asked its time: " + err.Error()
	}
}

func (f *farClock) ask(ctx context.Context, connect func(context.Context) (*dispatch.Way, error)) error {
	way, err := connect(ctx)
	if err != nil {
		return err
	}
	defer way.Close()
	for range clockAsks {
		left := f.clock.Read().SinceBoot
		received, answered, err := deliver.AskTime(ctx, way)
		if err != nil {
			return err
		}
		f.known.Add(left, received, answered, f.clock.Read().SinceBoot)
	}
	return nil
}

// offset is how far the wall clock is ahead of the collector's now, or why that
// is not known.
func (f *farClock) offset() (*rigs.ClockOffset, rigs.Unread) {
	now := f.clock.Read()
	if o := f.known.At(now.Wall, now.SinceBoot); o != nil {
		return o, rigs.Unread{}
	}
	return nil, rigs.Unread{Reason: rigs.Absent, Detail: f.why}
}
