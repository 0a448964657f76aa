package take

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
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
	"witnessmark/internal/timing"
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
	Dir      string // for its own state: ledger and spans
	Folders  []Folder
	Rescan   time.Duration // of the folders, for what events missed; 0 stands for 30 s
	Clock    watch.Clock
	Timeline *watch.Timeline
	Signals  Signals
	States   *States
	Look     func(context.Context) rig.Snapshot // reads the machine, for the state after a log; nil for none
	Rig      *capture.Rig                       // whose runs these are; Tree and Window are not looked at
	Log      *slog.Logger                       // nil for silence

	// Offset says how far the wall clock, when it showed wall at an instant, was
	// ahead of the collector's; nil when that is not known. It may be nil itself.
	Offset func(wall time.Time, at watch.Instant) *rig.ClockOffset

	// Taken is told of each run that was made, once it is in the spool. It is
	// called by Run, may be nil, and must not block.
	Taken func(*record.Run)
}

// Taker makes runs of logs. Spans and Status may be used from anywhere.
type Taker struct {
	o       Options
	lock    *os.File
	ledger  *ledger
	spans   *Spans
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
	Taken    int    // runs made since the agent started
	Latest   string // the id of the latest; "" for none
	Troubles []Trouble
	Open     []string // names of spans that have begun and not ended
}

// New opens the ledger and the spans in o.Dir. Only one process may.
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
	t.spans.changed = t.folders.Wake
	t.Watch(o.Folders)
	return t, nil
}

