package dispatch

import (
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/spool"
)

// demand gives whose signatures a run waits for: what the post was told, and else
// what the run was held by before. One that does not read demands nothing.
func (p *Post) demand(h *spool.Held) audit.Demand {
	if p.Demand != nil {
		return *p.Demand
	}
	if h == nil {
		return audit.Demand{}
	}
	d, err := audit.NewDemand(h.Witnesses, h.Need, h.Within)
	if err != nil {
		return audit.Demand{}
	}
	return d
}

// waits says why a run that is held goes on waiting; nil once it is to be offered
// again: enough have signed, or the trail has lost its entry.
func (p *Post) waits(met *audit.Trail, h *spool.Held) error {
	now, size := met.Met()
	d := p.demand(h)
	u, waits := met.Covers(d).Unwitnessed(h.Index, d, h.Since, now)
	if !waits || h.Index >= size {
		return nil
	}
	return u
}

// keepBack keeps a run that the collector has kept until enough have signed it, which
// the error then says; nil when they have.
func (p *Post) keepBack(met *audit.Trail, id string, index int64, before *spool.Held) error {
	d := p.demand(before)
	since, _ := met.Met()
	if before != nil {
		since = before.Since
	}
	now, _ := met.Met()
	u, waits := met.Covers(d).Unwitnessed(index, d, since, now)
	if !waits {
		return nil
	}
	err := p.Spool.Hold(id, spool.Held{Index: index, Since: since.Truncate(time.Second), Witnesses: d.Keys(), Need: d.Need, Within: d.Within})
	if err != nil {
		return err
	}
	return u
}

// note remembers how far the witnesses have come.
func (p *Post) note(met *audit.Trail, waiting []spool.Queued) error {
	d := p.demand(nil)
	for _, w := range waiting {
		if d.Need == 0 && w.Held != nil {
			d = p.demand(w.Held)
		}
	}
	return met.NoteWitnesses(met.Covers(d).Witnesses)
}
