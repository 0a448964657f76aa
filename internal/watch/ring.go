package watch

import (
	"cmp"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
)

// RingBounds say what a ring holds on to.
type RingBounds struct {
	Keep  time.Duration // by the boot clock; 0 stands for 2 h 15 min
	Bytes int64         // on the disk; 0 stands for 64 MiB
}

// Ring is the signals of the last hours, in a folder. It survives the agent's
// end, however that comes: what was appended is there, whole. A power cut may
// take the last seconds. Where there are more signals than it has room for, the
// older ones are thinned, and only what cannot be thinned any more is let go.
type Ring struct {
	mu       sync.Mutex
	changed  *sync.Cond // tidying has ended, or is a step further
	tidying  bool
	closing  atomic.Bool
	trouble  error // of the last tidying
	dir      string
	bounds   RingBounds
	lock     *os.File
	session  string
	segments []*segment // oldest first
	file     *os.File   // the last segment's, nil while there is none of this session
	heads    heads      // in force in file
	next     uint64     // number of the next segment
	lost     string     // why what came since the last piece is not there
}

// segment is a file of the ring.
type segment struct {
	path        string
	first, last uint64 // numbers of the segments that it has taken the place of, or its own
	boot        string
	from, to    time.Duration
	size        int64 // of what is whole
	spent       bool  // there is nothing left in it to be thinned
}

// nameOf names the segment that stands for those from one number to another.
func nameOf(first, last uint64) string {
	if first == last {
		return fmt.Sprintf("%016x.seg", first)
	}
	return fmt.Sprintf("%016x-%016x.seg", first, last)
}

// numbersOf reads such a name.
func numbersOf(name string) (first, last uint64, ok bool) {
	if n, _ := fmt.Sscanf(name, "%16x-%16x.seg", &first, &last); n < 2 {
		if _, err := fmt.Sscanf(name, "%16x.seg", &first); err != nil {
			return 0, 0, false
		}
		last = first
	}
	return first, last, name == nameOf(first, last)
}

// OpenRing opens the ring in dir, or begins it. Only one process may have it
// open. What a crash cut off at the end of a segment is left out.
func OpenRing(dir string, bounds RingBounds) (*Ring, error) {
	if bounds.Keep <= 0 {
		bounds.Keep = 2*time.Hour + 15*time.Minute
	}
	if bounds.Bytes <= 0 {
		bounds.Bytes = 64 << 20
	}
	r := &Ring{dir: dir, bounds: bounds}
	r.changed = sync.NewCond(&r.mu)
	if err := r.open(); err != nil {
		if r.lock != nil {
			r.lock.Close()
		}
		return nil, fault.New("open ring", dir, err).WithHint("the folder must be the agent's to write, and no other agent may use it")
	}
	return r, nil
}

func (r *Ring) open() error {
	if err := durable.MakeDir(r.dir); err != nil {
		return err
	}
	var err error
	if r.lock, err = durable.TryLock(filepath.Join(r.dir, "lock"), os.O_CREATE|os.O_RDWR); err != nil {
		return err
	}
	if r.lock == nil {
		return errors.New("another process has it open")
	}
	var id [8]byte
	if _, err := rand.Read(id[:]); err != nil {
		return err
	}
	r.session = hex.EncodeToString(id[:])
	return r.find()
}

// find lists the segments that are there, and removes what a killed process has
// left beside them: files that were not finished, and those that a thinner one
// has taken the place of.
func (r *Ring) find() error {
	names, err := os.ReadDir(r.dir)
	if err != nil {
		return err
	}
	var all []*segment
	for _, n := range names {
		if strings.HasPrefix(n.Name(), unfinished) {
			os.Remove(filepath.Join(r.dir, n.Name()))
		} else if first, last, ok := numbersOf(n.Name()); ok {
			all = append(all, &segment{path: filepath.Join(r.dir, n.Name()), first: first, last: last})
		}
	}
	slices.SortFunc(all, func(a, b *segment) int {
		return cmp.Or(cmp.Compare(a.first, b.first), cmp.Compare(b.last, a.last))
	})
	for _, s := range all {
		if s.first < r.next {
			os.Remove(s.path)
			continue
		}
		ok, err := s.scan()
		if err != nil {
			return err
		}
		if !ok {
			os.Remove(s.path) // nothing whole is in it
			continue
		}
		r.next = s.last + 1
		r.segments = append(r.segments, s)
	}
	return nil
}

