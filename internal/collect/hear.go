package collect

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/trust"
)

const (
	// changesAfter and lifeAfter are how long a beat waits to be written when
	// something moved, and when it only says that the rig lives, so that rigs which
	// beat do not hinder those that deliver. A crash loses no more than that; a rig
	// whose facts were lost is asked for all of them.
	changesAfter = 200 * time.Millisecond
	lifeAfter    = 30 * time.Second

	silentAfter = 3    // beats missed
	mostRigs    = 4096 // that are heard
	mostBoots   = 8    // that are known to be over
)

// present is the latest state of a rig by its beats, as it is kept.
type present struct {
	Rig, Boot string
	Boots     []string // that are over, oldest first
	SinceBoot time.Duration
	Sequence  uint64
	Came      time.Time // by the collector's clock
	Every     time.Duration
	Facts     []rig.Fact
	FactsAt   time.Time
	SHA256    [sha256.Size]byte
	// Before is what the rig was like at the end of its boot before this one, or
	// when none is known at the first beat, as Against says.
	Before    []rig.Fact
	Against   string
	Setup     *record.Setup
	Waiting   deliver.Waiting
	Troubles  []deliver.Trouble
	Agent     string
	Played    string
	Offset    *rig.ClockOffset
	Judgement drift.Judgement
	Moved     []answer.Moved
}

// heard is a rig that is listened to.
type heard struct {
	mu     sync.Mutex
	state  *present // nil until whole facts came
	wanted uint64   // the question under way
	mark   *drift.Mark
	found  []found // that are not written yet
}

// beats is what a collector hears.
type beats struct {
	started time.Time
	load    sync.Once
	writing sync.Mutex // held while states are written, so that the end waits for that

	mu    sync.Mutex
	rigs  map[string]*heard
	dirty map[string]bool
	timer *time.Timer
	due   time.Time
	full  bool // the last write failed, and that was told
}

