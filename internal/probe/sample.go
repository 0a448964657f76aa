package probe

import (
	"context"
	"slices"
	"sync"
	"syscall"
	"time"

	"witnessmark/internal/rig"
)

// SampleOptions say how often to read.
type SampleOptions struct {
	Pace     time.Duration // of a pass; 0 stands for 100 ms
	SlowPace time.Duration // of sensors that are slow or cost the machine something to read; 0 stands for 5 s

	// Workload gives the process that leads the workload's session or process
	// group, or 0 while there is none. It may be nil.
	Workload func() int
}

// steadyPace is for what is worth watching but costs more to read than it can
// change within a tenth of a second: links, memory, processes.
const steadyPace = time.Second

// Sampler samples the signals of a tree. Files are opened once and read in
// place; one that says its device is gone is closed, looked for at the slow
// pace under the same name wherever it comes back, and the time between is a
// gap. A pass allocates nothing but, now and then, a block to keep samples in.
//
// A sample's offset is that of the pass it was taken in; a pass takes a
// fraction of a millisecond where no slow sensor is due.
type Sampler struct {
	mu    sync.Mutex
	tree  *Tree
	opt   SampleOptions
	read  func(*openFile, bool, []byte) (int, syscall.Errno) // readInPlace, but for tests
	fast  []source
	paced []source
	none  []rig.Signal // families without a single source
	load  *loads

	passes column // offsets, in nanoseconds
	begun  bool
	last   time.Duration // offset of the last pass
	buf    [512]byte

	retryAt    time.Duration // when lost sources are looked for again
	retryAfter time.Duration
}

// NewSampler finds what there is to sample in t and opens it. What cannot be
// found or opened becomes an unread signal. The tree must stay open.
func NewSampler(t *Tree, opt SampleOptions) *Sampler {
	if opt.Pace <= 0 {
		opt.Pace = 100 * time.Millisecond
	}
	if opt.SlowPace <= 0 {
		opt.SlowPace = 5 * time.Second
	}
	s := &Sampler{tree: t, opt: opt, read: readInPlace, retryAfter: opt.SlowPace}
	for i, f := range families {
		found, err := f.find(t)
		if len(found) == 0 {
			s.none = append(s.none, f.missing(err))
		}
		for _, src := range found {
			src.family = i
			src.open(t)
			s.enlist(src)
		}
	}
	s.stagger()
	s.load = newLoads(t, opt)
	return s
}

func (s *Sampler) enlist(src source) {
	switch src.pace {
	case fast:
		s.fast = append(s.fast, src)
		return
	case steady:
		src.every = steadyPace
	case slow:
		src.every = s.opt.SlowPace
	}
	s.paced = append(s.paced, src)
}

// stagger spreads the slow sources, so that after the first pass, which reads
// all of them, few are due in the same one.
func (s *Sampler) stagger() {
	for i := range s.paced {
		if src := &s.paced[i]; src.pace == slow {
			src.phase = src.every * time.Duration(i+1) / time.Duration(len(s.paced))
		}
	}
}

// Take makes one pass, at that offset from the run's start. A pass that is not
// later than the one before is not taken.
func (s *Sampler) Take(at time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.begun && at <= s.last {
		return
	}
	s.begun, s.last = true, at
	pass := s.passes.n
	s.passes.add(int64(at))
	for i := range s.fast {
		s.take(&s.fast[i], pass, at)
	}
	for i := range s.paced {
		if src := &s.paced[i]; at+s.opt.Pace/2 >= src.due { // a pass may come a little early
			s.take(src, pass, at)
			src.schedule(at)
		}
	}
	s.load.take(s, pass, at)
	s.findLost(at)
}

