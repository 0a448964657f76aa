package probe

import (
	"encoding/binary"
	"fmt"
	"io/fs"
	"slices"
	"syscall"
	"time"

	"witnessmark/internal/rig"
)

// column is a growing row of integers, kept as differences: about a byte for
// each sample of a temperature, three for one of a clock. Each block starts
// with a whole number, so that blocks stand for themselves.
type column struct {
	full [][]byte
	tail []byte
	last int64
	n    int
}

const blockSize = 512

func (c *column) add(v int64) {
	if cap(c.tail)-len(c.tail) < binary.MaxVarintLen64 {
		if c.tail != nil {
			c.full = append(c.full, c.tail)
		}
		c.tail, c.last = make([]byte, 0, blockSize), 0
	}
	c.tail = binary.AppendVarint(c.tail, v-c.last)
	c.last = v
	c.n++
}

// values gives all integers in the order of adding.
func (c *column) values() []int64 {
	out := make([]int64, 0, c.n)
	for i := range len(c.full) + 1 {
		block, v := c.tail, int64(0)
		if i < len(c.full) {
			block = c.full[i]
		}
		for len(block) > 0 {
			d, n := binary.Varint(block)
			v, block = v+d, block[n:]
			out = append(out, v)
		}
	}
	return out
}

// stretch is a number of samples taken at every stride-th pass from first on.
type stretch struct{ first, stride, n int }

// last is the pass of the stretch's last sample.
func (s stretch) last() int { return s.first + (s.n-1)*s.stride }

// cause is why a sample could not be taken.
type cause struct {
	errno  syscall.Errno
	reason rig.Reason // where there is no errno
	detail string
}

func (c cause) unread(file string) rig.Unread {
	if c.errno != 0 {
		return Why(&fs.PathError{Op: "read", Path: file, Err: c.errno}) // Why names the right that is missing
	}
	return rig.Unread{Reason: c.reason, Detail: c.detail}
}

// maxGaps bounds the gaps kept for one signal; later ones are run together.
const maxGaps = 1000

const manyGaps = "the last of too many gaps to keep apart; some samples lie in it"

// recording is one signal while it is being sampled.
type recording struct {
	head      rig.Signal // all but samples and gaps
	values    column
	stretches []stretch
	gaps      []rig.Gap
	lasting   cause // of the gap that lasts; the zero cause when none does
	moved     bool  // not all samples are equal
	doubted   bool  // a reading that stays the same for long is not believed

	latest   int64 // sample, taken at latestAt, if any was
	latestAt time.Duration
	sampled  bool
}

// sample adds the value read in a pass.
func (r *recording) sample(pass int, at time.Duration, v int64) {
	if r.lasting != (cause{}) {
		r.gaps[len(r.gaps)-1].To = at
		r.lasting = cause{}
	}
	if r.values.n > 0 && v != r.values.last {
		r.moved = true
	}
	r.values.add(v)
	r.latest, r.latestAt, r.sampled = v, at, true
	if k := len(r.stretches) - 1; k >= 0 {
		switch s := &r.stretches[k]; {
		case s.n == 1:
			s.stride, s.n = pass-s.first, 2
			return
		case pass == s.last()+s.stride:
			s.n++
			return
		}
	}
	r.stretches = append(r.stretches, stretch{pass, 1, 1})
}

// miss notes that a pass gave no sample. The value, in the signal's unit, goes
// into the words for a reading that cannot be true.
func (r *recording) miss(at time.Duration, c cause, v int64) {
	if r.lasting != (cause{}) {
		r.gaps[len(r.gaps)-1].To = at
	}
	if c == r.lasting {
		return
	}
	r.lasting = c
	if len(r.gaps) == maxGaps {
		last := &r.gaps[maxGaps-1]
		last.To, last.Detail = at, manyGaps
		return
	}
	u := c.unread(r.head.Source)
	if c.reason == rig.Implausible && c.detail == "" {
		u.Detail = fmt.Sprintf("reads %g %s", r.head.Scale(v), r.head.Unit)
	}
	r.gaps = append(r.gaps, rig.Gap{From: at, To: at, Unread: u})
}

// signal gives what was recorded. Offsets of a signal that was sampled at each
// pass are those of times itself.
func (r *recording) signal(times []time.Duration) rig.Signal {
	s := r.head
	switch {
	case r.values.n == 0:
		s.Unread = r.neverRead()
	case r.stuck(times):
		s.Unread = constant(s, r.values.last, r.values.n)
	default:
		s.Offsets, s.Values, s.Gaps = r.offsets(times), r.values.values(), slices.Clone(r.gaps)
	}
	return s
}

// stuckAfter is how long a doubtful sensor may stay at one reading. It is a
// design choice: the air in a machine may well hold a degree for some seconds.
const stuckAfter = time.Minute

// stuck says whether a doubtful sensor has never moved for too long.
func (r *recording) stuck(times []time.Duration) bool {
	if !r.doubted || r.moved {
		return false
	}
	first, last := r.stretches[0].first, r.stretches[len(r.stretches)-1].last()
	return times[last]-times[first] >= stuckAfter
}

func constant(s rig.Signal, v int64, n int) rig.Unread {
	return rig.Unread{Reason: rig.Implausible, Detail: fmt.Sprintf("constant at %g %s through all %d samples", s.Scale(v), s.Unit, n)}
}

func (r *recording) neverRead() rig.Unread {
	if len(r.gaps) == 0 {
		return rig.Unread{Reason: rig.Unknown, Detail: "not sampled yet"}
	}
	return r.gaps[0].Unread
}

func (r *recording) offsets(times []time.Duration) []time.Duration {
	if len(r.stretches) == 1 && r.stretches[0].n == len(times) {
		return times
	}
	out := make([]time.Duration, 0, r.values.n)
	for _, s := range r.stretches {
		for i := range s.n {
			out = append(out, times[s.first+i*s.stride])
		}
	}
	return out
}
