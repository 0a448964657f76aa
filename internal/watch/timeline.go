package watch

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
)

// Timeline is which wall time was which instant. It is kept in a small file, so
// that what is older than the agent's own life is still known. The zero
// Timeline is empty and kept nowhere. Several goroutines may use one.
type Timeline struct {
	mu      sync.Mutex
	all     []Stretch // in the order they were met
	path    string
	file    *os.File
	size    int64         // of what is good in the file
	saved   time.Duration // the last reading of the last stretch as the file has it
	owed    []Stretch     // ended ones whose end the file does not have
	damaged int
}

// Bounds of the file and of what is remembered; a clock that is set every hour
// is remembered for a month.
const (
	maxStretches = 1000
	maxFile      = 1 << 20
	saveEvery    = time.Minute
)

// OpenTimeline goes on with the timeline in the file at path, or begins it. Only
// one process may. Lines that are damaged are left out; see Damaged.
func OpenTimeline(path string) (*Timeline, error) {
	t := &Timeline{path: path}
	b, err := os.ReadFile(path)
	if err != nil && !os.IsNotExist(err) {
		return nil, fault.New("open timeline", path, err)
	}
	t.all, t.damaged = parseTimeline(b)
	t.size, t.saved = int64(bytes.LastIndexByte(b, '\n')+1), t.last().To.SinceBoot
	if err := t.open(); err != nil && !errors.Is(err, syscall.ENOSPC) {
		return nil, fault.New("open timeline", path, err).WithHint("the agent must be able to write its state folder")
	}
	return t, nil
}

// open opens the file for writing and takes off what a crash left of a line.
func (t *Timeline) open() error {
	f, err := os.OpenFile(t.path, os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	t.file = f
	return f.Truncate(t.size)
}

// Close closes the file.
func (t *Timeline) Close() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.file == nil {
		return nil
	}
	err := errors.Join(t.save(t.last(), true), t.file.Close())
	t.file, t.path = nil, ""
	return err
}

// Damaged is how many lines of the file could not be read when it was opened,
// but for one at the end that a crash had cut off.
func (t *Timeline) Damaged() int { return t.damaged }

// Note takes a reading and gives what happened to the clocks since the last one,
// or nil. A reading no later than the last is nothing new. When it cannot be
// stored the timeline goes on without, and the next Note tries again.
func (t *Timeline) Note(r Reading) (*Event, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.all) == 0 {
		t.all = []Stretch{{r, r}}
		return nil, t.save(t.all[0], true)
	}
	last := &t.all[len(t.all)-1]
	if r.Boot == last.To.Boot && r.SinceBoot <= last.To.SinceBoot {
		return nil, nil
	}
	e, ok := between(*last, r)
	if !ok {
		last.To = r
		return nil, t.save(*last, false)
	}
	if t.owed = append(t.owed, *last); len(t.owed) > maxStretches {
		t.owed = slices.Delete(t.owed, 0, 1)
	}
	t.all = append(t.all, Stretch{r, r})
	if over := len(t.all) - maxStretches; over > 0 {
		t.all = slices.Delete(t.all, 0, over)
	}
	return &e, t.save(t.last(), true)
}

func (t *Timeline) last() Stretch {
	if len(t.all) == 0 {
		return Stretch{}
	}
	return t.all[len(t.all)-1]
}

// Last gives the last reading noted; false when there is none.
func (t *Timeline) Last() (Reading, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.last().To, len(t.all) > 0
}

// Stretches gives what is known, in the order it was met.
func (t *Timeline) Stretches() []Stretch {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.Clone(t.all)
}

// Events gives what happened to the clocks between two instants of one boot,
// steps and suspensions that may have been just outside included. With other
// bounds than that it gives none.
func (t *Timeline) Events(from, to Instant) []Event {
	t.mu.Lock()
	defer t.mu.Unlock()
	var out []Event
	for _, e := range eventsOf(t.all) {
		if !e.Restarted && e.After.Boot == from.Boot && from.Boot == to.Boot && e.Before.SinceBoot < to.At && e.After.SinceBoot > from.At {
			out = append(out, e)
		}
	}
	return out
}

// Instants gives each instant at which the wall clock may have shown that time,
// those of one boot in their order: one as a rule, two where the clock was set
// back, or where it was set while nobody looked, and none for a time that the
// clock never showed, that is still to come, or that lies before everything known.
// So that now is known, note a reading first where none was for a minute.
func (t *Timeline) Instants(wall time.Time) []Instant {
	t.mu.Lock()
	defer t.mu.Unlock()
	return instants(t.all, wall)
}

// Walls gives each time that the wall clock may have shown at that instant.
func (t *Timeline) Walls(at Instant) []time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	return walls(t.all, at)
}

// save writes a stretch down: at once if it is new, else now and then.
func (t *Timeline) save(s Stretch, now bool) error {
	if t.path == "" || !now && len(t.owed) == 0 && s.To.SinceBoot-t.saved < saveEvery {
		return nil
	}
	var b []byte
	for _, o := range slices.Concat(t.owed, []Stretch{s}) {
		b = appendLine(b, o)
	}
	if err := t.write(b, now || len(t.owed) > 0); err != nil {
		return fault.New("note the clocks", t.path, err).WithHint("make room on the disk that holds the state folder; it is tried again")
	}
	t.saved, t.owed = s.To.SinceBoot, nil
	return nil
}

// write puts b at the end of the file, or, once that is long, all that is known
// into a new one. What is not synced may be lost to a power cut, not to a crash.
func (t *Timeline) write(b []byte, sync bool) error {
	if t.size > maxFile {
		return t.rewrite()
	}
	if t.file == nil {
		if err := t.open(); err != nil {
			return err
		}
	}
	n, err := t.file.WriteAt(b, t.size)
	if err == nil && sync {
		err = t.file.Sync()
	}
	if err != nil {
		if n > 0 {
			t.file.Truncate(t.size) // or the next line is written over it
		}
		return err
	}
	t.size += int64(n)
	return nil
}

func (t *Timeline) rewrite() error {
	var b []byte
	for _, s := range t.all {
		b = appendLine(b, s)
	}
	if t.file != nil {
		t.file.Close()
		t.file = nil
	}
	if err := durable.WriteFile(filepath.Dir(t.path), filepath.Base(t.path), b); err != nil {
		return err
	}
	t.size = int64(len(b))
	return t.open()
}
