package answer

import (
	"context"
	"errors"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// Cover holds a plan against what a Book has kept. It lists the plan's workloads on
// its rigs, and fetches one record for each configuration that differs from its
// rig's newest.
func Cover(ctx context.Context, b Book, p *setup.Plan, now time.Time) (compare.Coverage, error) {
	g := gatherer{book: b, plan: p, out: compare.Holdings{
		Now: now, Newest: map[compare.Station]compare.Made{}, States: map[[32]byte]rig.Snapshot{}, Rigs: map[string]compare.Made{},
	}}
	if err := g.gather(ctx); err != nil {
		return compare.Coverage{}, err
	}
	return compare.Cover(p, g.out), nil
}

type gatherer struct {
	book Book
	plan *setup.Plan
	out  compare.Holdings
}

func (g *gatherer) gather(ctx context.Context) error {
	listed := map[[2]string]bool{}
	for _, c := range g.plan.Cells {
		if wr := [2]string{c.Workload, c.Rig}; !listed[wr] {
			listed[wr] = true
			err := g.book.Runs(ctx, Query{Workload: c.Workload, Rig: c.Rig}, func(m Summary) error {
				g.out.Made = append(g.out.Made, made(m))
				return nil
			})
			if err != nil {
				return err
			}
		}
		at := compare.Station{Rig: c.Rig, Setup: c.Setup}
		if _, ok := g.out.Newest[at]; !ok {
			if err := g.newest(ctx, at); err != nil {
				return err
			}
		}
		if _, ok := g.out.Rigs[c.Rig]; !ok {
			if err := g.first(ctx, Query{Rig: c.Rig, Limit: 1}, func(Summary) bool { return true }, func(m compare.Made) { g.out.Rigs[c.Rig] = m }); err != nil {
				return err
			}
		}
	}
	return g.states(ctx)
}

// newest finds the last run at a station that counts, of any workload.
func (g *gatherer) newest(ctx context.Context, at compare.Station) error {
	fits := func(m Summary) bool {
		st := m.Judgement.Standing
		return m.Setup == at.Setup && (st == drift.Clean || st == drift.Careful && g.plan.Caution)
	}
	return g.first(ctx, Query{Rig: at.Rig, Setup: at.Setup}, fits, func(m compare.Made) { g.out.Newest[at] = m })
}

// first takes the newest run that fits.
func (g *gatherer) first(ctx context.Context, q Query, fits func(Summary) bool, take func(compare.Made)) error {
	err := g.book.Runs(ctx, q, func(m Summary) error {
		if !fits(m) {
			return nil
		}
		take(made(m))
		return errEnough
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

// states fetches the configurations that have to be held against each other.
func (g *gatherer) states(ctx context.Context) error {
	for _, m := range g.out.Made {
		newest, ok := g.out.Newest[compare.Station{Rig: m.Rig, Setup: m.Setup}]
		if !ok || m.Standing == drift.Voided || m.Configuration == newest.Configuration {
			continue
		}
		for _, x := range []compare.Made{m, newest} {
			if _, ok := g.out.States[x.Configuration]; ok {
				continue
			}
			d, err := g.book.Show(ctx, x.ID)
			if err != nil {
				return err
			}
			r, err := runOf(d)
			if err != nil {
				return err
			}
			g.out.States[x.Configuration] = r.Before
		}
	}
	return nil
}

func made(m Summary) compare.Made {
	var boot rig.BootClock
	if m.Clock != nil {
		boot = m.Clock.BootClock
	}
	return compare.Made{ID: m.ID, Rig: m.Rig, Workload: m.Workload, Version: m.WorkloadVersion, Setup: m.Setup,
		Started: m.Started, Boot: boot, Standing: m.Judgement.Standing, Configuration: m.Configuration}
}
