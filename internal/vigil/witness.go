package vigil

import "witnessmark/internal/audit"

// heldBack is what one pass found waiting for witnesses.
type heldBack struct {
	last   audit.Unwitnessed // the one at hand
	runs   int
	oldest audit.Unwitnessed // that is overdue; without Of there is none
}

// wait counts a run that the collector has kept and witnesses have not signed yet.
func (d *delivery) wait(id string, h *heldBack) {
	delete(d.refused, id)
	if h.runs++; h.last.Overdue() && (h.oldest.Of == 0 || h.last.Since.Before(h.oldest.Since)) {
		h.oldest = h.last
	}
	if !d.unsigned[id] {
		d.unsigned[id] = true
		d.vigil.o.Log.Info("kept by the collector; waits for witnesses", "run", id, "entry", h.last.Index, "need", h.last.Need)
	}
}

// witnesses tells of those that are overdue. It is no alarm: what they have not
// signed may be as it should, and runs go on being delivered.
func (d *delivery) witnesses(h heldBack) {
	d.vigil.count.unsigned.Store(int64(h.runs))
	if h.oldest.Of == 0 {
		d.vigil.count.overdue.Store(0)
		d.vigil.troubles.set("witnesses", nil)
		return
	}
	d.vigil.count.overdue.Store(int64(len(h.oldest.Behind)))
	d.vigil.troubles.set("witnesses", h.oldest)
}

// Witnesses tells how many runs wait for witnesses, and how many of those keep
// one waiting for longer than was demanded.
func (v *Vigil) Witnesses() (unsigned, overdue int64) {
	return v.count.unsigned.Load(), v.count.overdue.Load()
}
