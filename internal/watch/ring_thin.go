package watch

import (
	"bufio"
	"cmp"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"time"

	"witnessmark/internal/durable"
)

// How old signals are thinned; all are design choices.
const (
	finestPace  = 50 * time.Millisecond // all paces are this, doubled some times
	slowestPace = finestPace << 14
	stretchOf   = 8       // steps that share the least and the greatest sample
	stepsApiece = 64      // of a piece that was thinned
	mostApiece  = 1 << 16 // samples of all its signals before it is thinned
	enough      = 32      // samples of a signal to know how far they are apart
)

// unfinished begins the names of segments that are being written aside.
const unfinished = ".thin-"

// struck is called after each change of the folder by tidying; tests end the
// process there.
var struck = func() {}

// errNothing is returned when thinning makes nothing smaller.
var errNothing = errors.New("nothing is left to be thinned")

// errClosing is returned when the ring is closed meanwhile.
var errClosing = errors.New("the ring is being closed")

// slower keeps the first sample of each step of pace, and the least and the
// greatest of each stretch of 8 steps, wherever they lie: what is kept was
// sampled as it stands, and no peak is lost. Steps are counted from offset 0, so
// that samples that were thinned in several goes are those of the slowest pace,
// if each pace is a multiple of those before.
func slower[T ~int64](offsets []T, values []int64, pace T) (o []T, v []int64) {
	step := T(math.MinInt64)
	for from, to := 0, 0; from < len(offsets); from = to {
		least, greatest := from, from
		for to = from; to < len(offsets) && offsets[to]/(pace*stretchOf) == offsets[from]/(pace*stretchOf); to++ {
			if values[to] < values[least] {
				least = to
			}
			if values[to] > values[greatest] {
				greatest = to
			}
		}
		for k := from; k < to; k++ {
			if at := offsets[k] / pace; at != step || k == least || k == greatest {
				step = at
				o, v = append(o, offsets[k]), append(v, values[k])
			}
		}
	}
	return o, v
}

// ample is the size from which on the ring is tidied, and full the one at which
// what comes has to wait for that: what is written aside has room above it.
func (r *Ring) ample() int64 { return r.bounds.Bytes / 4 * 3 }
func (r *Ring) full() int64  { return r.bounds.Bytes / 5 * 4 }

// tidy thins old segments until the ring has ample room, or nothing can be
// thinned any more. It holds the ring up only while one takes others' place.
func (r *Ring) tidy() {
	r.mu.Lock()
	defer r.mu.Unlock()
	defer r.changed.Broadcast()
	defer func() { r.tidying = false }()
	for r.size() > r.ample() && !r.closing.Load() {
		densest := r.densest()
		if densest == nil {
			return
		}
		group := r.group(densest)
		r.mu.Unlock()
		s, err := r.thin(group)
		r.mu.Lock()
		if err == nil {
			err = r.swap(group, s)
		}
		if errors.Is(err, errNothing) {
			densest.spent, err = true, nil
		}
		if r.trouble = err; err != nil {
			return
		}
		r.changed.Broadcast()
	}
}

// densest is the segment that is thinned next, nil for none. The more a second
// takes, and the older it is, the sooner it is thinned, so that what is left of a
// second falls with the square root of its age.
func (r *Ring) densest() (best *segment) {
	most, ages := 0.0, r.ages()
	for i, s := range r.segments {
		if s.spent || r.file != nil && i == len(r.segments)-1 {
			continue
		}
		length := max(s.to-s.from, time.Second).Seconds()
		density := float64(s.size) / length
		if x := density * density * (ages[i].Seconds() + length); x > most {
			best, most = s, x
		}
	}
	return best
}

// group gives a segment and those before it, as far as all of them are together
// no longer than a segment may be, and small enough to be written aside.
func (r *Ring) group(s *segment) []*segment {
	to := slices.Index(r.segments, s)
	from, size := to, s.size
	for ; from > 0; from-- {
		x := r.segments[from-1]
		if size += x.size; x.boot != s.boot || s.to-x.from > r.bounds.Keep/12 || size > r.bounds.Bytes/8 {
			break
		}
	}
	return slices.Clone(r.segments[from : to+1])
}

// swap puts a segment into the place of others: one rename decides.
func (r *Ring) swap(group []*segment, s *segment) error {
	at := slices.Index(r.segments, group[0])
	if at < 0 { // too old meanwhile, and with it what is next to it
		return os.Remove(s.path)
	}
	path := filepath.Join(r.dir, nameOf(s.first, s.last))
	err := os.Rename(s.path, path)
	if err != nil {
		os.Remove(s.path)
		return err
	}
	struck()
	s.path = path
	r.segments = slices.Replace(r.segments, at, at+len(group), s)
	if err := durable.SyncDir(r.dir); err != nil {
		return err
	}
	for _, g := range group {
		if g.path != path {
			err = errors.Join(err, os.Remove(g.path))
			struck()
		}
	}
	return err
}

