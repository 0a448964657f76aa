package take

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"witnessmark/internal/capture"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/watch"
)

// spanWait is for how long a log that was written in a span which has not ended
// waits for its end. A design choice.
const spanWait = 10 * time.Minute

// Folder is a folder in which logs turn up. Those inside it are not entered.
type Folder struct {
	Path string // absolute
	Logs []Logs // the first that matches a file's name holds
}

// Logs says what the files of a folder are whose names match.
type Logs struct {
	Match    string          // as filepath.Match has it: "orrery-*.csv"
	Workload *setup.Workload // its [log] says how they are read; nil for the reader to find out
	Setup    *setup.Setup    // nil when none is declared
	Quiet    time.Duration   // unchanged for so long a log is complete
}

// Signals is the ring of signals, with what was sampled up to now: watch.Pump.
type Signals interface {
	Cut(from, to watch.Instant) (watch.Cut, error)
}

// Options are what a Taker works with. Those without a default are needed.
type Options struct {
	Dir      string // for its own state, the ledger
	Folders  []Folder
	Rescan   time.Duration // of the folders, for what events missed; 0 stands for 30 s
	Clock    watch.Clock
	Timeline *watch.Timeline
	Signals  Signals
	States   *States
	Spans    *Spans
	Look     func(context.Context) rig.Snapshot // reads the machine, for the state after a log; nil for none
	Rig      *capture.Rig                       // whose runs these are; Tree and Window are not looked at
	Log      *slog.Logger                       // nil for silence

	// Offset says how far the wall clock, when it showed wall at an instant, was
	// ahead of the collector's; nil when that is not known. It may be nil itself.
	Offset func(wall time.Time, at watch.Instant) *rig.ClockOffset

	// Happened is told of each event of the clocks that this noticed first. It may
	// be nil, and must not block.
	Happened func(watch.Event)

	// Taken is told of each run that was made, once it is in the spool. It is
	// called by Run, may be nil, and must not block.
	Taken func(*record.Run)
}

// Taker makes runs of logs. Status may be used from anywhere.
type Taker struct {
	o       Options
	lock    *os.File
	ledger  *ledger
	folders *watch.Folders

	mu       sync.Mutex
	rules    []Folder
	troubles map[string]Trouble
	taken    int
	latest   string
	ctx      context.Context
}

// Trouble is a file, or a folder, that could not be made a run, or looked at.
type Trouble struct {
	Path  string
	Why   error // one line, with a hint
	Since time.Time
}

// Status is how a Taker stands.
type Status struct {
	Taken    int    // runs that it has made
	Latest   string // the id of the latest; "" for none
	Troubles []Trouble
}

// New opens the ledger in o.Dir. Only one process may.
func New(o Options) (*Taker, error) {
	if err := durable.MakeDir(o.Dir); err != nil {
		return nil, fault.New("open state folder", o.Dir, err).WithHint("the agent must be able to write it")
	}
	lock, err := durable.TryLock(filepath.Join(o.Dir, "lock"), os.O_CREATE|os.O_RDWR)
	if err == nil && lock == nil {
		err = errors.New("another agent works with it")
	}
	if err != nil {
		return nil, fault.New("open state folder", o.Dir, err).WithHint("stop the other agent, or give this one a state folder of its own")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	t := &Taker{o: o, lock: lock, troubles: map[string]Trouble{}, ctx: context.Background()}
	if err := t.open(); err != nil {
		return nil, errors.Join(err, t.Close())
	}
	t.folders = &watch.Folders{
		Wanted: func(path string) bool { return t.rule(path) != nil }, Quiet: t.quiet,
		Rescan: o.Rescan, Clock: o.Clock, Found: t.found, Troubled: t.trouble,
		Gone: func(path string) { t.trouble(path, nil) },
	}
	t.o.Spans.onChange(t.folders.Wake)
	t.Watch(o.Folders)
	return t, nil
}

func (t *Taker) open() (err error) {
	var lines int
	if t.ledger, lines, err = openLedger(filepath.Join(t.o.Dir, "taken.jsonl")); err != nil {
		return err
	}
	for path, n := range map[string]int{t.ledger.path: lines, t.o.Spans.path: t.o.Spans.damaged} {
		if n > 0 {
			t.trouble(path, fault.New("read", path, fmt.Errorf("%d of its lines are damaged", n)).WithHint("what they told is not known any more; a log may be taken again"))
		}
	}
	return nil
}

// Watch sets the folders in place of those before.
func (t *Taker) Watch(folders []Folder) {
	var paths []string
	for _, f := range folders {
		paths = append(paths, f.Path)
	}
	t.mu.Lock()
	t.rules = folders
	t.mu.Unlock()
	t.folders.Watch(paths)
}

// Run watches and takes until ctx ends. It may be called once.
func (t *Taker) Run(ctx context.Context) error {
	t.mu.Lock()
	t.ctx = ctx
	t.mu.Unlock()
	for _, x := range t.ledger.undone {
		if _, err := os.Lstat(x.Path); errors.Is(err, os.ErrNotExist) {
			t.trouble(x.Path, fault.New("take timing log", x.Path, fmt.Errorf("it was about to become run %s when the agent ended, and is gone", x.ID)).WithHint("put the file back, under any name that is looked for"))
		}
	}
	t.folders.Run(ctx)
	return nil
}

// Close closes what New opened. Run must have returned.
func (t *Taker) Close() error {
	var errs []error
	t.o.Spans.onChange(nil)
	if t.ledger != nil {
		errs = append(errs, t.ledger.journal.Close())
	}
	return errors.Join(append(errs, t.lock.Close())...)
}

// Status gives how things stand, troubles by path.
func (t *Taker) Status() Status {
	t.mu.Lock()
	s := Status{Taken: t.taken, Latest: t.latest}
	for _, x := range t.troubles {
		s.Troubles = append(s.Troubles, x)
	}
	t.mu.Unlock()
	slices.SortFunc(s.Troubles, func(a, b Trouble) int { return cmp.Compare(a.Path, b.Path) })
	return s
}

// rule finds what a file is; nil when it is none of the logs looked for.
func (t *Taker) rule(path string) *Logs {
	t.mu.Lock()
	defer t.mu.Unlock()
	dir, base := filepath.Split(path)
	for _, f := range t.rules {
		if filepath.Clean(f.Path) != filepath.Clean(dir) {
			continue
		}
		for i, l := range f.Logs {
			if strings.HasPrefix(base, ".") && !strings.HasPrefix(l.Match, ".") {
				continue // what a program has not finished yet often has such a name
			}
			if ok, err := filepath.Match(l.Match, base); ok && err == nil {
				return &f.Logs[i]
			}
		}
	}
	return nil
}

// quiet is for how long a log must be unchanged to be complete.
func (t *Taker) quiet(path string) time.Duration {
	if l := t.rule(path); l != nil {
		return l.Quiet
	}
	return 0
}

// trouble notes and tells what is wrong with a path, or that nothing is any more.
func (t *Taker) trouble(path string, why error) {
	t.mu.Lock()
	was, had := t.troubles[path]
	if why == nil {
		delete(t.troubles, path)
	} else {
		t.troubles[path] = Trouble{path, why, t.o.Clock.Read().Wall}
	}
	t.mu.Unlock()
	switch {
	case why != nil && (!had || was.Why.Error() != why.Error()):
		t.o.Log.Warn(why.Error(), "hint", fault.HintOf(why))
	case why == nil && had:
		t.o.Log.Info("trouble over", "path", path)
	}
}
