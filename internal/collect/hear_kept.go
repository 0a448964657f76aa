package collect

import (
	"encoding/json"
	"errors"
	"slices"
	"time"
)

// loadBeats fetches what was kept before this collector started. A state that
// cannot be read is told of, and its rig asked for a new one.
func (c *Collector) loadBeats() {
	c.beats.load.Do(func() {
		c.beats.rigs, c.beats.dirty = map[string]*heard{}, map[string]bool{}
		err := c.archive.Beats(func(name string, b []byte, err error) {
			p := &present{}
			if err == nil {
				err = json.Unmarshal(b, p)
			}
			if err != nil {
				c.log.Warn("latest state of a rig not read; it is asked anew", "rig", name, "error", err)
				return
			}
			c.beats.rigs[name] = &heard{state: p}
		})
		if err != nil {
			c.log.Warn("latest states of rigs not read; they are asked anew", "error", err)
		}
	})
}

// keepSoon has the rig's state written within a time, together with others.
func (c *Collector) keepSoon(name string, within time.Duration) {
	b := &c.beats
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dirty[name] = true
	due := time.Now().Add(within)
	switch {
	case b.timer == nil:
		b.timer = time.AfterFunc(within, func() { c.flushBeats() })
	case b.due.After(due):
		b.timer.Reset(within)
	default:
		return
	}
	b.due = due
}

// flushBeats writes the states that are not written yet. What cannot be written
// stays to be, and is told of once.
func (c *Collector) flushBeats() error {
	b := &c.beats
	b.writing.Lock()
	defer b.writing.Unlock()
	b.mu.Lock()
	names := b.dirty
	rigs := make(map[string]*heard, len(names))
	for name := range names {
		rigs[name] = b.rigs[name]
	}
	if b.timer != nil {
		b.timer.Stop()
	}
	b.dirty, b.timer = map[string]bool{}, nil
	b.mu.Unlock()
	states := make(map[string][]byte, len(rigs))
	var news []found
	var bad error
	for name, h := range rigs {
		h.mu.Lock()
		state, err := json.Marshal(h.state)
		news, h.found = append(news, h.found...), nil
		h.mu.Unlock()
		states[name], bad = state, errors.Join(bad, err)
	}
	err := errors.Join(bad, c.setBeats(states, news))
	if err == nil && len(states) > 0 {
		c.metrics.wrote(c.now())
	}
	b.mu.Lock()
	told := b.full
	b.full = err != nil
	b.mu.Unlock()
	if err != nil && !told {
		c.log.Error("latest states of rigs not written", "error", err)
	}
	if err != nil {
		for name, h := range rigs {
			c.keepLater(name)
			h.putBack(news)
		}
	}
	return nil // beats are sent again; no call fails for them
}

// setBeats writes states and what is found with them, and wakes who follows.
func (c *Collector) setBeats(states map[string][]byte, news []found) error {
	slices.SortStableFunc(news, func(a, b found) int { return a.Judgement.At.Compare(b.Judgement.At) })
	var pieces [][]byte
	for _, f := range news {
		b, err := json.Marshal(f)
		if err != nil {
			return err
		}
		pieces = append(pieces, b)
	}
	err := c.archive.SetBeats(states, pieces)
	if err == nil && len(pieces) > 0 {
		c.news.ring()
	}
	return err
}

// putBack has a rig's findings written later.
func (h *heard) putBack(news []found) {
	h.mu.Lock()
	defer h.mu.Unlock()
	var own []found
	for _, f := range news {
		if h.state != nil && f.Rig == h.state.Rig {
			own = append(own, f)
		}
	}
	h.found = append(own, h.found...)
	h.found = h.found[max(0, len(h.found)-mostFound):]
}

// keepLater leaves a state for the next write that something else gives cause for.
func (c *Collector) keepLater(name string) {
	c.beats.mu.Lock()
	defer c.beats.mu.Unlock()
	c.beats.dirty[name] = true
}