// scan finds out what a segment covers; false if nothing.
func (s *segment) scan() (ok bool, err error) {
	f, err := os.Open(s.path)
	if err != nil {
		return false, err
	}
	defer f.Close()
	s.size, err = walk(f, none, func(h heads, p piece) bool {
		if !ok {
			ok, s.boot, s.from = true, h.Boot, p.from
		}
		s.to = p.to
		return true
	})
	return ok, err
}

func none(piece) bool { return false }
func all(piece) bool  { return true }

// Close closes the ring.
func (r *Ring) Close() error {
	r.closing.Store(true)
	r.mu.Lock()
	defer r.mu.Unlock()
	for r.tidying {
		r.changed.Wait()
	}
	err := r.leave()
	if r.lock != nil {
		err = errors.Join(err, r.lock.Close())
		r.lock = nil
	}
	return err
}

// leave ends the segment that is being written.
func (r *Ring) leave() error {
	if r.file == nil {
		return nil
	}
	err := errors.Join(r.file.Sync(), r.file.Close())
	r.file = nil
	return err
}

// Piece is what a sampler gave from one pass to another, its offsets being
// since the boot.
type Piece struct {
	From, To Reading // of the first and the last pass
	Signals  []probe.Drained
	Cost     probe.Cost
	Pace     time.Duration // the slowest at which passes are made; 0 stands for 1 s
	Why      string        // nothing was sampled between the piece before and this one, where the agent knows
}

// Append adds a piece. When it cannot be stored it is lost, what was there
// before is not, and the ring will say why it is missing.
func (r *Ring) Append(p Piece) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.lock == nil {
		return fault.New("keep signals", r.dir, os.ErrClosed)
	}
	if p.Why == "" {
		p.Why = r.lost
	}
	if err := r.append(p); err != nil {
		if r.lost == "" {
			r.lost = "the signals could not be written: " + cause(err)
		}
		return fault.New("keep signals", r.dir, err).WithHint("make room on the disk that holds the state folder; the agent goes on by itself")
	}
	r.lost = ""
	return r.fit()
}

// cause is the innermost reason, without the path.
func cause(err error) string {
	for errors.Unwrap(err) != nil {
		err = errors.Unwrap(err)
	}
	return err.Error()
}

func (r *Ring) append(p Piece) error {
	h := heads{Boot: p.From.Boot, Session: r.session}
	if p.Pace > idlePace {
		h.Apart = p.Pace
	}
	w := piece{
		from: p.From.SinceBoot, to: p.To.SinceBoot, awakeFrom: p.From.Awake, awakeTo: p.To.Awake,
		cpu: p.Cost.CPU, peak: p.Cost.PeakRSS, why: p.Why,
	}
	for i, s := range p.Signals {
		limits := slices.DeleteFunc(slices.Clone(s.Limits), func(l rig.Limit) bool { return math.IsNaN(l.Value) || math.IsInf(l.Value, 0) })
		h.Signals = append(h.Signals, head{s.Key, s.Unit, s.Exponent, s.Source, limits, s.Counter, s.Unread, s.Doubted})
		if len(s.Values) == 0 && len(s.Gaps) == 0 {
			continue
		}
		x := part{signal: i, values: s.Values, gaps: s.Gaps}
		for _, o := range s.Offsets {
			x.offsets = append(x.offsets, int64(o))
		}
		w.parts = append(w.parts, x)
	}
	if err := r.turn(h, w.to); err != nil {
		return err
	}
	return r.write(h, w)
}