func (t *Taker) open() (err error) {
	var lines, more int
	if t.ledger, lines, err = openLedger(filepath.Join(t.o.Dir, "taken.jsonl")); err != nil {
		return err
	}
	if t.spans, more, err = openSpans(filepath.Join(t.o.Dir, "spans.jsonl"), t.o.Clock); err != nil {
		return err
	}
	for path, n := range map[string]int{t.ledger.path: lines, t.spans.path: more} {
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
	for _, x := range t.ledger.open() {
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
	if t.spans != nil {
		errs = append(errs, t.spans.close())
	}
	if t.ledger != nil {
		errs = append(errs, t.ledger.journal.Close())
	}
	return errors.Join(append(errs, t.lock.Close())...)
}

// Spans gives the spans that scripts name.
func (t *Taker) Spans() *Spans { return t.spans }

// Status gives how things stand, troubles by path.
func (t *Taker) Status() Status {
	t.mu.Lock()
	s := Status{Taken: t.taken, Latest: t.latest}
	for _, x := range t.troubles {
		s.Troubles = append(s.Troubles, x)
	}
	t.mu.Unlock()
	slices.SortFunc(s.Troubles, func(a, b Trouble) int { return cmp.Compare(a.Path, b.Path) })
	s.Open = t.spans.Open()
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

// found takes a complete file; false asks for it again later.
func (t *Taker) found(f watch.Found) bool {
	rule := t.rule(f.Path)
	if rule == nil || t.ledger.knows(f.Path, f.Info.Size(), f.Info.ModTime()) {
		t.trouble(f.Path, nil)
		return true
	}
	data, err := read(f)
	if errors.Is(err, watch.ErrChanged) {
		return true // and is told of again once it is complete
	}
	again := false
	if err == nil {
		again, err = t.take(rule, f, data)
	}
	t.trouble(f.Path, err)
	return !again
}

// read reads the file that was found, and no other.
func read(found watch.Found) ([]byte, error) {
	bad := func(why error, hint string) error {
		return fault.New("take timing log", found.Path, why).WithHint(hint)
	}
	if n := found.Info.Size(); n > capture.MaxFile {
		return nil, bad(fmt.Errorf("it has %d bytes and %d are taken", n, int64(capture.MaxFile)), "log fewer columns, or end the run sooner")
	}
	f, err := found.Open()
	if errors.Is(err, watch.ErrChanged) {
		return nil, err
	}
	if err != nil {
		return nil, bad(err, "the agent needs the right to read the file; it is tried again when the file changes")
	}
	defer f.Close()
	data := make([]byte, found.Info.Size())
	_, err = io.ReadFull(f, data)
	if info, e := f.Stat(); e != nil || info.Size() != found.Info.Size() || !info.ModTime().Equal(found.Info.ModTime()) || err == io.ErrUnexpectedEOF {
		return nil, watch.ErrChanged
	}
	if err != nil {
		return nil, bad(err, "it is tried again when the file changes")
	}
	return data, nil
}

// take makes a run of the log, unless that was done already. Again says that it
// can only be done later.
func (t *Taker) take(rule *Logs, f watch.Found, data []byte) (again bool, err error) {
	sum := sha256.Sum256(data)
	if x := t.ledger.unfinished(sum); x != nil {
		return t.finish(rule, x, data)
	}
	known := t.ledger.bySum[sum] != nil
	if !known {
		if t.o.Rig.Spool.Awaits(f.Path) {
			return true, nil // a run that the agent carries through
		}
		if id, ok := t.o.Rig.Spool.RunOf(sum); ok {
			line := lineOf("theirs", f, sum)
			line.ID = id
			err := t.ledger.note(line)
			return err != nil, err
		}
	}
	w := written{f.Info.ModTime(), f.Changed, f.Before}
	if _, err := t.o.Timeline.Note(t.o.Clock.Read()); err != nil {
		t.o.Log.Warn(err.Error())
	}
	end := w.end(t.o.Timeline)
	workload := workloadFor(rule, f.Path)
	span, ok, lasts := t.spans.around(end, f.Path, workload.Name, t.o.Clock.Read())
	switch {
	case !ok && lasts && t.recent(end):
		return true, nil // until it ends
	case known && !ok:
		return false, t.same(f, sum)
	}
	x := &taking{Sum: sum, Path: f.Path, Size: f.Info.Size()}
	if err := t.place(x, workload, data, w, span); err != nil {
		return false, fault.New("take timing log", f.Path, err)
	}
	if known && x.Number == 0 {
		return false, t.same(f, sum) // its own time stamps say when it ran
	}
	if g := t.ledger.grown(f.Path, data); g != nil {
		x.Earlier = fmt.Sprintf("it begins with the %d bytes that were taken as run %s", g.Size, g.ID)
	}
	if err := t.begin(x, f); err != nil {
		return true, err
	}
	return t.finish(rule, x, data)
}

// recent says whether a log was written so lately that the end of its span may
// still be told.
func (t *Taker) recent(end record.Bound) bool {
	now := t.o.Clock.Read()
	if end.Boot == now.Boot {
		return now.SinceBoot-end.SinceBoot < spanWait
	}
	return end.Boot == "" && now.Wall.Sub(end.Wall) < spanWait
}

// same notes that the file holds a log that was taken, so that it need not be
// read again.
func (t *Taker) same(f watch.Found, sum [sha256.Size]byte) error {
	return t.ledger.note(lineOf("same", f, sum))
}

func lineOf(op string, f watch.Found, sum [sha256.Size]byte) ledgerLine {
	return ledgerLine{Op: op, SHA256: fmt.Sprintf("%x", sum), Path: f.Path, Size: f.Info.Size(), Modified: f.Info.ModTime()}
}

// workloadFor gives the workload with its log at the path.
func workloadFor(rule *Logs, path string) *setup.Workload {
	w := *rule.Workload
	l := setup.Log{}
	if w.Log != nil {
		l = *w.Log
	}
	l.Path = filepath.Base(path)
	w.Log = &l
	return &w
}

// place works out when the log's run took place.
func (t *Taker) place(x *taking, w *setup.Workload, data []byte, when written, span named) error {
	var took time.Duration
	byTheirs := (*record.Span)(nil)
	if span.N > 0 {
		byTheirs = byName(span)
		took = lengthOf(*byTheirs)
	}
	log, err := timing.ParseRun(data, capture.SpecOf(w), int64(took))
	if err != nil {
		return err
	}
	s, why, ok := byStamps(log, when, t.o.Timeline)
	switch {
	case ok:
		x.Span = s
	case span.N > 0:
		x.Span, x.Number = *byTheirs, span.N
	default:
		x.Span = byLength(log, when, t.o.Timeline)
	}
	if why != "" {
		x.Remarks = append(x.Remarks, why)
	}
	return nil
}

// begin says in the ledger which run the log will be.
func (t *Taker) begin(x *taking, f watch.Found) error {
	var random [5]byte
	if _, err := io.ReadFull(t.o.Rig.Random, random[:]); err != nil {
		return fault.New("take timing log", f.Path, err)
	}
	x.ID = record.NewID(x.Span.From.Wall, random)
	line := lineOf("take", f, x.Sum)
	line.ID, line.Span, line.Number, line.Remarks, line.Earlier = x.ID, &x.Span, x.Number, x.Remarks, x.Earlier
	return t.ledger.note(line)
}

// finish makes the record of a log that the ledger says is being taken, and puts
// it into the spool. Whatever fails is tried again.
func (t *Taker) finish(rule *Logs, x *taking, data []byte) (again bool, err error) {
	run, parts, err := t.record(rule, x, data)
	if err == nil {
		_, err = t.o.Rig.Keep(run, parts)
	}
	if err == nil && x.Number > 0 {
		err = t.spans.use(x.Number, rule.Workload.Name)
	}
	if err == nil {
		err = t.ledger.note(ledgerLine{Op: "done", ID: x.ID})
	}
	if err != nil {
		return true, err
	}
	t.trouble(x.Path, nil) // it may have come back by another name
	t.mu.Lock()
	t.taken++
	t.latest = run.ID
	t.mu.Unlock()
	t.o.Log.Info("log taken", "path", x.Path, "run", run.ID, "workload", run.Workload.Name, "elapsed", run.Elapsed)
	if t.o.Taken != nil {
		t.o.Taken(run)
	}
	return false, nil
}

// record puts together what is known of the log's run.
func (t *Taker) record(rule *Logs, x *taking, data []byte) (*record.Run, [][]byte, error) {
	from := watch.Instant{Boot: x.Span.From.Boot, At: x.Span.From.SinceBoot}
	to := watch.Instant{Boot: x.Span.To.Boot, At: x.Span.To.SinceBoot}
	run := &record.Run{
		ID: x.ID, Rig: t.o.Rig.Name, Started: x.Span.From.Wall, Elapsed: lengthOf(x.Span), Span: &x.Span,
		Exit: record.Exit{Outcome: record.Taken}, Played: t.o.Rig.Played, AgentVersion: t.o.Rig.Version,
	}
	run.Clock = t.clock(x.Span, from, to)
	remarks := slices.Clone(x.Remarks)
	cut, err := t.signals(from, to)
	if err != nil {
		remarks = append(remarks, "the signals could not be read: "+err.Error())
	}
	run.Signals, run.AgentCost = cut.Signals, record.Cost{CPU: cut.Cost.CPU, PeakRSS: cut.Cost.PeakRSS}
	t.look(to)
	if run.Before, run.After, err = t.o.States.Around(from, to); err != nil {
		remarks = append(remarks, "the states of the machine could not be read: "+err.Error())
	}
	job := capture.Job{Workload: workloadFor(rule, x.Path), Setup: rule.Setup, Repeat: 1, Repeats: 1, Remarks: remarks}
	parts, _, err := capture.Assemble(run, job, data)
	if err != nil {
		return nil, nil, fault.New("take timing log", x.Path, err)
	}
	if x.Earlier != "" {
		run.Logs[0].Marks = append(run.Logs[0].Marks, record.LogMark{Code: "earlier_rows", Detail: x.Earlier})
	}
	return run, parts, nil
}

// clock says how the clocks stood at a span; nil of one that is not on the boot
// clock.
func (t *Taker) clock(s record.Span, from, to watch.Instant) *record.Clock {
	if from.Boot == "" {
		return nil
	}
	c := &record.Clock{BootClock: rig.BootClock{Boot: from.Boot, SinceBoot: from.At}}
	if t.o.Offset != nil {
		c.Offset = t.o.Offset(s.From.Wall, from)
	}
	if c.Offset == nil {
		c.Unread = rig.Unread{Reason: rig.Absent, Detail: "no beat told this agent the collector's time in that boot of the machine"}
	}
	c.Events = capture.ClockEvents(t.o.Timeline.Events(from, to), from.At)
	return c
}

// signals cuts the span's out of the ring. Whose the load was is not known: the
// workload was not the agent's to follow.
func (t *Taker) signals(from, to watch.Instant) (watch.Cut, error) {
	cut, err := t.cut(from, to)
	for i, s := range cut.Signals {
		if s.Key == "load.other" || s.Key == "load.workload" {
			cut.Signals[i] = rig.Signal{Key: s.Key, Unit: s.Unit, Exponent: s.Exponent, Source: s.Source,
				Unread: rig.Unread{Reason: rig.Unknown, Detail: "the agent did not start the workload, and cannot tell its load from that of others"}}
		}
	}
	return cut, err
}

// cut gives, of a span that is not on the boot clock, all signals unread.
func (t *Taker) cut(from, to watch.Instant) (watch.Cut, error) {
	if from.Boot != "" && to.Boot != "" {
		return t.o.Signals.Cut(from, to)
	}
	cut, err := t.o.Signals.Cut(watch.Instant{Boot: "?"}, watch.Instant{Boot: "??"})
	for i, s := range cut.Signals {
		if s.Unread.Detail != "" {
			cut.Signals[i].Unread = rig.Unread{Reason: rig.Absent, Detail: "when the log's run took place is not known by the boot clock, and signals are kept by it"}
		}
	}
	return cut, err
}

// look reads the machine now where no state from after the instant is stored.
func (t *Taker) look(to watch.Instant) {
	if t.o.Look == nil || to.Boot == "" {
		return
	}
	r := t.o.Clock.Read()
	if last := t.o.States.Last(); r.Boot != to.Boot || last.Boot == to.Boot && last.SinceBoot >= to.At {
		return // too late, or there is one
	}
	t.mu.Lock()
	ctx := t.ctx
	t.mu.Unlock()
	now := t.o.Look(ctx)
	if err := t.o.States.Note(r, now); err != nil {
		t.o.Log.Warn(err.Error(), "hint", fault.HintOf(err))
	}
}
