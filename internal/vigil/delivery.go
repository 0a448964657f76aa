package vigil

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/spool"
)

// How often the spool is looked at for runs of other processes, and how long a
// collector that takes none, or a run that is refused, is left alone, doubling from
// the first to the last.
const (
	lookEvery  = 5 * time.Second
	firstPause = time.Second
	lastPause  = time.Minute
)

// delivery carries what is spooled to this agent's destination. Runs for others
// stay for whoever put them there.
type delivery struct {
	vigil       *Vigil
	post        *dispatch.Post
	destination string
	refused     map[string]refused // by run
	held        int                // of those, in this pass, that were not offered
	unsigned    map[string]bool    // runs that wait for witnesses, and were told of
}

// refused is a run that the collector did not take. It is offered again all the
// same, since somebody may have seen to the reason, but ever more seldom.
type refused struct {
	until time.Duration // not before that, on the boot clock
	pause time.Duration
}

func newDelivery(v *Vigil, post *dispatch.Post, destination string) *delivery {
	d := &delivery{vigil: v, post: post, destination: destination, refused: map[string]refused{}, unsigned: map[string]bool{}}
	post.Hold = d.hold
	return d
}

func (d *delivery) run(ctx context.Context) {
	for failures := 0; ; {
		d.vigil.takeOver() // an agent run may have been killed meanwhile
		late, err := d.flush(ctx)
		if ctx.Err() != nil {
			return
		}
		d.vigil.troubles.set("deliver", err)
		pause, wake := lookEvery, d.vigil.finished
		if failures++; late {
			wake = nil // one run more is no reason to be impatient
			pause = min(firstPause<<min(failures-1, 10), lastPause)
			pause += time.Duration(rand.Int64N(int64(pause)/4 + 1)) // rigs that lost one collector come back apart
		} else {
			failures = 0
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		case <-wake:
		}
	}
}

// flush offers what waits, and gives why some of it still does. Late says that
// the collector takes nothing now; what keeps back single runs does not delay
// others.
func (d *delivery) flush(ctx context.Context) (late bool, err error) {
	var why error
	turned := 0
	d.held = 0
	var back heldBack
	err = d.post.Flush(ctx, d.destination, func(it spool.Item, got dispatch.Delivered) {
		switch {
		case errors.As(got.Err, &back.last):
			d.wait(it.ID, &back)
		case got.Err == nil:
			delete(d.refused, it.ID)
			delete(d.unsigned, it.ID)
			d.vigil.count.delivered.Add(1)
			d.vigil.o.Log.Info("delivered", "run", it.ID, "entry", entryOf(got))
		case errors.Is(got.Err, context.Canceled) && ctx.Err() != nil:
		case errors.Is(got.Err, dispatch.ErrDestination), errors.Is(got.Err, audit.ErrAlarm):
			late, why = true, got.Err
		case errors.Is(got.Err, deliver.ErrRefused), errors.Is(got.Err, deliver.ErrFiles):
			turned++
			d.turn(it.ID, got.Err)
		default:
			late, why = true, got.Err
		}
	})
	if late = late || errors.Is(err, dispatch.ErrDestination); !late {
		d.witnesses(back)
	}
	if turned += d.held; why == nil && err == nil && turned > 0 {
		why = fmt.Errorf("%d of the runs that wait are refused; see them with: agent spool", turned)
	}
	return late, cmp.Or(why, err)
}

// turn notes that a run was refused.
func (d *delivery) turn(id string, why error) {
	r, had := d.refused[id]
	if !had {
		d.vigil.o.Log.Error("a run is not taken", "run", id, "error", why)
	}
	r.pause = min(max(2*r.pause, firstPause), lastPause)
	r.until = d.vigil.o.Clock.Read().SinceBoot + r.pause
	d.refused[id] = r
}

// hold says whether a run is not to be offered yet.
func (d *delivery) hold(id string) bool {
	r, ok := d.refused[id]
	if ok = ok && d.vigil.o.Clock.Read().SinceBoot < r.until; ok {
		d.held++
	}
	return ok
}

func entryOf(d dispatch.Delivered) int64 { return d.Reply.Receipt.Index }
