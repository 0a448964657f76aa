package vigil

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/audit"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/watch"
)

// beats sends signs of life, with what moved.
type beats struct {
	vigil *Vigil
	conn  grpc.ClientConnInterface
	where string // how errors call the collector
	plan  *Plan
	pulse deliver.Pulse

	mu    sync.Mutex
	last  deliver.BeatReply // of the last one that was answered
	since time.Time         // when it was
	at    watch.Reading     // likewise
	ahead *rig.ClockOffset  // of the wall clock then; nil when it is not known
}

const (
	patience = 20 * time.Second // for one beat
	retry    = 2 * time.Second  // the first pause after one that failed; it doubles up to the plan's
	asked    = time.Second      // the pause before whole facts are sent that were asked for
)

// run beats until ctx ends: every so often, at once when facts moved, and when
// whole facts are wanted.
func (b *beats) run(ctx context.Context) {
	pause := time.Duration(0)
	for failures := 0; ; {
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		case <-b.vigil.facts.moved:
		}
		beat, ok := b.next()
		if !ok {
			pause = asked // facts are being read for the first time
			continue
		}
		reply, err := b.send(ctx, beat)
		if ctx.Err() != nil {
			return
		}
		b.vigil.troubles.set("beat", err)
		b.vigil.count.beat(err)
		switch {
		case err != nil:
			pause = min(retry<<min(failures, 10), b.plan.BeatEvery)
			failures++
			continue
		case reply.Wanted != 0:
			pause = asked
		default:
			pause = b.plan.BeatEvery
		}
		failures = 0
	}
}

// next makes the next beat; false while facts were never read.
func (b *beats) next() (deliver.Beat, bool) {
	v := b.vigil
	facts, _, ok := v.facts.latest()
	if !ok {
		return deliver.Beat{}, false
	}
	now := v.o.Clock.Read()
	beat := deliver.Beat{
		Rig: b.plan.Name, Boot: now.Boot, SinceBoot: now.SinceBoot, Wall: now.Wall, Every: b.plan.BeatEvery,
		Facts: facts, Waiting: v.waiting(), Troubles: v.present(), Agent: v.o.Version, Played: v.o.Played,
	}
	if s := b.plan.Setup; s != nil {
		beat.Setup = &record.Setup{Label: s.Label, Source: s.Source, FileName: filepath.Base(s.File)}
	}
	return b.pulse.Next(beat), true
}

func (b *beats) send(ctx context.Context, beat deliver.Beat) (deliver.BeatReply, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, patience, fmt.Errorf("it took more than %v", patience))
	defer cancel()
	reply, err := deliver.SendBeat(ctx, b.conn, beat)
	if err != nil {
		if errors.Is(err, deliver.ErrRefused) {
			b.pulse.Forget() // whatever it was that the collector does not take, all of it is sent next
			if e := b.meet(ctx); errors.Is(e, audit.ErrAlarm) {
				return reply, e
			}
		}
		return reply, b.failed(err)
	}
	now := b.vigil.o.Clock.Read()
	b.pulse.Heard(beat, reply, now.SinceBoot)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.at, b.ahead = now, b.pulse.Offsets.At(now.Wall, now.SinceBoot)
	if reply.Judgement.Standing == "" {
		reply.Judgement = b.last.Judgement
	}
	b.last, b.since = reply, b.vigil.o.Now()
	return reply, nil
}

// meet holds the trail of a collector that refuses the rig against what was seen of
// it: it may have been put back to before the rig joined it.
func (b *beats) meet(ctx context.Context) error {
	_, err := b.vigil.auditor.Meet(ctx, b.conn, b.plan.Collector)
	return err
}

// failed names the collector in a beat's error, and says what to do.
func (b *beats) failed(err error) error {
	var f *fault.Error
	if errors.As(err, &f) {
		err = f.Why
	}
	hint := "it is tried again; the collector must run at that address and know this rig, which is made so with: agent enroll"
	if errors.Is(err, deliver.ErrRefused) {
		hint = "where it is about the rig's name or certificate, enrol the rig with: agent enroll; else the collector's log says more"
	}
	return fault.New("beat", b.where, err).WithHint(hint)
}

// answered gives what the collector last said, and when; false before it did.
func (b *beats) answered() (deliver.BeatReply, time.Time, bool) {
	if b == nil {
		return deliver.BeatReply{}, time.Time{}, false
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.last, b.since, !b.since.IsZero()
}

// offset gives how far the wall clock was ahead of the collector's when it showed
// wall at an instant; nil when nothing is known of that boot of the machine.
func (b *beats) offset(wall time.Time, at watch.Instant) *rig.ClockOffset {
	if b == nil {
		return nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ahead == nil || b.at.Boot != at.Boot {
		return nil
	}
	set := wall.Add(-at.At).Sub(b.at.Wall.Add(-b.at.SinceBoot)) // by as much it was ahead of what it is now
	return &rig.ClockOffset{Ahead: b.ahead.Ahead + set, Uncertainty: b.ahead.Uncertainty, Measured: b.ahead.Measured.Add(set)}
}