// thin writes segments aside as one, at a pace at which they become smaller.
func (r *Ring) thin(group []*segment) (*segment, error) {
	before := int64(0)
	for _, s := range group {
		before += s.size
	}
	pace, err := paceFor(group)
	for ; err == nil && pace <= slowestPace; pace *= 2 {
		s, err := r.writeThinned(group, pace)
		if err != nil || s.size <= before/8*7 {
			return s, err
		}
		if err := os.Remove(s.path); err != nil {
			return nil, err
		}
	}
	return nil, cmp.Or(err, errNothing)
}

// paceFor is at least three times as slow as the finest of what segments hold.
func paceFor(group []*segment) (time.Duration, error) {
	finest := slowestPace
	for _, s := range group {
		most, counts, from := 0, map[int]int{}, time.Duration(-1)
		err := s.read(all, func(_ heads, p piece) bool {
			if from < 0 {
				from = p.from
			}
			for _, x := range p.parts {
				counts[x.signal] += len(x.offsets)
				most = max(most, counts[x.signal])
			}
			if most > 1 {
				finest = min(finest, (p.to-from)/time.Duration(most-1))
			}
			return most < enough
		})
		if err != nil {
			return 0, err
		}
	}
	pace := finestPace
	for pace < 3*finest {
		pace *= 2
	}
	return pace, nil
}

// read goes through a segment's pieces, as walk does.
func (s *segment) read(full func(piece) bool, f func(heads, piece) bool) error {
	file, err := os.Open(s.path)
	if err != nil {
		return err
	}
	defer file.Close()
	_, err = walk(io.NewSectionReader(file, 0, s.size), full, f)
	return err
}

func (r *Ring) writeThinned(group []*segment, pace time.Duration) (*segment, error) {
	f, err := os.CreateTemp(r.dir, unfinished)
	if err != nil {
		return nil, err
	}
	struck()
	w := bufio.NewWriterSize(f, 64<<10)
	m := merging{w: w, pace: pace}
	m.first, m.last, m.path = group[0].first, group[len(group)-1].last, f.Name()
	for _, s := range group {
		err = errors.Join(err, s.read(all, func(h heads, p piece) bool {
			if m.add(h, p); r.closing.Load() {
				m.err = errClosing
			}
			return m.err == nil
		}))
	}
	m.flush()
	if err = errors.Join(err, m.err); err == nil {
		err = w.Flush()
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		os.Remove(f.Name())
		return nil, err
	}
	struck()
	return &m.segment, nil
}

// merging writes pieces thinned, as fewer and longer ones.
type merging struct {
	segment
	w       io.Writer
	pace    time.Duration
	written heads
	err     error

	h       heads
	piece   *piece // nil while there is none
	places  map[int]int
	samples int
	whole   int // of them before any was left out
}

// add takes the next piece.
func (m *merging) add(h heads, p piece) {
	if q := m.piece; q != nil && (p.why != "" || p.from-q.to > apartAt(h.Apart) || p.to-q.from > stepsApiece*max(m.pace, q.pace) ||
		p.pace != q.pace || m.samples > mostApiece || !reflect.DeepEqual(h, m.h)) {
		m.flush()
	}
	if m.piece == nil {
		m.h, m.piece, m.places = h, &piece{from: p.from, awakeFrom: p.awakeFrom, why: p.why, pace: p.pace}, map[int]int{}
	}
	q := m.piece
	q.to, q.awakeTo, q.cpu, q.peak = p.to, p.awakeTo, p.cpu, max(q.peak, p.peak)
	for _, x := range p.parts {
		k, ok := m.places[x.signal]
		if !ok {
			k = len(q.parts)
			m.places[x.signal], q.parts = k, append(q.parts, part{signal: x.signal})
		}
		y := &q.parts[k]
		m.whole += len(x.offsets)
		o, v := slower(x.offsets, x.values, int64(m.pace))
		m.samples += len(o)
		y.offsets, y.values, y.gaps = append(y.offsets, o...), append(y.values, v...), append(y.gaps, x.gaps...)
	}
}

// flush writes what was put together.
func (m *merging) flush() {
	p := m.piece
	if p == nil || m.err != nil {
		return
	}
	left := 0
	for k := range p.parts {
		x := &p.parts[k]
		x.offsets, x.values = slower(x.offsets, x.values, int64(m.pace))
		x.gaps = together(x.gaps)
		left += len(x.offsets)
	}
	if left < m.whole {
		p.pace = max(p.pace, m.pace)
	}
	b, err := blocks(m.h, *p, m.size > 0 && reflect.DeepEqual(m.h, m.written))
	if err == nil {
		_, err = m.w.Write(b)
	}
	if m.size == 0 {
		m.boot, m.from = m.h.Boot, p.from
	}
	m.err, m.to, m.written, m.size = err, p.to, m.h, m.size+int64(len(b))
	m.piece, m.samples, m.whole = nil, 0, 0
}
