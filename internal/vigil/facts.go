package vigil

import (
	"context"
	"sync"
	"time"

	"witnessmark/internal/deliver"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
	"witnessmark/internal/watch"
)

// facts reads the machine's facts whenever they may have moved, and keeps the
// latest reading.
type facts struct {
	tree  *probe.Tree
	clock watch.Clock
	keep  func(rig.Snapshot, watch.Reading) // what others want of each reading; may be nil

	again chan struct{} // they may have moved
	moved chan struct{} // a reading was other than the one before

	mu   sync.Mutex
	last rig.Snapshot // as deliver.Lasting gives it
	at   watch.Reading
}

func newFacts(t *probe.Tree, c watch.Clock) *facts {
	return &facts{tree: t, clock: c, again: make(chan struct{}, 1), moved: make(chan struct{}, 1)}
}

// poke makes a channel of one ready, if it is not.
func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// A kernel that tells of one device tells of its parts as well: reading waits
// until it was quiet for calm, but no longer than hasty. Both are design choices.
const (
	calm  = time.Second
	hasty = 5 * time.Second
)

// run reads at once, then every so often and when told to, until ctx ends.
func (f *facts) run(ctx context.Context, every time.Duration, kernel <-chan struct{}) {
	for {
		f.read(ctx)
		timer := time.NewTimer(every)
		select {
		case <-timer.C:
		case <-f.again:
		case <-kernel:
			settle(ctx, kernel)
		case <-ctx.Done():
		}
		if timer.Stop(); ctx.Err() != nil {
			return
		}
	}
}

// settle waits until the kernel has been quiet.
func settle(ctx context.Context, kernel <-chan struct{}) {
	end := time.After(hasty)
	for {
		select {
		case <-kernel:
		case <-time.After(calm):
			return
		case <-end:
			return
		case <-ctx.Done():
			return
		}
	}
}

func (f *facts) read(ctx context.Context) {
	s := probe.Snapshot(ctx, f.tree, probe.Options{})
	at := f.clock.Read()
	if ctx.Err() != nil {
		return // it may have been cut short
	}
	if f.keep != nil {
		f.keep(s, at)
	}
	lasting := deliver.Lasting(s)
	f.mu.Lock()
	same := f.at.Boot == at.Boot && lasting.ConfigurationSHA256() == f.last.ConfigurationSHA256()
	f.last, f.at = lasting, at
	f.mu.Unlock()
	if !same {
		poke(f.moved)
	}
}

// latest gives the last reading and when it was; false before the first.
func (f *facts) latest() (rig.Snapshot, watch.Reading, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.last, f.at, f.at.Boot != ""
}
