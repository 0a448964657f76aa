package watch

import (
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
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
)

// RingBounds say what a ring holds on to.
type RingBounds struct {
	Keep  time.Duration // by the boot clock; 0 stands for 2 h 15 min
	Bytes int64         // on the disk; 0 stands for 64 MiB, and wins over Keep
}

// Ring is the signals of the last hours, in a folder. It survives the agent's
// end, however that comes: what was appended is there, whole. A power cut may
// take the last seconds.
type Ring struct {
	mu       sync.Mutex
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
	path     string
	boot     string
	from, to time.Duration
	size     int64 // of what is whole
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
	names, err := os.ReadDir(r.dir) // sorted, and so by number
	if err != nil {
		return err
	}
	for _, n := range names {
		var number uint64
		if _, err := fmt.Sscanf(n.Name(), "%016x.seg", &number); err != nil || !strings.HasSuffix(n.Name(), ".seg") {
			continue
		}
		r.next = number + 1
		s, ok, err := scan(filepath.Join(r.dir, n.Name()))
		if err != nil {
			return err
		}
		if !ok {
			os.Remove(s.path) // nothing whole is in it
			continue
		}
		r.segments = append(r.segments, s)
	}
	return nil
}

// scan finds out what a segment covers.
func scan(path string) (s *segment, ok bool, err error) {
	s = &segment{path: path}
	b, err := os.ReadFile(path)
	if err != nil {
		return s, false, err
	}
	left := walk(b, true, func(h heads, p piece) {
		if !ok {
			ok, s.boot, s.from = true, h.Boot, p.from
		}
		s.to = p.to
	})
	s.size = int64(len(b) - len(left))
	return s, ok, nil
}

// walk calls f for each whole piece in a segment's bytes, read in full or only
// its head, and gives what is behind the last.
func walk(b []byte, times bool, f func(heads, piece)) (left []byte) {
	var h heads
	for {
		kind, payload, rest, ok := nextBlock(b)
		switch {
		case !ok:
			return b
		case kind == kindHeads:
			boot := h.Boot
			if h, ok = parseHeads(payload); !ok || boot != "" && boot != h.Boot {
				return b
			}
		case kind == kindPiece && h.Boot != "":
			p, err := parsePiece(payload, len(h.Signals), times)
			if err != nil {
				return b
			}
			f(h, p)
		default:
			return b
		}
		b = rest
	}
}

// Close closes the ring.
func (r *Ring) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
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
	Why      string // nothing was sampled between the piece before and this one, where the agent knows
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
	return r.drop(p.To.Instant())
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
	path := filepath.Join(r.dir, fmt.Sprintf("%016x.seg", r.next))
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	r.next++
	r.file, r.heads = f, heads{}
	r.segments = append(r.segments, &segment{path: path, boot: h.Boot})
	return nil
}

func (r *Ring) write(h heads, w piece) error {
	s := r.segments[len(r.segments)-1]
	var b []byte
	if s.size == 0 || !reflect.DeepEqual(h, r.heads) {
		var err error
		if b, err = appendHeads(b, h); err != nil {
			return err
		}
	}
	start := len(b)
	if b = appendPiece(b, w); len(b)-start > maxBlock {
		return fmt.Errorf("a piece of %d bytes is too large", len(b)-start)
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

// drop lets the oldest segments go that are too old, or too much.
func (r *Ring) drop(now Instant) error {
	total := int64(0)
	for _, s := range r.segments {
		total += s.size
	}
	for len(r.segments) > 1 {
		s := r.segments[0]
		old := now.At > r.bounds.Keep
		if s.boot == now.Boot {
			old = now.At-s.to > r.bounds.Keep
		}
		if !old && total <= r.bounds.Bytes {
			return nil
		}
		if err := os.Remove(s.path); err != nil && !os.IsNotExist(err) {
			return fault.New("let old signals go", s.path, err)
		}
		total -= s.size
		r.segments = r.segments[1:]
	}
	return nil
}
