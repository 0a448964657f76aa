package vigil

import (
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
// collector that takes none is left alone, doubling from the first to the last.
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
	paused      map[string]bool // runs that are not offered again, and were told of
}

func (d *delivery) run(ctx context.Context) {
	for failures := 0; ; {
		d.vigil.takeOver() // an agent run may have been killed meanwhile
		err := d.flush(ctx)
		if ctx.Err() != nil {
			return
		}
		d.vigil.troubles.set("deliver", err)
		pause := lookEvery
		if err != nil {
			pause = min(firstPause<<min(failures, 10), lastPause)
			pause += time.Duration(rand.Int64N(int64(pause)/4 + 1)) // rigs that lost one collector come back apart
			failures++
		} else {
			failures = 0
		}
		wake := d.vigil.finished
		if err != nil {
			wake = nil // one run more is no reason to be impatient
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		case <-wake:
		}
	}
}

// flush offers what waits, and gives why some of it still does.
func (d *delivery) flush(ctx context.Context) error {
	var late error
	refused := 0
	err := d.post.Flush(ctx, d.destination, func(it spool.Item, got dispatch.Delivered) {
		switch {
		case got.Err == nil:
			d.vigil.count.delivered.Add(1)
			d.vigil.o.Log.Info("delivered", "run", it.ID, "entry", entryOf(got))
		case errors.Is(got.Err, context.Canceled) && ctx.Err() != nil:
		case errors.Is(got.Err, audit.ErrAlarm):
			late = got.Err
		case errors.Is(got.Err, deliver.ErrRefused), errors.Is(got.Err, deliver.ErrFiles):
			if refused++; !d.paused[it.ID] {
				d.paused[it.ID] = true
				d.vigil.o.Log.Error("a run is not taken", "run", it.ID, "error", got.Err)
			}
		default:
			late = got.Err
		}
	})
	if late == nil {
		late = err
	}
	if late == nil && refused > 0 {
		late = fmt.Errorf("%d of the runs that wait are refused; see them with: agent spool", refused)
	}
	return late
}

func entryOf(d dispatch.Delivered) int64 { return d.Reply.Receipt.Index }