func (s *Sampler) take(src *source, pass int, at time.Duration) {
	if src.file == nil {
		src.miss(at, src.shut, 0)
		return
	}
	if src.guard != nil && s.asleep(src.guard) {
		src.miss(at, causeAsleep, 0)
		return
	}
	n, errno := s.read(src.file, src.pace == fast, s.buf[:])
	if errno != 0 {
		s.failed(src, at, errno)
		return
	}
	v, wrong := src.parse(s.buf[:n])
	switch {
	case wrong != cause{}:
		src.miss(at, wrong, 0)
	case v < src.least || v > src.most:
		src.miss(at, cause{reason: rig.Implausible}, v)
	case src.head.Counter:
		src.sample(pass, at, src.count(v))
	default:
		src.sample(pass, at, v)
	}
}

// failed keeps a file that would not answer now, and gives up one whose device
// is gone.
func (s *Sampler) failed(src *source, at time.Duration, errno syscall.Errno) {
	src.miss(at, cause{errno: errno}, 0)
	if errno == syscall.ENODEV {
		src.close()
		src.lost, src.shut = true, cause{errno: errno}
		s.retryAfter = s.opt.SlowPace
		if next := at + s.opt.SlowPace; s.retryAt == 0 || next < s.retryAt {
			s.retryAt = next
		}
	}
}

// asleep says whether a device is suspended, so that reading it would wake it.
func (s *Sampler) asleep(guard *openFile) bool {
	n, errno := s.read(guard, true, s.buf[:])
	return errno == 0 && string(trimmed(s.buf[:n])) == "suspended"
}

// findLost looks for devices that went away, by name. The longer they stay
// away, the less often it looks.
func (s *Sampler) findLost(at time.Duration) {
	if s.retryAt == 0 || at < s.retryAt {
		return
	}
	if s.reopen(s.fast, at)+s.reopen(s.paced, at) == 0 {
		s.retryAt = 0
		return
	}
	s.retryAfter = min(2*s.retryAfter, 12*s.opt.SlowPace)
	s.retryAt = at + s.retryAfter
}

// reopen tries the lost among sources and counts those that stay lost.
func (s *Sampler) reopen(sources []source, at time.Duration) (stillLost int) {
	found := map[int][]source{} // by family
	for i := range sources {
		src := &sources[i]
		if !src.lost {
			continue
		}
		if _, ok := found[src.family]; !ok {
			found[src.family], _ = families[src.family].find(s.tree)
		}
		k := slices.IndexFunc(found[src.family], func(f source) bool { return f.head.Key == src.head.Key })
		if k < 0 || !src.adopt(s.tree, found[src.family][k]) {
			stillLost++
			continue
		}
		src.due = at
	}
	return stillLost
}

// Run makes passes at the pace until ctx ends, by the offsets that since gives,
// with one at its beginning and one at its end. since must be monotonic.
func (s *Sampler) Run(ctx context.Context, since func() time.Duration) {
	tick := time.NewTicker(s.opt.Pace)
	defer tick.Stop()
	for {
		s.Take(since())
		select {
		case <-ctx.Done():
			s.Take(since())
			return
		case <-tick.C:
		}
	}
}

// Signals gives what was sampled so far, sorted by key: signals with samples,
// and unread ones with the reason. A kind of signal of which the tree has none
// is there once, unread, under its family's key: temperature[]. Offsets may be
// shared between signals and must not be written to.
func (s *Sampler) Signals() []rig.Signal {
	s.mu.Lock()
	defer s.mu.Unlock()
	times := make([]time.Duration, 0, s.passes.n)
	for _, ns := range s.passes.values() {
		times = append(times, time.Duration(ns))
	}
	all := slices.Clone(s.none)
	for _, list := range [][]source{s.fast, s.paced} {
		for i := range list {
			all = append(all, list[i].signal(times))
		}
	}
	all = append(all, s.load.signals(times)...)
	slices.SortStableFunc(all, func(a, b rig.Signal) int { return rig.Compare(a.Key, b.Key) })
	return all
}

// Close closes the files. The signals stay.
func (s *Sampler) Close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, list := range [][]source{s.fast, s.paced} {
		for i := range list {
			list[i].close()
		}
	}
	s.load.close()
}
