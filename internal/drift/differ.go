package drift

import (
	"strings"

	"witnessmark/internal/rig"
)

// difference is one thing that is not the same in two snapshots of a rig.
type difference struct {
	fact     rig.Key
	was, now rig.Value // words where one side has no value
	unit     rig.Unit
	weight   rig.Weight
	evidence string
	unread   bool // of now
}

// comparison finds the differences of two snapshots. Facts with an index belong
// to a device, the part of their key up to the index; a device that came or went
// is one difference, not one for each of its facts.
type comparison struct {
	was, now rig.Snapshot
	touched  map[string]bool // devices of which some fact changed
	found    []difference
}

// differences leaves out what differs by nature from moment to moment.
func differences(was, now rig.Snapshot) []difference {
	c := &comparison{was: was, now: now, touched: map[string]bool{}}
	for _, f := range was.Facts {
		if f.Read() && lasting(f.Key) {
			c.hold(f)
		}
	}
	c.missing()
	c.gone()
	c.came()
	c.explain()
	return c.found
}

// lasting says whether two snapshots should agree on a fact. Counts since boot
// only differ in when they were read.
func lasting(k rig.Key) bool {
	e, _ := rig.Lookup(k)
	return e.Pace != rig.Passing && !counted(k)
}

// hold compares a fact that both snapshots have.
func (c *comparison) hold(f rig.Fact) {
	e, _ := rig.Lookup(f.Key)
	n, there := c.now.Find(f.Key)
	switch {
	case !there:
	case !n.Read():
		c.unread(f, n)
	case !e.Tolerance.Equal(f.Value, n.Value):
		c.touched[device(f.Key)] = true
		c.found = append(c.found, difference{fact: f.Key, was: f.Value, now: n.Value, unit: f.Unit, weight: e.Weight, evidence: reading(n)})
	}
}

// unread notes a fact that can no longer be read. A source that would not
// answer just now, such as a card asleep, weighs as a note.
func (c *comparison) unread(f, now rig.Fact) {
	e, _ := rig.Lookup(f.Key)
	d := difference{fact: f.Key, was: f.Value, now: unreadValue(now.Unread), unit: f.Unit, weight: e.Weight, evidence: reading(now), unread: true}
	if now.Unread.Reason == rig.Refused {
		d.weight = rig.Note
	}
	c.found = append(c.found, d)
}

// missing finds facts that now lacks although it has their device. Where that
// device changed, as a slot that was emptied, the change says it already.
func (c *comparison) missing() {
	has := devices(c.now)
	for _, f := range c.was.Facts {
		_, there := c.now.Find(f.Key)
		d := device(f.Key)
		if there || !f.Read() || !lasting(f.Key) || f.Key.Index() != "" && (!has[d] || c.touched[d]) {
			continue
		}
		c.unread(f, find(c.now, f.Key))
	}
}

// gone finds devices that now lacks.
func (c *comparison) gone() {
	has := devices(c.now)
	for _, f := range representatives(c.was) {
		if has[device(f.Key)] || !gateRead(c.now, f.Key) {
			continue
		}
		e, _ := rig.Lookup(f.Key)
		c.found = append(c.found, difference{fact: f.Key, was: f.Value, now: rig.TextOf("gone"), unit: f.Unit, weight: e.Weight, evidence: source(f) + ": " + device(f.Key) + " is not there any more"})
	}
}

// came finds devices that was lacks. Where it has none of their kind at all,
// they may have been there and not been looked at, and weigh as a note.
func (c *comparison) came() {
	had, kinds := devices(c.was), map[string]bool{}
	for d := range had {
		kinds[kindOf(d)] = true
	}
	for _, f := range representatives(c.now) {
		d := device(f.Key)
		if had[d] || !gateRead(c.was, f.Key) {
			continue
		}
		e, _ := rig.Lookup(f.Key)
		if !kinds[kindOf(d)] {
			e.Weight = rig.Note
		}
		c.found = append(c.found, difference{fact: f.Key, was: rig.TextOf("not there"), now: f.Value, unit: f.Unit, weight: e.Weight, evidence: reading(f) + "; " + d + " is new"})
	}
}

// explain makes a note of what follows from something else that differs and
// weighs no less by itself.
func (c *comparison) explain() {
	differs := map[rig.Key]bool{}
	for _, d := range c.found {
		differs[d.fact] = differs[d.fact] || !d.unread
	}
	for i := range c.found {
		d := &c.found[i]
		if cause, ok := causeOf(d.fact, d.weight, differs); ok && !d.unread {
			d.weight = rig.Note
			d.evidence += "; follows from " + string(cause)
		}
	}
}

// causeOf finds a fact among those that differ that explains, by the catalogue
// and over any number of steps, that k differs too, and that weighs at least w.
func causeOf(k rig.Key, w rig.Weight, differs map[rig.Key]bool) (rig.Key, bool) {
	e, _ := rig.Lookup(k)
	for _, f := range e.Follows {
		if c, _ := rig.Lookup(f); differs[f] && c.Weight >= w {
			return f, true
		}
		if cause, ok := causeOf(f, w, differs); ok {
			return cause, true
		}
	}
	return "", false
}

// representatives gives one read fact of each device, the first of the heaviest.
func representatives(s rig.Snapshot) (out []rig.Fact) {
	at := map[string]int{}
	for _, f := range s.Facts {
		if f.Key.Index() == "" || !f.Read() || !lasting(f.Key) {
			continue
		}
		i, met := at[device(f.Key)]
		switch e, _ := rig.Lookup(f.Key); {
		case !met:
			at[device(f.Key)] = len(out)
			out = append(out, f)
		case e.Weight > weightOf(out[i].Key):
			out[i] = f
		}
	}
	return out
}

func weightOf(k rig.Key) rig.Weight {
	e, _ := rig.Lookup(k)
	return e.Weight
}

// device is the part of a key up to its index, memory.module[DIMM_A1], and
// nothing of a key without one.
func device(k rig.Key) string {
	return string(k[:strings.LastIndexByte(string(k), ']')+1])
}

func devices(s rig.Snapshot) map[string]bool {
	all := map[string]bool{}
	for _, f := range s.Facts {
		if f.Key.Index() != "" {
			all[device(f.Key)] = true
		}
	}
	return all
}

// kindOf is what stands before a device's index.
func kindOf(device string) string { return device[:strings.IndexByte(device, '[')] }

// gateRead says whether a device that the snapshot lacks is known to be missing.
func gateRead(s rig.Snapshot, k rig.Key) bool {
	gate, ok := rig.Gate(k)
	return !ok || find(s, gate).Read()
}
