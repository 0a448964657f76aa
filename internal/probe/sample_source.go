package probe

import (
	"errors"
	"math"
	"syscall"
	"time"

	"witnessmark/internal/rig"
)

// pace is how often a source is read.
type pace uint8

const (
	fast   pace = iota // at every pass
	steady             // once a second
	slow               // at SlowPace
)

// source is a file that one signal is sampled from.
type source struct {
	recording
	path        string // in the tree
	pace        pace
	parse       func([]byte) (int64, cause)
	least, most int64 // of a plausible reading, as parsed
	modulus     int64 // at which a counter starts again from 0; 0: not known
	guardPath   string
	family      int // index in families

	file, guard *openFile
	shut        cause // why file is nil
	lost        bool  // its device is gone and may come back

	every, due, phase time.Duration

	seen  bool  // a counter's last reading and sum are set
	last  int64 // a counter's last reading
	total int64 // a counter's sum
}

// newSource describes a source of a plain number that may be anything.
func newSource(k rig.Key, unit rig.Unit, path string) source {
	return source{
		recording: recording{head: rig.Signal{Key: k, Unit: unit, Source: "/" + path}},
		path:      path, parse: parseInteger, least: math.MinInt64, most: math.MaxInt64,
	}
}

// open opens the file, or notes why it cannot be.
func (s *source) open(t *Tree) bool {
	f, err := t.Open(s.path)
	if err != nil {
		s.shut = causeOf(err)
		return false
	}
	s.file = keepOpen(f)
	if s.guardPath != "" {
		if g, err := t.Open(s.guardPath); err == nil {
			s.guard = keepOpen(g)
		}
	}
	return true
}

// adopt takes the place where the source was found again.
func (s *source) adopt(t *Tree, found source) bool {
	s.path, s.guardPath = found.path, found.guardPath
	s.lost = !s.open(t)
	return !s.lost
}

func (s *source) close() {
	for _, f := range []**openFile{&s.file, &s.guard} {
		if *f != nil {
			(*f).close()
			*f = nil
		}
	}
	s.shut = cause{reason: rig.Unknown, detail: "sampling has ended"}
}

// schedule sets when the source is due next: a whole number of paces on, and
// once, after the first reading, at its own phase.
func (s *source) schedule(at time.Duration) {
	step := s.every
	if s.phase > 0 {
		step, s.phase = s.phase, 0
	}
	if s.due += step; s.due <= at {
		s.due = at + step
	}
}

// count turns a counter's reading into one that never goes back: past its
// modulus or, where that is not known, past a restart from 0.
func (s *source) count(v int64) int64 {
	switch {
	case !s.seen:
		s.total = v
	case v >= s.last:
		s.total += v - s.last
	case s.modulus > s.last:
		s.total += v + s.modulus - s.last
	default:
		s.total += v
	}
	s.seen, s.last = true, v
	return s.total
}

var (
	causeEmpty    = cause{reason: rig.Unknown, detail: "empty"}
	causeUnknown  = cause{reason: rig.Unknown, detail: "the source says unknown"}
	causeNoNumber = cause{reason: rig.Implausible, detail: "no number"}
	causeAsleep   = cause{reason: rig.Refused, detail: "asleep; reading would wake it"}
)

func causeOf(err error) cause {
	u := Why(err)
	var errno syscall.Errno
	if errors.As(err, &errno) && u.Reason != rig.Refused {
		return cause{errno: errno}
	}
	return cause{reason: u.Reason, detail: u.Detail}
}