// turn begins a new segment where the last one is of another boot or session,
// or long or old enough: a twelfth of what is kept is let go at a time.
func (r *Ring) turn(h heads, to time.Duration) error {
	if r.file != nil {
		s := r.segments[len(r.segments)-1]
		if s.size == 0 || s.boot == h.Boot && to-s.from < r.bounds.Keep/12 && s.size < r.bounds.Bytes/12 {
			return nil
		}
		if err := r.leave(); err != nil {
			return err
		}
	}
	path := filepath.Join(r.dir, nameOf(r.next, r.next))
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	r.file, r.heads = f, heads{}
	r.segments = append(r.segments, &segment{path: path, first: r.next, last: r.next, boot: h.Boot})
	r.next++
	return nil
}

func (r *Ring) write(h heads, w piece) error {
	s := r.segments[len(r.segments)-1]
	b, err := blocks(h, w, s.size > 0 && reflect.DeepEqual(h, r.heads))
	if err != nil {
		return err
	}
	if n, err := r.file.WriteAt(b, s.size); err != nil {
		if n > 0 {
			r.file.Truncate(s.size) // or the next piece is written over it
		}
		return err
	}
	if s.size == 0 {
		s.boot, s.from = h.Boot, w.from
	}
	s.size, s.to, r.heads = s.size+int64(len(b)), w.to, h
	return nil
}

// blocks encodes a piece, behind what its signals are unless that is known.
func blocks(h heads, p piece, known bool) (b []byte, err error) {
	if !known {
		if b, err = appendHeads(b, h); err != nil {
			return nil, err
		}
	}
	start := len(b)
	if b = appendPiece(b, p); len(b)-start > maxBlock {
		return nil, fmt.Errorf("a piece of %d bytes is too large", len(b)-start)
	}
	return b, nil
}

// size is what all segments take.
func (r *Ring) size() (n int64) {
	for _, s := range r.segments {
		n += s.size
	}
	return n
}

// ages gives how long ago each segment ended, at the least: how long the machine
// was off between two boots is not known.
func (r *Ring) ages() []time.Duration {
	out := make([]time.Duration, len(r.segments))
	for i := len(r.segments) - 2; i >= 0; i-- {
		s, later := r.segments[i], r.segments[i+1]
		if out[i] = out[i+1] + later.to; s.boot == later.boot {
			out[i] = out[i+1] + max(0, later.to-s.to)
		}
	}
	return out
}

// fit lets segments go that are too old. Of what is too much the older parts are
// thinned meanwhile; the oldest is let go only if that does not suffice.
func (r *Ring) fit() error {
	for len(r.segments) > 1 && r.ages()[0] > r.bounds.Keep {
		if err := r.drop(); err != nil {
			return err
		}
	}
	for size := r.size(); size > r.ample(); size = r.size() {
		switch {
		case !r.tidying && r.trouble == nil && r.densest() != nil:
			r.tidying = true
			go r.tidy()
		case size <= r.full() || len(r.segments) == 1:
			return r.told()
		case r.tidying:
			r.changed.Wait()
		default:
			if err := r.drop(); err != nil {
				return err
			}
		}
	}
	return r.told()
}

// told gives the trouble of tidying once, after which it is tried again.
func (r *Ring) told() error {
	if r.tidying || r.trouble == nil {
		return nil
	}
	err := r.trouble
	r.trouble = nil
	return fault.New("thin old signals", r.dir, err).WithHint("make room on the disk that holds the state folder; the agent goes on by itself")
}

// drop lets the oldest segment go.
func (r *Ring) drop() error {
	s := r.segments[0]
	if err := os.Remove(s.path); err != nil && !os.IsNotExist(err) {
		return fault.New("let old signals go", s.path, err)
	}
	r.segments = r.segments[1:]
	return nil
}
