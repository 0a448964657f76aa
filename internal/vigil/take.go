package vigil

import (
	"context"
	"errors"
	"time"

	"witnessmark/internal/capture"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/take"
	"witnessmark/internal/watch"
)

// takeAgain is how long the agent waits before it tries again to take logs when it
// could not begin to.
const takeAgain = 10 * time.Second

// take makes runs of the logs in the plan's folders until ctx ends.
func (v *Vigil) take(ctx context.Context, p *Plan, destination string) {
	for {
		t, err := take.New(take.Options{
			Dir: v.path("take"), Folders: foldersOf(p), Clock: v.o.Clock, Timeline: v.timeline, Signals: v.pump, States: v.states, Spans: v.spans, Log: v.o.Log,
			Offset: func(wall time.Time, at watch.Instant) *rig.ClockOffset {
				if p.Collector == "" {
					return &rig.ClockOffset{Measured: wall} // it is kept by this very clock
				}
				v.mu.Lock()
				beats := v.beats
				v.mu.Unlock()
				return beats.offset(wall, at)
			},
			Look: func(ctx context.Context) rig.Snapshot { return probe.Snapshot(ctx, v.o.Tree, probe.Options{}) },
			Rig: &capture.Rig{
				Name: p.Name, Tree: v.o.Tree, Key: p.Key, Spool: v.spool, Destination: destination, Demand: dispatch.DemandOf(p.Demand),
				Played: v.o.Played, Version: v.o.Version, Now: v.o.Now, Random: v.o.Random,
			},
			Taken:    func(*record.Run) { v.count.taken.Add(1); poke(v.finished) },
			Happened: v.happened,
		})
		if v.troubles.set("take logs", err); err == nil {
			v.setTaker(t)
			err = t.Run(ctx)
			v.setTaker(nil)
			v.troubles.set("take logs", errors.Join(err, t.Close()))
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(takeAgain):
		}
	}
}

// foldersOf gathers what is looked for in each folder.
func foldersOf(p *Plan) (out []take.Folder) {
	at := map[string]int{}
	for _, f := range p.Folders {
		i, ok := at[f.Path]
		if !ok {
			i, at[f.Path] = len(out), len(out)
			out = append(out, take.Folder{Path: f.Path})
		}
		out[i].Logs = append(out[i].Logs, take.Logs{Match: f.Pattern, Workload: f.Workload, Setup: f.Setup, Quiet: f.Quiet})
	}
	return out
}

func (v *Vigil) setTaker(t *take.Taker) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.taker = t
}

// spanless says why no span can be named, or nil. Spans outlive the takers that a
// SIGHUP ends and begins, so that none is lost at one.
func (v *Vigil) spanless() error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if len(v.plan.Folders) > 0 {
		return nil
	}
	return fault.New("mark span", "", errors.New("this agent takes no logs")).WithHint("have it watch a folder: [[folder]] in the agent file")
}

// BeginSpan marks the beginning of a run.
func (v *Vigil) BeginSpan(name string) error {
	if err := v.spanless(); err != nil {
		return err
	}
	return v.spans.Begin(name)
}

// EndSpan marks its end, and gives how long it was.
func (v *Vigil) EndSpan(name string) (time.Duration, error) {
	if err := v.spanless(); err != nil {
		return 0, err
	}
	return v.spans.End(name)
}
