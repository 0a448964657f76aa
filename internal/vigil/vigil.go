package vigil

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/capture"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
	"witnessmark/internal/spool"
	"witnessmark/internal/take"
	"witnessmark/internal/watch"
)

// Options are what a vigil takes from outside. All are needed but Kernel and Played.
type Options struct {
	Plan    *Plan
	State   string // the state folder
	Version string
	Played  string // why the facts are not this machine's; "" when they are

	Tree    *probe.Tree
	Clock   watch.Clock
	Now     func() time.Time
	Random  io.Reader
	Kernel  <-chan struct{} // its word that facts may have moved
	Connect func(ctx context.Context, destination string) (*dispatch.Way, error)
	Log     *slog.Logger
}

// Vigil is one agent at work on one state folder.
type Vigil struct {
	o        Options
	lock     *os.File
	timeline *watch.Timeline
	ring     *watch.Ring
	pump     *watch.Pump
	spool    *spool.Spool
	auditor  *audit.Auditor
	states   *take.States
	spans    *take.Spans
	facts    *facts
	troubles troubles
	count    counts
	started  watch.Reading
	finished chan struct{} // a run was spooled
	ending   chan struct{} // closed when Run's context ends
	plans    chan *Plan    // to be gone by from now on

	mu    sync.Mutex
	plan  *Plan
	taker *take.Taker // nil while no logs are taken
	beats *beats      // of the plan in force; nil without a collector
}

// counts are of this process.
type counts struct {
	answered, unanswered, taken, delivered atomic.Uint64
	unsigned, overdue                      atomic.Int64 // runs that wait for witnesses; witnesses that keep overdue ones waiting
}

func (c *counts) beat(err error) {
	if err == nil {
		c.answered.Add(1)
	} else {
		c.unanswered.Add(1)
	}
}

// Open takes hold of the state folder, which only one vigil may have.
func Open(o Options) (*Vigil, error) {
	v := &Vigil{
		o: o, plan: o.Plan, troubles: troubles{log: o.Log, now: o.Now}, facts: newFacts(o.Tree, o.Clock), started: o.Clock.Read(),
		finished: make(chan struct{}, 1), ending: make(chan struct{}), plans: make(chan *Plan),
	}
	if err := v.open(); err != nil {
		v.close()
		return nil, err
	}
	v.pump = &watch.Pump{
		Tree: o.Tree, Clock: o.Clock, Timeline: v.timeline, Ring: v.ring, Full: o.Plan.FullPace, Idle: o.Plan.IdlePace,
		Happened: v.happened,
		Troubled: func(err error) { v.troubles.set("keep signals", err) },
	}
	return v, nil
}

func (v *Vigil) open() error {
	err := durable.MakeDir(v.o.State)
	if err == nil {
		v.lock, err = durable.TryLock(v.path("serve.lock"), os.O_CREATE|os.O_RDWR)
	}
	switch {
	case err != nil:
		return fault.New("open state folder", v.o.State, err).WithHint("the agent must be able to write it; name another with state in the agent file")
	case v.lock == nil:
		return fault.New("open state folder", v.o.State, errors.New("another agent serve has it")).WithHint("one for each rig is enough; stop the other one first")
	}
	if v.timeline, err = watch.OpenTimeline(v.path("clocks")); err != nil {
		return err
	}
	if n := v.timeline.Damaged(); n > 0 {
		v.o.Log.Warn("what was known of the clocks is damaged", "lines", n)
	}
	if v.ring, err = watch.OpenRing(v.path("ring"), watch.RingBounds{Keep: v.o.Plan.RingKeep, Bytes: v.o.Plan.RingBytes}); err != nil {
		return err
	}
	if v.spool, err = spool.Open(v.path("spool")); err != nil {
		return err
	}
	v.spool.Limit(spool.Limits{Bytes: v.o.Plan.SpoolBytes}, v.o.Plan.Key)
	if v.states, err = take.OpenStates(v.path("states.jsonl")); err != nil {
		return err
	}
	if v.spans, err = take.OpenSpans(filepath.Join(v.path("take"), "spans.jsonl"), v.o.Clock); err != nil {
		return err
	}
	v.facts.keep = func(s rig.Snapshot, at watch.Reading) { v.troubles.set("keep state", v.states.Note(at, s)) }
	if v.auditor, err = audit.Open(v.path("trails"), v.o.Now); err != nil {
		return err
	}
	v.auditor.OnSuccession(func(collector, from, to string) {
		v.o.Log.Info("another key signs the collector's trail, as the one before it has signed", "collector", collector, "key", to, "before", from)
	})
	return nil
}

// happened sees to what the clocks did: whoever noticed it first tells of it.
func (v *Vigil) happened(e watch.Event) {
	v.o.Log.Info("the clocks", "happened", e)
	poke(v.facts.again)
}

// path gives a place in the state folder.
func (v *Vigil) path(name string) string { return filepath.Join(v.o.State, name) }

func (v *Vigil) close() {
	var errs []error
	if v.ring != nil {
		errs = append(errs, v.ring.Close())
	}
	if v.states != nil {
		errs = append(errs, v.states.Close())
	}
	if v.spans != nil {
		errs = append(errs, v.spans.Close())
	}
	if v.timeline != nil {
		errs = append(errs, v.timeline.Close())
	}
	if err := errors.Join(errs...); err != nil {
		v.o.Log.Warn("close", "error", err)
	}
	if v.lock != nil {
		v.lock.Close()
	}
}

