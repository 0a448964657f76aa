package probe

import (
	"slices"
	"time"

	"witnessmark/internal/rig"
)

// Drained is what one signal gave since the Drain before: samples, gaps, both,
// or neither where it was not due. It is unread only when there is nothing in
// the tree to read it from.
type Drained struct {
	rig.Signal
	Doubted bool // see Stuck
}

// Drain gives what was sampled since the last Drain, in an order that stays the
// same until Rescan, and forgets it, so that a sampler which never ends does not
// grow. Counters go on. A gap that lasts goes on as one that begins where it was
// cut. Signals must not be asked of a sampler that is drained.
func (s *Sampler) Drain() []Drained {
	s.mu.Lock()
	defer s.mu.Unlock()
	times := make([]time.Duration, 0, s.passes.n)
	for _, ns := range s.passes.values() {
		times = append(times, time.Duration(ns))
	}
	out := make([]Drained, 0, len(s.none)+len(s.fast)+len(s.paced)+3)
	for _, x := range s.none {
		out = append(out, Drained{Signal: x})
	}
	s.recordings(func(r *recording) { out = append(out, r.drain(times)) })
	s.passes.reset()
	return out
}

// recordings gives each in turn.
func (s *Sampler) recordings(f func(*recording)) {
	for _, list := range [][]source{s.fast, s.paced} {
		for i := range list {
			f(&list[i].recording)
		}
	}
	f(&s.load.total)
	f(&s.load.other)
	f(&s.load.workload)
}

func (r *recording) drain(times []time.Duration) Drained {
	d := Drained{Signal: r.head, Doubted: r.doubted}
	if r.values.n > 0 {
		d.Offsets, d.Values = slices.Clone(r.offsets(times)), r.values.values()
	}
	d.Gaps = slices.Clone(r.gaps)
	r.values.reset()
	r.stretches, r.gaps = r.stretches[:0], r.gaps[:0]
	if k := len(d.Gaps); k > 0 && r.lasting != (cause{}) {
		g := d.Gaps[k-1]
		g.From = g.To
		r.gaps = append(r.gaps, g)
	}
	return d
}

// reset empties the column and keeps its last block for what comes.
func (c *column) reset() { *c = column{tail: c.tail[:0]} }

// Latest gives each signal with its latest sample only, and those that never
// gave one as unread.
func (s *Sampler) Latest() []rig.Signal {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := slices.Clone(s.none)
	s.recordings(func(r *recording) {
		x := r.head
		switch {
		case r.lasting != (cause{}):
			x.Unread = r.lasting.unread(x.Source)
		case r.sampled:
			x.Offsets, x.Values = []time.Duration{r.latestAt}, []int64{r.latest}
		default:
			x.Unread = rig.Unread{Reason: rig.Unknown, Detail: "not sampled yet"}
		}
		out = append(out, x)
	})
	return out
}

// Busy gives how many processors were at work through the last second or so,
// this process included; false while that is not known.
func (s *Sampler) Busy() (processors float64, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.load.busy, s.load.measured
}

// Pace sets how often passes are made from now on. It is the caller, or Run
// before it begins, that makes them.
func (s *Sampler) Pace(pace time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.opt.Pace = pace
}

// Rescan looks for what has appeared in the tree since the sampler was made and
// samples it from now on; it says whether there was any. What went away is
// looked for by itself.
func (s *Sampler) Rescan() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	known := map[rig.Key]bool{}
	s.recordings(func(r *recording) { known[r.head.Key] = true })
	added := false
	for i, f := range families {
		found, _ := f.find(s.tree)
		for _, src := range found {
			if known[src.head.Key] {
				continue
			}
			src.family = i
			src.due = s.last
			src.open(s.tree)
			s.enlist(src)
			s.none = slices.DeleteFunc(s.none, func(n rig.Signal) bool { return n.Key == f.key })
			added = true
		}
	}
	return added
}

// Stuck says that a doubted signal is not to be believed: it never moved through
// all its samples, a minute of them or more.
func Stuck(s rig.Signal) (rig.Unread, bool) {
	n := len(s.Values)
	if n == 0 || s.Offsets[n-1]-s.Offsets[0] < stuckAfter || slices.ContainsFunc(s.Values, func(v int64) bool { return v != s.Values[0] }) {
		return rig.Unread{}, false
	}
	return constant(s, s.Values[0], n), true
}
