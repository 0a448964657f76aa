package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"github.com/fsnotify/fsnotify"

	"witnessmark/internal/fault"
)

// How folders are looked at; all are design choices.
const (
	defaultRescan = 30 * time.Second

	// glance is for how long events are left to gather. A workload that writes a
	// row a frame would otherwise wake the agent with each of them; the kernel
	// holds equal ones together.
	glance = 250 * time.Millisecond

	mostTroubles = 1000 // paths of which it is remembered that they were told of
)

// Found is a file that is complete.
type Found struct {
	Path    string
	Info    fs.FileInfo
	Changed Reading // when it was first seen as it is
	Before  Reading // when it was last seen otherwise, or not there; zero when it was there from the first look
}

// Folders tells of files in folders once they are complete: nobody changed them
// for a while, or they were renamed into place. Events of the file system say
// where to look, and every now and then all is looked through for what they
// missed: folders that came later, file systems without events, too many at once.
//
// A file that changes is told of again, once it is complete again. What is no
// plain file, a link among them, is not touched. Folders inside are not entered.
type Folders struct {
	Wanted func(path string) bool          // files that are looked for; nil for all
	Quiet  func(path string) time.Duration // unchanged for so long is complete
	Rescan time.Duration                   // 0 stands for 30 s
	Clock  Clock

	// Found takes a complete file; false asks for it again, at the next Wake or
	// rescan. Troubled is told once what cannot be looked at and why, and with nil
	// that it can be again. Gone, which may be nil, is told of a file that was seen
	// and is not there any more. All are called by Run, one at a time.
	Found    func(Found) bool
	Troubled func(path string, why error)
	Gone     func(path string)

	mu       sync.Mutex
	paths    []string
	woken    chan struct{}
	rescan   bool
	again    bool
	sights   map[string]*sight
	pending  map[string]bool // those of them that are not given and taken
	troubles map[string]string
	watched  map[string]fs.FileInfo
	watcher  *fsnotify.Watcher
	scanned  Reading
}

// sight is a file as it was last seen.
type sight struct {
	info    fs.FileInfo
	changed Reading // the first look at which it was so
	before  Reading // the last one at which it was not
	seen    Reading // the last one
	ready   bool    // complete without waiting
	later   bool    // it was not taken and is to be given again
}

// Watch sets the folders, by absolute paths, in place of those before.
func (f *Folders) Watch(paths []string) {
	f.mu.Lock()
	clean := make([]string, 0, len(paths))
	for _, path := range paths {
		clean = append(clean, filepath.Clean(path)) // as events name it
	}
	slices.Sort(clean)
	f.paths, f.rescan = slices.Compact(clean), true
	f.mu.Unlock()
	f.Wake()
}

// Wake looks at once, and gives what was found and not taken again.
func (f *Folders) Wake() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.again = true
	select {
	case f.wakes() <- struct{}{}:
	default:
	}
}

func (f *Folders) wakes() chan struct{} {
	if f.woken == nil {
		f.woken = make(chan struct{}, 1)
	}
	return f.woken
}

// Run looks until ctx ends.
func (f *Folders) Run(ctx context.Context) {
	woken := f.begin()
	var events <-chan fsnotify.Event
	var errs <-chan error
	w, err := fsnotify.NewWatcher()
	if f.trouble("file system events", eventless(err)); err == nil {
		f.watcher, events, errs = w, w.Events, w.Errors
		defer w.Close()
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		heard := map[string]bool{}
		select {
		case <-ctx.Done():
			return
		case e := <-events:
			f.hear(e, heard)
			f.gather(events, heard)
		case err := <-errs:
			f.missed(err)
		case <-woken:
		case <-timer.C:
		}
		timer.Reset(f.look(ctx, heard))
		if len(heard) > 0 {
			select {
			case <-ctx.Done():
				return
			case <-time.After(glance):
			}
		}
	}
}

// begin forgets everything, and gives what Wake wakes by.
func (f *Folders) begin() <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.sights, f.pending, f.rescan = map[string]*sight{}, map[string]bool{}, true
	f.troubles, f.watched, f.scanned = map[string]string{}, map[string]fs.FileInfo{}, Reading{}
	return f.wakes()
}

