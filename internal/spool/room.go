package spool

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
)

// Limits say how much room a spool may take. What is finished is stored even
// beyond them, as long as the disk takes it; nothing new is begun then.
type Limits struct {
	Bytes int64 // of all that waits; 0 stands for 2 GiB
	Free  int64 // left to others on the file system; 0 stands for 5 % of it, 256 MiB at most; negative for none
}

const (
	defaultBytes = 2 << 30
	mostFree     = 256 << 20
)

// Limit sets the limits, and the rig's key, with which a run whose signals are
// thinned to make room is signed again. Without it a spool takes what the disk
// takes, and thins nothing.
func (s *Spool) Limit(l Limits, key ed25519.PrivateKey) {
	if l.Bytes <= 0 {
		l.Bytes = defaultBytes
	}
	s.limits = l
	s.Rekey(key)
	s.save()
}

// Rekey sets the rig's key when it has become another. Runs that the one before has
// signed are thinned no more.
func (s *Spool) Rekey(key ed25519.PrivateKey) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.key = key
}

func (s *Spool) signing() ed25519.PrivateKey {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.key
}

// spare is set aside to thin the first run with when the disk is full.
const spare = 64 << 10

// save sets the spare room aside where it is not yet and the disk has it.
func (s *Spool) save() {
	path := s.path("spare")
	if info, err := os.Lstat(path); err == nil && info.Size() == spare {
		return
	}
	if err := os.WriteFile(path, make([]byte, spare), 0o600); err != nil {
		os.Remove(path)
	}
}

// ErrFull is returned when a spool has no room for a new run and nothing in it
// may be made smaller.
var ErrFull = errors.New("the spool is full")

// Usage is what a spool holds and how much it may.
type Usage struct {
	Runs   int       // finished and without a receipt
	Size   int64     // bytes, of those and of what is under way
	Oldest time.Time // when the longest waiting one began, by its id; zero when none waits
	Most   int64     // bytes it may hold now, as the disk is; 0 when it has no limits
	Free   int64     // bytes on the disk, with limits
}

// full says whether nothing new should be begun; a Most of 1 is a disk that has
// nothing to spare, whatever waits.
func (u Usage) full() bool { return u.Most == 1 || u.Most != 0 && u.Size+u.headroom() > u.Most }

// headroom is what must be there before a run begins.
func (u Usage) headroom() int64 { return min(u.Most/16, 16<<20) }

// Usage looks at what is there, without reading it.
func (s *Spool) Usage() (Usage, error) {
	u, err := s.usage()
	if err != nil {
		return u, fault.New("measure spool", s.dir, err)
	}
	return u, nil
}

func (s *Spool) usage() (u Usage, err error) {
	for _, sub := range []string{"ready", "open"} {
		names, err := readDir(s.path(sub))
		if err != nil {
			return u, err
		}
		for _, n := range names {
			u.Size += sizeOf(s.path(sub, n))
			if sub != "ready" || strings.HasPrefix(n, ".") {
				continue
			}
			if u.Runs++; u.Oldest.IsZero() {
				u.Oldest, _ = time.Parse("20060102-150405", n[:min(15, len(n))])
			}
		}
	}
	if s.limits.Bytes == 0 {
		return u, nil
	}
	free, all, err := durable.Free(s.dir)
	if err != nil {
		return u, err
	}
	u.Free = free
	keep := s.limits.Free
	if keep == 0 {
		keep = min(all/20, mostFree)
	}
	u.Most = max(1, min(s.limits.Bytes, u.Size+free-max(keep, 0)))
	return u, nil
}

// readDir gives the names in a folder, sorted.
func readDir(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names, err
}

// sizeOf adds up the files in a folder; what goes away meanwhile counts nothing.
func sizeOf(dir string) (n int64) {
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		if info, err := e.Info(); err == nil {
			n += info.Size()
		}
	}
	return n
}

// Room makes room for a new run where it is needed, and is nil when there is.
// The signals of the runs that wait are thinned for it, the oldest first, then
// all of them again; logs, snapshots and what was offered to a collector are
// not touched. When that is not enough the error is ErrFull.
func (s *Spool) Room() error {
	if s.limits.Bytes == 0 {
		return nil
	}
	u, err := s.usage()
	if err == nil && u.full() {
		u, err = s.thinUntil(func(u Usage) bool { return !u.full() })
	}
	if err != nil {
		return fault.New("make room in spool", s.dir, err)
	}
	if !u.full() {
		return nil
	}
	if u.Most < s.limits.Bytes {
		return fault.New("begin run", s.dir, fmt.Errorf("%w: its disk has %d bytes left, the runs that wait take %d, and no signals are left to be thinned", ErrFull, u.Free, u.Size)).
			WithHint("make room on the disk, or deliver what waits (agent spool send)")
	}
	return fault.New("begin run", s.dir, fmt.Errorf("%w: %d runs wait in %d bytes of %d, and no signals are left to be thinned", ErrFull, u.Runs, u.Size, u.Most)).
		WithHint("deliver what waits (agent spool send), or raise the limit")
}

// shrink brings the spool back within its limits, as far as thinning can.
func (s *Spool) shrink() {
	if u, err := s.usage(); err == nil && u.Size > u.Most && u.Most != 0 {
		s.thinUntil(func(u Usage) bool { return u.Size <= u.Most })
	}
}

// thinUntil thins the runs that wait, the oldest first and then all again, until
// it is enough or no more can be done.
func (s *Spool) thinUntil(enough func(Usage) bool) (Usage, error) {
	defer s.save()
	for round := 1; ; round++ {
		names, err := readDir(s.path("ready"))
		if err != nil {
			return Usage{}, err
		}
		names = slices.DeleteFunc(names, func(n string) bool { return strings.HasPrefix(n, ".") })
		thinner := false
		for _, id := range names {
			ok := s.thin(id, round)
			thinner = thinner || ok
			if !ok {
				continue
			}
			if u, err := s.usage(); err != nil || enough(u) {
				return u, err
			}
		}
		if !thinner && round > mostRounds {
			return s.usage()
		}
	}
}
