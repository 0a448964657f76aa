package audit

import (
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// mostEarlier is how many keys that signed before are remembered, for receipts that
// were given under them.
const mostEarlier = 24

// shown is a head that a collector shows, and the keys of its trail by then.
type shown struct {
	trail.Head
	signed []byte
	line   trail.Line
}

// at gives the memory with the head as the last one seen.
func (s shown) at(m Memory) Memory {
	m.Head, m.Key, m.Earlier = string(s.signed), s.line.Present(), s.line.Earlier()
	m.Earlier = m.Earlier[max(0, len(m.Earlier)-mostEarlier):]
	return m
}

var errOtherKey = errors.New("its trail is signed with another key")

// open gives the head of an answer. It must be signed by the key that is known, or
// by one that follows it: whoever knows a key walks on by what that key has signed
// itself.
func (t *Trail) open(x deliver.Extended) (shown, error) {
	m, line := t.known()
	s := shown{signed: x.Head, line: line}
	var all []trail.Succession
	var err error
	if x.VerifierKey != m.Key {
		if s.line, all, err = walk(line, x); err != nil {
			return s, t.auditor.raiseKeys(m, x, err)
		}
	}
	if s.Head, err = trail.OpenHead(x.Head, s.line); err != nil {
		return s, fault.New("check the trail's head", m.Collector, fmt.Errorf("%w: %w", deliver.ErrUnreachable, err))
	}
	if err := t.follows(m, s, all, x); err != nil {
		return s, t.auditor.raiseKeys(m, x, err)
	}
	return s, nil
}

// walk follows the successions of an answer from a known key to the one shown.
func walk(line trail.Line, x deliver.Extended) (trail.Line, []trail.Succession, error) {
	from := line.Present()
	var notes [][]byte
	for _, s := range x.Successions {
		notes = append(notes, s.Note)
	}
	line, all, err := line.Walk(notes...)
	if err == nil && line.Present() != x.VerifierKey {
		err = trail.ErrNotInLine
	}
	if len(notes) == 0 {
		err = errOtherKey
	} else if err != nil {
		err = fmt.Errorf("%w, and nothing that holds leads to it: %w", errOtherKey, err)
	} else if _, err = line.From(from); err != nil {
		err = fmt.Errorf("%w: %w", errOtherKey, err)
	}
	return line, all, err
}

// follows holds the last head that each key says it signed, and the last one seen,
// against what the collector shows.
func (t *Trail) follows(m Memory, now shown, all []trail.Succession, x deliver.Extended) error {
	for i, s := range all {
		if s.Last.Size > now.Size {
			continue // a copy has not come to it
		}
		if err := trail.CheckConsistency(s.Last, now.Head, x.Successions[i].Consistency); err != nil {
			return fmt.Errorf("%w: the last head of the old key does not belong to it", errOtherKey)
		}
	}
	if len(all) == 0 || m.Head == "" {
		return nil
	}
	if _, err := trail.OpenHead([]byte(m.Head), now.line); err != nil {
		return fmt.Errorf("%w: the old one says that it stopped before the head that it signed last", errOtherKey)
	}
	return nil
}

// raiseKeys raises the alarm over a key, with what the collector says of it.
func (a *Auditor) raiseKeys(m Memory, x deliver.Extended, why error) error {
	now, _ := trail.NewLine(x.VerifierKey) // without, nothing opens
	al := Alarm{Collector: m.Collector, Why: why.Error(), Seen: m.seen(), Now: headSeen(x.VerifierKey, now, string(x.Head), a.now().UTC())}
	for _, s := range x.Successions {
		al.Keys = append(al.Keys, string(s.Note))
	}
	return a.raiseAlarm(al)
}

// known gives what is remembered and the keys by it.
func (t *Trail) known() (Memory, trail.Line) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.last, t.line
}

// OnSuccession has f told when the key of a collector's trail was followed by another
// that it has signed itself, once that is remembered. Call it before a trail is met.
func (a *Auditor) OnSuccession(f func(collector, from, to string)) { a.succeeded = f }

// explained gives the keys before the one that an alarm is accepted for, as far as
// the collector's word leads there.
func (m Memory) explained(al Alarm) (earlier []trail.Earlier) {
	if len(al.Earlier) > 0 { // it led there before the alarm
		return al.Earlier
	}
	line, err := trail.NewLine(m.Key, m.Earlier...)
	var notes [][]byte
	for _, n := range al.Keys {
		notes = append(notes, []byte(n))
	}
	if err == nil {
		line, _, err = line.Walk(notes...)
	}
	if err != nil || line.Present() != al.Now.Key {
		return nil
	}
	earlier = line.Earlier()
	return slices.Clip(earlier[max(0, len(earlier)-mostEarlier):])
}

// isUnknownKey says whether a note is signed by nobody who is known.
func isUnknownKey(err error) bool {
	var nobody *note.UnverifiedNoteError
	return errors.As(err, &nobody)
}