// Run does the agent's work until ctx ends. What was sampled by then is in the
// ring, and what could not be delivered in the spool.
func (v *Vigil) Run(ctx context.Context) {
	defer v.close()
	context.AfterFunc(ctx, func() { close(v.ending) })
	var all sync.WaitGroup
	all.Go(func() { v.pump.Run(ctx) })
	v.takeOver() // which may take long
	for plan := v.plan; plan != nil; {
		plan = v.goBy(ctx, plan)
	}
	all.Wait()
}

// Trouble notes that something around the agent does not work, or with nil that
// it does again.
func (v *Vigil) Trouble(what string, err error) { v.troubles.set(what, err) }

// takeOver finishes what an agent that was killed left unfinished.
func (v *Vigil) takeOver() {
	v.mu.Lock()
	key := v.plan.Key
	v.mu.Unlock()
	runs, err := (&capture.Rig{Key: key, Spool: v.spool}).Recover()
	for _, run := range runs {
		v.o.Log.Info("finished from what a stopped agent had left", "run", run.ID)
	}
	v.troubles.set("take over", err)
}

// goBy does by a plan what may change while the agent runs, until ctx ends or
// there is another plan, which it gives.
func (v *Vigil) goBy(ctx context.Context, p *Plan) (next *Plan) {
	duty, cancel := context.WithCancel(ctx)
	var all sync.WaitGroup
	defer all.Wait()
	defer cancel()
	v.mu.Lock()
	v.plan, v.beats = p, nil
	v.mu.Unlock()
	v.spool.Rekey(p.Key)
	destination := cmp.Or(p.Collector, spool.Embedded)
	all.Go(func() { v.facts.run(duty, p.FactsEvery, v.o.Kernel) })
	if len(p.Folders) > 0 {
		all.Go(func() { v.take(duty, p, destination) })
	}
	all.Go(func() { v.converse(duty, p, destination) })
	select {
	case <-ctx.Done():
		return nil
	case p := <-v.plans:
		return p
	}
}

// reachAgain is how long the agent waits before it tries again to reach a
// collector when it could not begin to: its key or certificates were not readable.
const reachAgain = 5 * time.Second

// converse beats and delivers until ctx ends.
func (v *Vigil) converse(ctx context.Context, p *Plan, destination string) {
	const what = "reach the collector"
	for {
		err := v.speak(ctx, p, destination)
		if ctx.Err() != nil {
			v.troubles.set(what, nil)
			return
		}
		v.troubles.set(what, err)
		select {
		case <-ctx.Done():
		case <-time.After(reachAgain):
		}
	}
}

// speak beats and delivers over one connection until ctx ends; its error is that
// there can be none.
func (v *Vigil) speak(ctx context.Context, p *Plan, destination string) error {
	post := &dispatch.Post{Spool: v.spool, Auditor: func() (*audit.Auditor, error) { return v.auditor, nil }, Connect: v.o.Connect, Demand: p.Demand}
	var all sync.WaitGroup
	defer all.Wait()
	if p.Collector == "" {
		v.troubles.set("beat", nil) // of the collector before
	} else {
		way, err := v.o.Connect(ctx, destination)
		if err != nil {
			return err
		}
		v.troubles.set("reach the collector", nil)
		all.Go(func() {
			<-ctx.Done()
			way.Close()
		})
		post.Connect = func(context.Context, string) (*dispatch.Way, error) {
			return &dispatch.Way{ClientConnInterface: way, Where: way.Where, Close: func() error { return nil }}, nil
		}
		b := &beats{vigil: v, conn: way, where: way.Where, plan: p}
		v.mu.Lock()
		v.beats = b
		v.mu.Unlock()
		all.Go(func() { b.run(ctx) })
	}
	newDelivery(v, post, destination).run(ctx)
	return nil
}

// Reload has the vigil go by another plan from now on. It names what of it takes
// effect only when the agent is started anew.
func (v *Vigil) Reload(ctx context.Context, p *Plan) (later []string, err error) {
	later = p.fixed(v.o.Plan)
	select {
	case v.plans <- p:
	case <-v.ending:
		return nil, ErrEnding
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	if len(later) > 0 {
		v.o.Log.Warn("takes effect when the agent is started anew", "keys", strings.Join(later, ", "))
	}
	return later, nil
}

// waiting is what has yet to be delivered.
func (v *Vigil) waiting() deliver.Waiting {
	u, err := v.spool.Usage()
	v.troubles.set("look at the spool", err)
	v.troubles.set("keep runs", v.spool.Room())
	return deliver.Waiting{Runs: u.Runs, Size: u.Size, Oldest: u.Oldest}
}

// stuckAfter is how long a pass may be late before the agent is not well. A
// machine that was suspended just now is well.
const stuckAfter = 30 * time.Second

// Check says why the agent is not at work, or nil.
func (v *Vigil) Check(context.Context) error {
	pace, last, ok := v.pump.Pace()
	now := v.o.Clock.Read()
	if !ok {
		last = v.started
	}
	if late := now.Awake - last.Awake; now.Boot == last.Boot && late > pace+stuckAfter {
		return fmt.Errorf("no signal was sampled for %v", late.Round(time.Second))
	}
	return nil
}
