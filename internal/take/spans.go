package take

import (
	"cmp"
	"encoding/json"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/watch"
)

// maxSpans bounds how many spans are remembered, the latest ones.
const maxSpans = 1000

// named is a span that somebody said the bounds of.
type named struct {
	N     int // from 1, by when they began
	Name  string
	Began watch.Reading
	Ended watch.Reading // zero while it lasts
	Used  []string      // workloads of which a log has it
}

func (n named) ended() bool { return n.Ended.Boot != "" }

// spanLine is a line of the store: what happened to span N.
type spanLine struct {
	Op       string        `json:"op"` // begin, end or use
	N        int           `json:"n"`
	Name     string        `json:"name,omitempty"`
	At       watch.Reading `json:"at,omitzero"`
	Workload string        `json:"workload,omitempty"`
}

// Spans are the bounds of runs that scripts have named, for logs that have none
// of their own. They survive the agent's end. Several goroutines may use one.
type Spans struct {
	mu      sync.Mutex
	clock   watch.Clock
	journal *durable.Journal
	path    string
	damaged int // lines of the file
	closed  bool
	all     []named
	changed func() // after a span has begun or ended; may be nil
}

// OpenSpans goes on with the spans in the file at path, or begins it. Only one
// process may. Close it when done.
func OpenSpans(path string, clock watch.Clock) (*Spans, error) {
	err := durable.MakeDir(filepath.Dir(path))
	var j *durable.Journal
	var lines [][]byte
	if err == nil {
		j, lines, err = durable.OpenJournal(path)
	}
	if err != nil {
		return nil, fault.New("open spans", path, err).WithHint("the agent must be able to write its state folder")
	}
	s := &Spans{clock: clock, journal: j, path: path}
	s.all, s.damaged = parseSpans(lines)
	return s, nil
}

// parseSpans gives the spans that the lines tell of, and how many lines tell
// nothing.
func parseSpans(lines [][]byte) (all []named, damaged int) {
	for _, text := range lines {
		var l spanLine
		if text == nil || json.Unmarshal(text, &l) != nil || !apply(&all, l) {
			damaged++
		}
	}
	return all, damaged
}

// apply does to the spans what the line says; false when it cannot be.
func apply(all *[]named, l spanLine) bool {
	i := slices.IndexFunc(*all, func(n named) bool { return n.N == l.N })
	l.At.Wall = l.At.Wall.UTC()
	switch good := l.At.Boot != "" && l.At.SinceBoot >= 0 && !l.At.Wall.Before(time.Unix(0, 0)); {
	case l.Op == "begin" && i < 0 && good && record.ValidName(l.Name) && (len(*all) == 0 || l.N > (*all)[len(*all)-1].N) && l.N > 0:
		*all = append(*all, named{N: l.N, Name: l.Name, Began: l.At})
		if over := len(*all) - maxSpans; over > 0 {
			*all = slices.Delete(*all, 0, over)
		}
	case l.Op == "end" && i >= 0 && good && !(*all)[i].ended():
		(*all)[i].Ended = l.At
	case l.Op == "use" && i >= 0 && l.Workload != "":
		(*all)[i].Used = append((*all)[i].Used, l.Workload)
	default:
		return false
	}
	return true
}

// Begin says that a run begins now. A span of that name that was not ended is
// given up.
func (s *Spans) Begin(name string) error {
	if !record.ValidName(name) {
		return fault.New("begin span", name, errors.New("a name has 1 to 120 bytes and no control characters")).WithHint("name it after the workload or the log's file")
	}
	s.mu.Lock()
	n := 1
	if len(s.all) > 0 {
		n = s.all[len(s.all)-1].N + 1
	}
	err := s.note(spanLine{Op: "begin", N: n, Name: name, At: s.clock.Read()})
	s.mu.Unlock()
	return s.tell("begin span", name, err)
}

// End says that the run of that name has ended now, and gives how long it was.
func (s *Spans) End(name string) (time.Duration, error) {
	s.mu.Lock()
	began, n, ok := s.open(name)
	if !ok {
		s.mu.Unlock()
		return 0, fault.New("end span", name, errors.New("no span of that name has begun")).WithHint("begin it before the run starts")
	}
	now := s.clock.Read()
	err := s.note(spanLine{Op: "end", N: n, At: now})
	s.mu.Unlock()
	return lengthOf(*byName(named{Began: began, Ended: now})), s.tell("end span", name, err)
}

