package collect

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"google.golang.org/grpc/codes"

	"witnessmark/internal/answer"
	"witnessmark/internal/deliver"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/setup"
)

// floorOn is the floor on a file system of that size.
func floorOn(f setup.Floor, size int64) int64 {
	part := int64(f.Part * float64(size))
	switch {
	case f.Bytes == 0:
		return part
	case f.Part == 0:
		return f.Bytes
	}
	return min(f.Bytes, part)
}

var errNoRoom = errors.New("the collector is short of room")

// tryEvery is how often a disk that was full is written to again while it says
// that it has no more room than then: a quota does not show in that.
const tryEvery = 10 * time.Second

// room watches the disk of an archive.
type room struct {
	dir   string
	floor func() setup.Floor
	free  func(dir string) (free, size int64, err error)
	now   func() time.Time

	mu     sync.Mutex
	since  time.Time // when it became short; zero while it is not
	wanted int64     // the least that was refused since; 0 for nothing
	full   struct {  // the last write that failed for want of room
		at   time.Time // zero when one has succeeded since
		free int64
	}
}

// look says what room there is, and whether it is enough for what size bytes more
// take beside held ones; 0 asks in general.
func (r *room) look(size, held int64) (s answer.State, err error) {
	if s.Free, s.Total, err = r.free(r.dir); err != nil {
		return s, err
	}
	s.Floor = floorOn(r.floor(), s.Total)
	r.mu.Lock()
	defer r.mu.Unlock()
	left := s.Free - s.Floor
	if size > 0 && left < size+held && (r.wanted == 0 || size < r.wanted) {
		r.wanted = size
	}
	if r.wanted > 0 && left >= r.wanted && (size == 0 || left >= size+held) {
		r.wanted = 0
	}
	switch was := r.full; {
	case left < 0:
		s.Refusing = fmt.Sprintf("%v: %s are free, and below %s nothing is taken", errNoRoom, inBytes(s.Free), inBytes(s.Floor))
	case !was.at.IsZero() && s.Free <= was.free && r.now().Sub(was.at) < tryEvery:
		s.Refusing = fmt.Sprintf("%v: its disk was full when it wrote, with %s free", errNoRoom, inBytes(s.Free))
	case size > 0 && left < size+held:
		s.Refusing = fmt.Sprintf("%v: %s are free above its floor of %s, and %s are to be delivered", errNoRoom, inBytes(left), inBytes(s.Floor), inBytes(size+held))
	case size == 0 && r.wanted > 0:
		s.Refusing = fmt.Sprintf("%v: %s are free above its floor of %s, and %s were to be delivered", errNoRoom, inBytes(left), inBytes(s.Floor), inBytes(r.wanted))
	default:
		if r.wanted == 0 && (was.at.IsZero() || s.Free > was.free) { // else only a try tells
			r.since = time.Time{}
		}
		return s, nil
	}
	if r.since.IsZero() {
		r.since = r.now()
	}
	s.Since, s.Hint = r.since, roomHint
	return s, nil
}

const roomHint = "make room on the disk of its archive; it goes on by itself"

// wrote remembers how a write ended.
func (r *room) wrote(err error) {
	free, _, _ := r.free(r.dir)
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case err == nil:
		r.full.at = time.Time{}
	case durable.Full(err):
		r.full.at, r.full.free = r.now(), free
		if r.since.IsZero() {
			r.since = r.full.at
		}
	}
}

// inBytes is a size for a person.
func inBytes(n int64) string {
	v, unit := float64(n), 0
	for ; v >= 1024 && unit < 4; unit++ {
		v /= 1024
	}
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) + []string{" B", " KiB", " MiB", " GiB", " TiB"}[unit]
}

// roomOf is the room on the disk of an archive's file, without a floor.
func roomOf(file string, now func() time.Time) *room {
	return &room{dir: filepath.Dir(file), floor: func() setup.Floor { return setup.Floor{} }, free: durable.Free, now: now}
}

// State implements answer.Book.
func (c *Collector) State(context.Context) (answer.State, error) {
	s, err := c.room.look(0, 0)
	if lost := c.doubt(); lost != nil {
		s.Refusing, s.Hint, s.Since = lost.Error(), fault.HintOf(lost), time.Time{}
	}
	return s, err
}

// Admit implements deliver.Taker.
func (c *Collector) Admit(_ context.Context, size, seen int64) error {
	if err := c.doubt(); err != nil {
		return deliver.As(deliver.CutBack, err)
	}
	switch head, _, err := c.archive.Head(); {
	case err != nil:
		return err
	case seen > head.Size: // of which the rig comes to show the head
		return deliver.Fewer(seen, head.Size)
	}
	held := int64(0)
	if c.held != nil {
		held = c.held()
	}
	s, err := c.room.look(max(size, 1), held)
	switch {
	case err != nil: // a disk that cannot be asked may still be written to
		c.log.Warn("the room on the archive's disk is not known", "error", err)
		return nil
	case s.Refusing == "":
		c.tellRoom(answer.State{})
		return nil
	}
	c.tellRoom(s)
	return deliver.Refuse(deliver.NoRoom, codes.Unavailable, "%s; the run waits at its rig", s.Refusing)
}

// tellRoom logs the beginning and the end of a shortage.
func (c *Collector) tellRoom(s answer.State) {
	short := s.Refusing != ""
	if c.told.Swap(short) == short {
		return
	}
	if short {
		c.log.Error("deliveries are refused", "error", s.Refusing, "hint", s.Hint)
	} else {
		c.log.Info("deliveries are taken again")
	}
}