// Hear implements deliver.Hearer. A beat of a boot that is over, or that came
// before one that was heard already, changes nothing; it, and changes to facts
// that the collector does not have, make it ask for whole facts.
func (c *Collector) Hear(ctx context.Context, b deliver.Beat, came time.Time) (deliver.Heard, error) {
	if err := trust.Owns(ctx, b.Rig, "the beat"); err != nil {
		return deliver.Heard{}, err
	}
	if c.copyOf != "" {
		return deliver.Heard{}, fmt.Errorf("%w: %w", deliver.ErrRefused, c.mayKeep())
	}
	s, err := setupOf(b.Setup)
	if err != nil {
		return deliver.Heard{}, err
	}
	if b.Whole() {
		if _, ok := b.Apply(rig.Snapshot{}); !ok {
			return deliver.Heard{}, fmt.Errorf("%w: its facts do not have the SHA-256 that it says", deliver.ErrRefused)
		}
	}
	h, err := c.listen(b.Rig, b.Whole())
	if err != nil {
		return deliver.Heard{}, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	asked := b.Whole() && b.Answers != 0 && b.Answers == h.wanted
	if h.state.late(b) && !asked || !b.Whole() && (h.state == nil || h.state.SHA256 != b.Base) {
		return c.ask(h, came), nil
	}
	var base rig.Snapshot
	if h.state != nil {
		base = rig.Snapshot{At: h.state.FactsAt, Facts: h.state.Facts}
	}
	all, ok := b.Apply(base)
	if !ok {
		return c.ask(h, came), nil
	}
	next := stateAfter(h.state, b, all, came)
	if err := c.judgeBeat(ctx, h, next, s, next.Came); err != nil {
		return deliver.Heard{}, err
	}
	after := changesAfter
	if h.state != nil && next.same(h.state) && len(fresh(h.state, next)) == 0 {
		after = lifeAfter
	}
	h.become(next)
	h.wanted = 0
	c.keepSoon(b.Rig, after)
	c.metrics.beats.WithLabelValues(heardBeat).Inc()
	return deliver.Heard{Judgement: next.Judgement}, nil
}

// become takes the next state, and what is found with it.
func (h *heard) become(next *present) {
	h.found = append(h.found, fresh(h.state, next)...)
	h.found = h.found[max(0, len(h.found)-mostFound):]
	h.state = next
}

// rejudge holds what a rig is now against a mark that was just accepted, since
// the rig may not beat for long.
func (c *Collector) rejudge(ctx context.Context, name, label string) {
	c.loadBeats()
	c.beats.mu.Lock()
	h := c.beats.rigs[name]
	c.beats.mu.Unlock()
	if h == nil {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.state == nil {
		return
	}
	s, err := setupOf(h.state.Setup)
	if err == nil && (s == nil && label != "" || s != nil && s.Label != label) {
		return
	}
	next := *h.state
	if err == nil {
		err = c.judgeBeat(ctx, h, &next, s, c.now().UTC())
	}
	if err != nil {
		c.log.Error("rig not held against its new mark; its next beat will be", "rig", name, "error", err)
		return
	}
	h.become(&next)
	c.keepSoon(name, changesAfter)
}

// setupOf reads a beat's setup; nil for none.
func setupOf(r *record.Setup) (*setup.Setup, error) {
	if r == nil {
		return nil, nil
	}
	s, err := setup.ParseSetup(r.FileName, r.Source)
	if err == nil && s.Label != r.Label {
		err = fmt.Errorf("it is called %q and its file is of %q", r.Label, s.Label)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: the beat's setup: %w", deliver.ErrRefused, err)
	}
	return s, nil
}

// ask asks a rig for whole facts.
func (c *Collector) ask(h *heard, came time.Time) deliver.Heard {
	c.metrics.beats.WithLabelValues(askedWhole).Inc()
	h.wanted = max(h.wanted+1, uint64(came.UnixNano()))
	out := deliver.Heard{Wanted: h.wanted}
	if h.state != nil {
		out.Judgement = h.state.Judgement
	}
	return out
}

// late says whether the beat is of a boot that is over, or was sent no later than
// the one that was heard last.
func (p *present) late(b deliver.Beat) bool {
	switch {
	case p == nil:
		return false
	case b.Boot != p.Boot:
		return slices.Contains(p.Boots, b.Boot)
	}
	return cmp.Or(cmp.Compare(b.SinceBoot, p.SinceBoot), cmp.Compare(b.Sequence, p.Sequence)) <= 0
}

// stateAfter gives the state after a beat, before it is judged.
func stateAfter(last *present, b deliver.Beat, all rig.Snapshot, came time.Time) *present {
	p := &present{
		Rig: b.Rig, Boot: b.Boot, SinceBoot: b.SinceBoot, Sequence: b.Sequence, Came: came.UTC(), Every: b.Every,
		Facts: all.Facts, FactsAt: all.At, SHA256: b.SHA256, Setup: b.Setup, Waiting: b.Waiting, Troubles: b.Troubles,
		Agent: b.Agent, Played: b.Played, Offset: b.Offset,
		Before: all.Facts, Against: "the first beat",
	}
	switch {
	case last == nil:
	case last.Boot == b.Boot:
		p.Boots, p.Before, p.Against = last.Boots, last.Before, last.Against
	default:
		boots := append(slices.Clone(last.Boots), last.Boot)
		p.Boots = slices.DeleteFunc(boots[max(0, len(boots)-mostBoots):], func(s string) bool { return s == b.Boot })
		p.Before, p.Against = last.Facts, "the boot before"
	}
	if last != nil {
		p.Moved = last.Moved
	}
	return p
}

// same says whether nothing but time passed from one state to the next.
func (p *present) same(q *present) bool {
	alike := func(p *present) []byte {
		s := struct {
			Boot, Agent, Played string
			SHA256              [sha256.Size]byte
			Setup               *record.Setup
			Waiting             deliver.Waiting
			Troubles            []deliver.Trouble
			Standing            drift.Standing
			Kinds               []string
		}{p.Boot, p.Agent, p.Played, p.SHA256, p.Setup, p.Waiting, p.Troubles, p.Judgement.Standing, nil}
		for _, f := range p.Judgement.Flags {
			s.Kinds = append(s.Kinds, string(f.Kind)+" "+string(f.Fact))
		}
		b, _ := json.Marshal(s) // which fails for no such value
		return b
	}
	return slices.Equal(alike(p), alike(q))
}

// judgeBeat holds a rig's state against setup and mark, at a time.
func (c *Collector) judgeBeat(ctx context.Context, h *heard, p *present, s *setup.Setup, at time.Time) error {
	label := ""
	if s != nil {
		label = s.Label
	}
	m, ok, err := c.archive.Mark(p.Rig, label)
	if err != nil {
		return err
	}
	switch {
	case !ok:
		h.mark = nil
	case h.mark == nil || h.mark.RunID != m.RunID: // the snapshot is in the run's record, which is long to read
		_, snap, err := c.Mark(ctx, p.Rig, label)
		if err != nil {
			return err
		}
		h.mark = &drift.Mark{RunID: m.RunID, Snapshot: deliver.Lasting(snap)}
	}
	now := rig.Snapshot{At: p.FactsAt, Facts: p.Facts}
	p.Judgement = drift.Judge(drift.Input{Rig: p.Rig, Before: now, Setup: s, Mark: h.mark, Offset: p.Offset})
	p.Judgement.At = at
	p.Moved = p.moves(h.mark, now, at)
	return nil
}

// moves finds what differs from the mark, and from what the rig was like before,
// and since when.
func (p *present) moves(m *drift.Mark, now rig.Snapshot, at time.Time) (out []answer.Moved) {
	met := map[rig.Key]bool{}
	add := func(moves []drift.Move, against string) {
		for _, d := range moves {
			if met[d.Fact] {
				continue
			}
			met[d.Fact] = true
			k := answer.Moved{Move: d, Against: against, Since: at}
			if i := slices.IndexFunc(p.Moved, func(l answer.Moved) bool { return l.Fact == d.Fact && l.Now == d.Now }); i >= 0 {
				k.Since = p.Moved[i].Since
			}
			out = append(out, k)
		}
	}
	if m != nil {
		add(drift.Moves(m.Snapshot, now), "mark "+m.RunID)
	}
	add(drift.Moves(rig.Snapshot{Facts: p.Before}, now), p.Against)
	return out
}

// listen gives the rig that is listened to. One that is not known is remembered
// only when its facts come whole, so that names alone take no memory.
func (c *Collector) listen(name string, whole bool) (*heard, error) {
	c.loadBeats()
	c.beats.mu.Lock()
	defer c.beats.mu.Unlock()
	h := c.beats.rigs[name]
	switch {
	case h != nil:
		return h, nil
	case !whole:
		return &heard{}, nil
	case len(c.beats.rigs) >= mostRigs:
		return nil, fmt.Errorf("%w: %d rigs are listened to already", deliver.ErrRefused, mostRigs)
	}
	h = &heard{}
	c.beats.rigs[name] = h
	return h, nil
}