func eventless(err error) error {
	if err == nil {
		return nil
	}
	return fault.New("watch folders", "file system events", err).WithHint("they are looked through every now and then instead; raise fs.inotify.max_user_watches or max_user_instances")
}

// missed takes an error of the watcher: events may be lost with any.
func (f *Folders) missed(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.rescan = true; !errors.Is(err, fsnotify.ErrEventOverflow) {
		f.again = true
	}
}

// gather takes the events that are there already.
func (f *Folders) gather(events <-chan fsnotify.Event, heard map[string]bool) {
	for {
		select {
		case e := <-events:
			f.hear(e, heard)
		case <-time.After(time.Millisecond): // the watcher hands them over one by one
			return
		}
	}
}

// hear notes where an event says to look; true for a name that is new.
func (f *Folders) hear(e fsnotify.Event, heard map[string]bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if slices.Contains(f.paths, e.Name) {
		f.rescan = f.rescan || e.Has(fsnotify.Remove) || e.Has(fsnotify.Rename)
		heard[""] = true
		return
	}
	heard[e.Name] = heard[e.Name] || e.Has(fsnotify.Create)
}

// look looks where it was heard of something, at what is not complete yet, and
// through everything when that is due. It gives how soon to look again.
func (f *Folders) look(ctx context.Context, heard map[string]bool) time.Duration {
	now := f.Clock.Read()
	f.mu.Lock()
	paths, all, again := slices.Clone(f.paths), f.rescan, f.again
	f.rescan, f.again = false, false
	f.mu.Unlock()
	if all = all || since(f.scanned, now) >= f.every(); all {
		f.scan(paths, now)
	}
	for path, created := range heard {
		if path != "" && slices.Contains(paths, filepath.Dir(path)) {
			f.see(path, now, f.scanned, created)
		}
	}
	next := f.every() - since(f.scanned, now)
	for _, path := range slices.Sorted(maps.Keys(f.pending)) {
		if ctx.Err() != nil {
			return 0
		}
		if left := f.left(path, now, again || all); left <= 0 {
			f.give(path, f.Clock.Read(), again || all)
		}
		next = min(next, f.left(path, now, false))
	}
	return max(next, time.Millisecond)
}

// left is for how long a pending file must yet stay as it is; much longer than
// any wait when it is not waited for.
func (f *Folders) left(path string, now Reading, again bool) time.Duration {
	s := f.sights[path]
	switch {
	case !f.pending[path] || s.info.Size() == 0 || s.later && !again:
		return math.MaxInt64
	case s.ready || s.later:
		return 0
	}
	return f.Quiet(path) - since(s.changed, now)
}

// give hands a file over if it is still as it was seen.
func (f *Folders) give(path string, now Reading, again bool) {
	f.see(path, now, now, false)
	if f.left(path, now, again) > 0 {
		return
	}
	s := f.sights[path]
	if f.Found(Found{path, s.info, s.changed, s.before}) {
		delete(f.pending, path)
	} else {
		s.later = true
	}
}

func (f *Folders) every() time.Duration {
	if f.Rescan > 0 {
		return f.Rescan
	}
	return defaultRescan
}

// since is how long the machine was awake between two readings: who writes a
// file sleeps with it.
func since(a, b Reading) time.Duration {
	if a.Boot != b.Boot {
		return 1 << 62
	}
	return b.Awake - a.Awake
}

// scan looks through all folders, and forgets what is gone.
func (f *Folders) scan(paths []string, now Reading) {
	there, last := map[string]bool{}, f.scanned
	f.scanned = now
	for _, dir := range paths {
		names, err := f.list(dir)
		f.trouble(dir, err)
		for _, n := range names {
			path := filepath.Join(dir, n)
			there[path] = true
			f.see(path, now, last, false)
		}
	}
	for path := range f.sights {
		if !there[path] {
			f.forget(path)
		}
	}
	for path := range f.troubles {
		if filepath.IsAbs(path) && !there[path] && !slices.Contains(paths, path) {
			f.trouble(path, nil)
		}
	}
	for dir := range f.watched {
		if !slices.Contains(paths, dir) {
			f.watcher.Remove(dir)
			delete(f.watched, dir)
		}
	}
}

