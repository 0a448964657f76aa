package collect

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"witnessmark/internal/answer"
)

// withBeats adds to a listing what the beats say, and the rigs that have no runs.
func (c *Collector) withBeats(rigs []answer.RigSummary) []answer.RigSummary {
	now := c.now()
	for name, p := range c.states() {
		i := slices.IndexFunc(rigs, func(r answer.RigSummary) bool { return r.Name == name })
		if i < 0 {
			i = len(rigs)
			rigs = append(rigs, answer.RigSummary{Name: name})
		}
		rigs[i].Beat = p.summary(now, c.beats.started)
	}
	slices.SortFunc(rigs, func(a, b answer.RigSummary) int { return cmp.Compare(a.Name, b.Name) })
	return rigs
}

// states gives the latest state of each rig by its beats.
func (c *Collector) states() map[string]*present {
	c.loadBeats()
	c.beats.mu.Lock()
	all := maps.Clone(c.beats.rigs)
	c.beats.mu.Unlock()
	out := make(map[string]*present, len(all))
	for name, h := range all {
		h.mu.Lock()
		if h.state != nil {
			out[name] = h.state
		}
		h.mu.Unlock()
	}
	return out
}

// countRigs counts the rigs that are heard, and those of them that are silent.
func (c *Collector) countRigs() (heard, silent int) {
	now := c.now()
	for _, p := range c.states() {
		heard++
		if p.silent(now, c.beats.started) {
			silent++
		}
	}
	return heard, silent
}

// silent says whether several beats were missed. A collector that has just
// started does not know: what it missed itself is not counted.
func (p *present) silent(now, started time.Time) bool {
	from := p.Came
	if started.After(from) {
		from = started
	}
	return now.Sub(from) > silentAfter*p.Every
}

// summary tells of a state.
func (p *present) summary(now, started time.Time) *answer.Beat {
	b := &answer.Beat{
		Came: p.Came, Every: p.Every, Silent: p.silent(now, started), Boot: p.Boot, Judgement: p.Judgement, Moved: p.Moved,
		Waiting: p.Waiting, Troubles: p.Troubles, Agent: p.Agent, Played: p.Played, Offset: p.Offset,
	}
	if p.Setup != nil {
		b.Setup = p.Setup.Label
	}
	return b
}