func (s *Spans) tell(what, name string, err error) error {
	if err != nil {
		return fault.New(what, name, err).WithHint("make room on the disk that holds the state folder, or start the agent, and say it again")
	}
	s.mu.Lock()
	changed := s.changed
	s.mu.Unlock()
	if changed != nil {
		changed()
	}
	return nil
}

// onChange has f called after a span has begun or ended, in place of what was
// called before; nil for nothing.
func (s *Spans) onChange(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.changed = f
}

// open finds the latest span of the name if it lasts.
func (s *Spans) open(name string) (began watch.Reading, n int, ok bool) {
	for _, x := range slices.Backward(s.all) {
		if x.Name == name {
			return x.Began, x.N, !x.ended()
		}
	}
	return watch.Reading{}, 0, false
}

// use notes that a log of the workload has span n.
func (s *Spans) use(n int, workload string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := slices.IndexFunc(s.all, func(x named) bool { return x.N == n }); i < 0 || slices.Contains(s.all[i].Used, workload) {
		return nil
	}
	return s.note(spanLine{Op: "use", N: n, Workload: workload})
}

// note writes a line and does what it says.
func (s *Spans) note(l spanLine) error {
	text, err := json.Marshal(l)
	if err != nil {
		return err
	}
	if s.closed {
		return errors.New("the agent is stopping") // and another may go on with the file
	}
	if s.journal.Size() > 4*maxSpans*256 {
		if err := s.journal.Rewrite(linesOf(s.all)); err != nil {
			return err
		}
	}
	if err := s.journal.Append(text); err != nil {
		return err
	}
	if !apply(&s.all, l) {
		return errors.New("the span is not known any more")
	}
	return nil
}

// linesOf gives lines that tell of the spans.
func linesOf(all []named) (lines [][]byte) {
	add := func(l spanLine) {
		text, err := json.Marshal(l)
		if err == nil {
			lines = append(lines, text)
		}
	}
	for _, n := range all {
		add(spanLine{Op: "begin", N: n.N, Name: n.Name, At: n.Began})
		if n.ended() {
			add(spanLine{Op: "end", N: n.N, At: n.Ended})
		}
		for _, w := range n.Used {
			add(spanLine{Op: "use", N: n.N, Workload: w})
		}
	}
	return lines
}

// Open gives the names of the spans that have begun and not ended.
func (s *Spans) Open() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var names []string
	for _, n := range s.all {
		if _, last, ok := s.open(n.Name); ok && last == n.N {
			names = append(names, n.Name)
		}
	}
	return names
}

// around finds the span of the log that was last written at a moment and that no
// other log of its workload has: one that ended, or, with lasts, one that has not.
func (s *Spans) around(w record.Bound, path, workload string, now watch.Reading) (found named, ok, lasts bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []named
	for _, n := range s.all {
		switch _, last, open := s.open(n.Name); {
		case n.ended():
			if !slices.Contains(n.Used, workload) && within(w, n.Began, n.Ended) {
				all = append(all, n)
			}
		case open && last == n.N && within(w, n.Began, now):
			lasts = true
		}
	}
	if len(all) == 0 {
		return named{}, false, lasts
	}
	slices.SortStableFunc(all, func(a, b named) int {
		return cmp.Or(cmp.Compare(likeness(b.Name, path, workload), likeness(a.Name, path, workload)), cmp.Compare(b.N, a.N))
	})
	return all[0], true, lasts
}

// within says whether a moment lies between two readings, with some leeway.
func within(w record.Bound, from, to watch.Reading) bool {
	if w.Boot == from.Boot && w.Boot == to.Boot {
		return w.SinceBoot >= from.SinceBoot-leeway && w.SinceBoot <= to.SinceBoot+grain
	}
	return !w.Wall.Before(from.Wall.Add(-leeway)) && !w.Wall.After(to.Wall.Add(grain))
}

// likeness says how well a span's name fits a log: by its file, then by its workload.
func likeness(name, path, workload string) int {
	base := filepath.Base(path)
	switch name {
	case base, strings.TrimSuffix(base, filepath.Ext(base)):
		return 2
	case workload:
		return 1
	}
	return 0
}

// Close lets the file go. No span begins or ends from then on.
func (s *Spans) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	return s.journal.Close()
}