// list gives the names in a folder, and asks for its events.
func (f *Folders) list(dir string) ([]string, error) {
	info, err := os.Stat(dir)
	if err == nil && !info.IsDir() {
		err = errors.New("not a folder")
	}
	if err != nil {
		delete(f.watched, dir)
		return nil, fault.New("watch folder", dir, bare(err)).WithHint("it is looked for again by itself; make it, or name another")
	}
	deaf := f.listen(dir, info) // before the names are read, so that none falls between
	d, err := os.Open(dir)
	if err != nil {
		return nil, fault.New("watch folder", dir, bare(err)).WithHint("the agent needs the right to read the folder")
	}
	defer d.Close()
	names, err := d.Readdirnames(-1)
	if err != nil {
		return names, fault.New("watch folder", dir, bare(err)).WithHint("it is tried again by itself")
	}
	return names, deaf
}

// listen asks for a folder's events, anew when another folder has its name.
func (f *Folders) listen(dir string, info fs.FileInfo) error {
	if was := f.watched[dir]; f.watcher == nil || was != nil && os.SameFile(was, info) && slices.Contains(f.watcher.WatchList(), dir) {
		return nil
	}
	f.watcher.Remove(dir)
	if err := f.watcher.Add(dir); err != nil {
		return eventless(fmt.Errorf("%s: %w", dir, err))
	}
	f.watched[dir] = info
	return nil
}

// see looks at one file, which was last looked for at a time before.
func (f *Folders) see(path string, now, before Reading, created bool) {
	if f.Wanted != nil && !f.Wanted(path) {
		f.forget(path)
		return
	}
	info, err := os.Lstat(path)
	switch {
	case err == nil && info.IsDir():
		return
	case err == nil && !info.Mode().IsRegular():
		err = fault.New("look at file", path, fmt.Errorf("it is %s and not a plain file", kindOf(info.Mode()))).WithHint("it is left alone; put the file itself into the folder")
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		err = fault.New("look at file", path, bare(err)).WithHint("the agent needs the right to enter the folder")
	case err != nil:
		f.forget(path)
		f.trouble(path, nil)
		return
	}
	if err != nil {
		f.forget(path)
		f.trouble(path, err)
		return
	}
	f.trouble(path, nil)
	s := f.sights[path]
	if s != nil && unchanged(s.info, info) {
		s.seen = now
		return
	}
	// It may have been written after now was read, and by this time it was.
	next := &sight{info: info, changed: f.Clock.Read(), before: before, seen: now, ready: created && info.Size() > 0 && renamed(info)}
	if s != nil {
		next.before = s.seen
	}
	f.sights[path], f.pending[path] = next, true
}

// forget lets go of a file that is gone, or that is looked for no longer.
func (f *Folders) forget(path string) {
	if f.sights[path] != nil && f.Gone != nil {
		f.Gone(path)
	}
	delete(f.sights, path)
	delete(f.pending, path)
}

// unchanged compares what is known of a file without reading it.
func unchanged(a, b fs.FileInfo) bool {
	return a.Size() == b.Size() && a.ModTime().Equal(b.ModTime()) && a.Mode() == b.Mode() && os.SameFile(a, b)
}

func kindOf(m fs.FileMode) string {
	switch {
	case m&fs.ModeSymlink != 0:
		return "a link"
	case m&fs.ModeNamedPipe != 0:
		return "a pipe"
	case m&fs.ModeSocket != 0:
		return "a socket"
	case m&fs.ModeDevice != 0:
		return "a device"
	}
	return "of a kind of its own"
}

// trouble tells of what is new, and of what is over.
func (f *Folders) trouble(path string, why error) {
	was, had := f.troubles[path]
	switch {
	case why == nil && had:
		delete(f.troubles, path)
	case why != nil && (!had && len(f.troubles) < mostTroubles || had && was != why.Error()):
		f.troubles[path] = why.Error()
	default:
		return
	}
	if f.Troubled != nil {
		f.Troubled(path, why)
	}
}

// bare drops the path that an *fs.PathError repeats.
func bare(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
