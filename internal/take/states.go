package take

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/rig"
	"witnessmark/internal/watch"
)

// maxStates bounds the store of states, in bytes; a state has about 30 KiB.
const maxStates = 4 << 20

// maxSeen bounds how often a state that goes on is told to have been seen, once
// the store is shortened: the latest times, about a week of them.
const maxSeen = 5000

// stateLine is a line of the store: all facts at a reading, or, without facts,
// that those of the line before were the same again.
type stateLine struct {
	At    watch.Reading `json:"at"`
	Facts []rig.Fact    `json:"facts,omitempty"`
}

// States are the snapshots of the machine over time. They survive the agent's
// end. Several goroutines may use one.
type States struct {
	mu      sync.Mutex
	path    string
	journal *durable.Journal
	last    watch.Reading
	sum     [32]byte // of the latest configuration
}

// OpenStates goes on with the states in the file at path, or begins it.
func OpenStates(path string) (*States, error) {
	j, lines, err := durable.OpenJournal(path)
	if err != nil {
		return nil, fault.New("open states", path, err).WithHint("the agent must be able to write its state folder")
	}
	s := &States{path: path, journal: j}
	if all := parseStates(lines); len(all) > 0 {
		last := all[len(all)-1]
		s.last, s.sum = last.last(), rig.NewSnapshot(time.Time{}, last.facts).ConfigurationSHA256()
	}
	return s, nil
}

// Note stores what the machine was at a reading.
func (s *States) Note(r watch.Reading, now rig.Snapshot) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	l, sum := stateLine{At: r, Facts: now.Facts}, now.ConfigurationSHA256()
	if s.last.Boot == r.Boot && s.sum == sum {
		l.Facts = nil
	}
	if err := s.write(l); err != nil {
		return fault.New("keep state", s.path, err).WithHint("make room on the disk that holds the state folder; it is tried again")
	}
	s.last, s.sum = r, sum
	return nil
}

// Last gives the latest reading at which the machine's state was noted; the zero
// Reading when there is none.
func (s *States) Last() watch.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last
}

func (s *States) write(l stateLine) error {
	text, err := json.Marshal(l)
	if err != nil {
		return err
	}
	if s.journal.Size() > maxStates {
		if err := s.shorten(); err != nil {
			return err
		}
	}
	return s.journal.Append(text)
}

// shorten lets the older half of the store go.
func (s *States) shorten() error {
	all, err := s.read()
	if err != nil {
		return err
	}
	var lines [][]byte
	size := 0
	for _, st := range slices.Backward(all) {
		if over := len(st.seen) - maxSeen; over > 0 {
			st.seen = slices.Delete(st.seen, 1, 1+over) // its facts were read at the first
		}
		var of [][]byte
		for i, r := range st.seen {
			l := stateLine{At: r}
			if i == 0 {
				l.Facts = st.facts
			}
			text, err := json.Marshal(l)
			if err != nil {
				return err
			}
			of = append(of, text)
			size += len(text)
		}
		if size > maxStates/2 && len(lines) > 0 {
			break
		}
		lines = append(of, lines...)
	}
	return s.journal.Rewrite(lines)
}

// state is what the machine was for as long as nothing but passing facts moved.
type state struct {
	seen  []watch.Reading // at least one
	facts []rig.Fact      // as read at the first
}

func (s state) first() watch.Reading { return s.seen[0] }
func (s state) last() watch.Reading  { return s.seen[len(s.seen)-1] }

// parseStates gives the states that the lines tell of; damaged ones are passed
// over.
func parseStates(lines [][]byte) (all []state) {
	whole := false // the line before was
	for _, text := range lines {
		var l stateLine
		if text == nil || json.Unmarshal(text, &l) != nil || l.At.Boot == "" || l.At.SinceBoot < 0 {
			whole = false
			continue
		}
		l.At.Wall = l.At.Wall.UTC()
		if n := len(all) - 1; len(l.Facts) > 0 {
			all, whole = append(all, state{[]watch.Reading{l.At}, l.Facts}), true
		} else if whole && all[n].last().Boot == l.At.Boot && all[n].last().SinceBoot <= l.At.SinceBoot {
			all[n].seen = append(all[n].seen, l.At)
		}
	}
	return all
}

func (s *States) read() ([]state, error) {
	b, err := os.ReadFile(s.path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	return parseStates(durable.Lines(b)), nil
}

// Around gives the states nearest before one instant and after another. Where
// none is stored the facts are unread, because.
func (s *States) Around(from, to watch.Instant) (before, after rig.Snapshot, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	all, err := s.read()
	if err != nil {
		err = fault.New("read states", s.path, err)
	}
	before, after = around(all, from, to)
	return before, after, err
}

// around is Around of the states all.
func around(all []state, from, to watch.Instant) (before, after rig.Snapshot) {
	var b, a rig.Snapshot
	for _, s := range all {
		for i, r := range s.seen {
			if r.Boot == from.Boot && r.SinceBoot <= from.At {
				b = s.snapshot(i)
			}
			if r.Boot == to.Boot && r.SinceBoot >= to.At && a.Facts == nil {
				a = s.snapshot(i)
			}
		}
	}
	why := func(which string) string {
		if from.Boot == "" || to.Boot == "" {
			return "when the log's run took place is not known by the boot clock, and states are kept by it"
		}
		return "no state from " + which + " the log's run, in that boot of the machine, was kept"
	}
	if b.Facts == nil {
		b = unread(a, all, why("before"))
	}
	if a.Facts == nil {
		a = unread(b, all, why("after"))
	}
	return b, a
}

// snapshot gives the facts as they were seen the i-th time. Those that pass from
// moment to moment were only kept of the first.
func (s state) snapshot(i int) rig.Snapshot {
	r := s.seen[i]
	if i == 0 {
		return rig.NewSnapshot(r.Wall, s.facts)
	}
	facts := slices.Clone(s.facts)
	for k, f := range facts {
		if e, _ := rig.Lookup(f.Key); e.Pace == rig.Passing && f.Read() {
			facts[k] = lost(f, fmt.Sprintf("it passes from moment to moment, and was last kept %v earlier", (r.SinceBoot-s.first().SinceBoot).Round(time.Second)))
		}
	}
	return rig.NewSnapshot(r.Wall, facts)
}

func lost(f rig.Fact, why string) rig.Fact {
	return rig.Fact{Key: f.Key, Source: f.Source, Unread: rig.Unread{Reason: rig.Absent, Detail: why}}
}

// unread gives the facts of the other side, or else of the latest state, without
// their values.
func unread(other rig.Snapshot, all []state, why string) rig.Snapshot {
	facts := other.Facts
	if facts == nil && len(all) > 0 {
		facts = all[len(all)-1].facts
	}
	var out []rig.Fact
	for _, f := range facts {
		out = append(out, lost(f, why))
	}
	return rig.NewSnapshot(time.Time{}, out)
}

// Close closes the file.
func (s *States) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.journal.Close()
}
