package watch

import (
	"cmp"
	"context"
	"errors"
	"sync"
	"time"

	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
)

// The paces of a pump that was given none.
const (
	fullPace = 100 * time.Millisecond
	idlePace = time.Second
)

// How a pump goes about it; all are design choices.
const (
	// From busyFrom processors at work on the pace is full, and slow again once
	// fewer than quietBelow were for quietFor: an idle desktop is below both.
	busyFrom   = 0.3
	quietBelow = 0.15
	quietFor   = time.Minute

	pieceOf     = 5 * time.Second // what a killed agent loses at most
	rescanEvery = 5 * time.Minute
)

// Pump samples for as long as the agent lives, slowly while the machine is idle
// and at the full pace while it is not, into a ring, and notes the clocks on the way.
type Pump struct {
	Tree     *probe.Tree
	Clock    Clock
	Timeline *Timeline
	Ring     *Ring

	Full, Idle time.Duration // between passes; 0 stands for 100 ms and for 1 s

	// Happened is told of each event of the clocks, Troubled of what could not be
	// stored, and with nil that it can be again. Both are called by Run, may be
	// nil, and must not block.
	Happened func(Event)
	Troubled func(error)

	mu          sync.Mutex
	sampler     *probe.Sampler
	first, last Reading // passes not in the ring yet; first is zero when there are none
	full        bool
	quietSince  time.Duration
	rescanAt    time.Duration
	trouble     error
	woken       chan struct{}
}

// Run samples until ctx ends, and hands the ring what it has by then.
func (p *Pump) Run(ctx context.Context) {
	p.mu.Lock()
	woken := p.wakes()
	p.mu.Unlock()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			p.mu.Lock()
			defer p.mu.Unlock()
			p.settle(p.flush())
			if p.sampler != nil {
				p.sampler.Close()
			}
			return
		case <-timer.C:
		case <-woken:
		}
		start := time.Now()
		timer.Reset(max(0, p.step()-time.Since(start)))
	}
}

func (p *Pump) wakes() chan struct{} {
	if p.woken == nil {
		p.woken = make(chan struct{}, 1)
	}
	return p.woken
}

// Wake sets the full pace at once, for who knows that something begins.
func (p *Pump) Wake() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.quietSince = p.last.SinceBoot; p.full {
		return
	}
	p.full = true
	select {
	case p.wakes() <- struct{}{}:
	default:
	}
}

// step makes one pass and gives how long to wait for the next.
func (p *Pump) step() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	r := p.Clock.Read()
	r.SinceBoot = r.SinceBoot.Round(100 * time.Microsecond) // as records have it, and it packs better
	e, err := p.Timeline.Note(r)
	apart := p.last.Boot != r.Boot || r.SinceBoot-p.last.SinceBoot > apartAt(p.slowest())
	if apart || e != nil {
		err = errors.Join(err, p.flush())
	}
	if e != nil && p.Happened != nil {
		p.Happened(*e)
	}
	if p.sampler == nil || p.last.Boot != r.Boot {
		p.begin(r)
		p.rescanAt = r.SinceBoot + rescanEvery
	} else if apart || e != nil || r.SinceBoot >= p.rescanAt {
		p.sampler.Rescan()
		p.rescanAt = r.SinceBoot + rescanEvery
	}
	if p.last.SinceBoot >= r.SinceBoot {
		return p.fullPace()
	}
	p.sampler.Take(r.SinceBoot)
	if p.last = r; p.first == (Reading{}) {
		p.first = r
	}
	if r.SinceBoot-p.first.SinceBoot >= pieceOf {
		err = errors.Join(err, p.flush())
	}
	p.settle(err)
	return p.pace(r.SinceBoot)
}

// begin starts sampling, at the full pace until the load is known.
func (p *Pump) begin(r Reading) {
	if p.sampler != nil {
		p.sampler.Close()
	}
	p.sampler = probe.NewSampler(p.Tree, probe.SampleOptions{Pace: p.fullPace()})
	p.full, p.quietSince, p.last = true, r.SinceBoot, Reading{Boot: r.Boot, SinceBoot: -1}
}

// pace decides by the load how soon the next pass is due.
func (p *Pump) pace(now time.Duration) time.Duration {
	busy, ok := p.sampler.Busy()
	switch {
	case !ok:
		if _, err := p.Tree.Read("proc/stat"); err == nil {
			p.quietSince = now // soon known
		}
	case busy >= busyFrom:
		p.full, p.quietSince = true, now
	case busy >= quietBelow:
		p.quietSince = now
	}
	if now-p.quietSince >= quietFor {
		p.full = false
	}
	pace := p.present()
	p.sampler.Pace(pace)
	return pace
}

func (p *Pump) fullPace() time.Duration { return cmp.Or(p.Full, fullPace) }

// present is the pace that is in force.
func (p *Pump) present() time.Duration {
	if p.full {
		return p.fullPace()
	}
	return p.slowest()
}

func (p *Pump) slowest() time.Duration { return max(cmp.Or(p.Idle, idlePace), p.fullPace()) }

// Pace gives the pace in force and when the last pass was; false before the first.
func (p *Pump) Pace() (pace time.Duration, last Reading, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.present(), p.last, p.sampler != nil
}

// flush hands the ring what was sampled since it was last done.
func (p *Pump) flush() error {
	if p.first == (Reading{}) {
		return nil
	}
	piece := Piece{From: p.first, To: p.last, Signals: p.sampler.Drain(), Cost: probe.SelfCost(), Pace: p.slowest()}
	p.first = Reading{}
	return p.Ring.Append(piece)
}

// settle tells of trouble that is new or over.
func (p *Pump) settle(err error) {
	changed := (err == nil) != (p.trouble == nil)
	if err == nil && p.first != (Reading{}) && p.trouble != nil {
		return // nothing was stored meanwhile that would show it is over
	}
	p.trouble = err
	if changed && p.Troubled != nil {
		p.Troubled(err)
	}
}

// Trouble is why the latest signals could not be stored, nil when they were.
func (p *Pump) Trouble() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.trouble
}

// Latest gives each signal with its latest sample, its offset being since the
// boot; nil before the first pass.
func (p *Pump) Latest() []rig.Signal {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.sampler == nil {
		return nil
	}
	return p.sampler.Latest()
}

// Cut is that of the ring, with what was sampled up to now.
func (p *Pump) Cut(from, to Instant) (Cut, error) {
	p.mu.Lock()
	if err := p.flush(); err != nil {
		p.settle(err)
	}
	p.mu.Unlock()
	return p.Ring.Cut(from, to)
}
