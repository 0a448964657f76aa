package take

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"witnessmark/internal/capture"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/setup"
	"witnessmark/internal/timing"
	"witnessmark/internal/watch"
)

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
	known := t.ledger.has(sum)
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
	t.noteClocks()
	end := w.end(t.o.Timeline)
	workload := workloadFor(rule, f.Path)
	span, ok, lasts := t.o.Spans.around(end, f.Path, workload.Name, t.o.Clock.Read())
	switch {
	case !ok && lasts && t.recent(end):
		return true, nil // until it ends
	case known && !ok:
		return false, t.same(f, sum)
	}
	x := &taking{Sum: sum, Path: f.Path}
	if err := t.place(x, workload, data, w, span); err != nil {
		return false, refused(f.Path, err)
	}
	if known && x.Number == 0 {
		return false, t.same(f, sum) // its own time stamps say when it ran
	}
	if run, size, ok := t.ledger.grown(f.Path, data); ok {
		x.Earlier = fmt.Sprintf("it begins with the %d bytes that were taken as run %s", size, run)
	}
	if err := t.begin(x, f); err != nil {
		return true, err
	}
	return t.finish(rule, x, data)
}

// noteClocks has the time line know the present.
func (t *Taker) noteClocks() {
	e, err := t.o.Timeline.Note(t.o.Clock.Read())
	if e != nil && t.o.Happened != nil {
		t.o.Happened(*e)
	}
	if err != nil {
		t.o.Log.Warn(err.Error(), "hint", fault.HintOf(err))
	}
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

// refused says why a log cannot be read, to who wrote the agent file.
func refused(path string, err error) error {
	return fault.New("take timing log", path, err).WithHint(timing.InFolder(fault.HintOf(err)))
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
		err = t.o.Spans.use(x.Number, rule.Workload.Name)
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
