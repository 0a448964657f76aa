package dispatch

import (
	"cmp"
	"errors"
	"slices"
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/fault"
	"witnessmark/internal/spool"
)

// demand gives whose signatures a run waits for: what it is held by, what was made
// for it when it began, or else what the post has for those that bring none. Only
// somebody's word, Instead, has it go by another. One that does not read is an error:
// the run stays.
func (p *Post) demand(q spool.Queued) (audit.Demand, error) {
	made := q.Demand
	if q.Held != nil {
		made = &q.Held.Demand
	}
	switch {
	case p.Instead != nil:
		return *p.Instead, nil
	case made != nil:
		d, err := audit.NewDemand(made.Witnesses, made.Need, made.Within)
		if err != nil {
			err = fault.New("let run go", q.ID, errors.Unwrap(err)).WithHint("the run stays in the spool; to say anew which witnesses it waits for: agent spool send --witness KEY")
		}
		return d, err
	case p.Demand != nil:
		return *p.Demand, nil
	}
	return audit.Demand{}, nil
}

// DemandOf gives a demand as it lies beside a run.
func DemandOf(d *audit.Demand) *spool.Demand {
	if d == nil {
		return nil
	}
	return &spool.Demand{Witnesses: d.Keys(), Need: d.Need, Within: d.Within}
}

// waits says why a run that is held goes on waiting; nil once it is to be offered
// again: enough have signed, or the trail has lost its entry.
func waits(met *audit.Trail, d audit.Demand, h *spool.Held) error {
	now, size := met.Met()
	u, waits := met.Covers(d).Unwitnessed(h.Index, d, h.Since, now)
	if !waits || h.Index >= size {
		return nil
	}
	return u
}

// keepBack keeps a run that the collector has kept until enough have signed it, which
// the error then says; nil when they have.
func (p *Post) keepBack(met *audit.Trail, d audit.Demand, id string, index int64, before *spool.Held) error {
	now, _ := met.Met()
	since := now
	if before != nil {
		since = before.Since
	}
	u, waits := met.Covers(d).Unwitnessed(index, d, since, now)
	if !waits {
		return nil
	}
	return cmp.Or(p.Spool.Hold(id, spool.Held{Index: index, Since: since.Truncate(time.Second), Demand: *DemandOf(&d)}), error(u))
}

// note remembers how far the witnesses have come that runs wait for.
func (p *Post) note(met *audit.Trail, waiting []spool.Queued) error {
	var all audit.Demand
	for _, q := range append([]spool.Queued{{}}, waiting...) { // first those of runs that bring none
		d, _ := p.demand(q) // whose error is told with the run
		for _, w := range d.Witnesses {
			if len(all.Witnesses) < audit.MostWitnesses && !slices.Contains(all.Keys(), w.Key()) {
				all.Witnesses = append(all.Witnesses, w)
			}
		}
	}
	return met.NoteWitnesses(met.Covers(all).Witnesses)
}
