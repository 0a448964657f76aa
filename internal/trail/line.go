package trail

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"golang.org/x/mod/sumdb/note"
)

// MostSuccessions is how many keys may follow each other in one trail.
const MostSuccessions = 256

// Earlier is a key that signs no heads any more.
type Earlier struct {
	Key  string `json:"key"`            // its verifier key
	Last int64  `json:"last"`           // the size of the last head it may have signed
	Word string `json:"word,omitempty"` // on whose word another follows it; "" where it signed that itself
}

// KeySince is a key of a trail, with since when it signs.
type KeySince struct {
	Key   string    `json:"key"`            // its verifier key
	Entry int64     `json:"entry"`          // the first under its heads
	At    time.Time `json:"at,omitzero"`    // when that was kept; zero of the first key
	Word  string    `json:"word,omitempty"` // on whose word, where the key before was lost
}

// Line is the keys that have signed one trail, one after the other. It is a
// [note.Verifiers] that opens a head by an earlier key only up to the size at which
// that key stopped: who has found an old key cannot go on with the trail.
type Line struct {
	earlier []Earlier
	present string
	keys    map[uint32]lineKey
	origin  string
}

type lineKey struct {
	note.Verifier
	last int64
}

// NewLine is the line of a trail whose keys are known; without earlier ones it has
// the present one alone.
func NewLine(present string, earlier ...Earlier) (Line, error) {
	l := Line{earlier: earlier, present: present, keys: map[uint32]lineKey{}}
	for i, e := range append(slices.Clone(earlier), Earlier{Key: present, Last: MaxSize}) {
		v, err := note.NewVerifier(e.Key)
		if err != nil {
			return Line{}, fmt.Errorf("key %q: %w", e.Key, err)
		}
		if l.origin == "" {
			l.origin = v.Name()
		}
		_, twice := l.keys[v.KeyHash()]
		if v.Name() != l.origin || twice || i > 0 && i < len(earlier) && e.Last <= earlier[i-1].Last {
			return Line{}, fmt.Errorf("%w: the keys of %s do not follow each other", ErrMalformed, l.origin)
		}
		l.keys[v.KeyHash()] = lineKey{v, e.Last}
	}
	return l, nil
}

// ErrNotInLine is returned for a succession of another key than the present one.
var ErrNotInLine = errors.New("it does not follow the key of the trail")

// Follow gives the line with the key that a succession names.
func (l Line) Follow(s Succession) (Line, error) {
	switch {
	case s.Old != l.present:
		return l, fmt.Errorf("%w: it follows %s", ErrNotInLine, s.Old)
	case len(l.earlier) >= MostSuccessions:
		return l, fmt.Errorf("%w: %d keys are taken", ErrNotInLine, MostSuccessions)
	}
	return NewLine(s.New, append(slices.Clone(l.earlier), Earlier{Key: s.Old, Last: s.Last.Size, Word: s.OnWord()})...)
}

// Walk follows successions, signed notes, from a known key to where they lead.
func (l Line) Walk(notes ...[]byte) (Line, []Succession, error) {
	var all []Succession
	for _, msg := range notes {
		s, err := OpenSuccession(msg)
		if err == nil {
			l, err = l.Follow(s)
		}
		if err != nil {
			return l, all, err
		}
		all = append(all, s)
	}
	return l, all, nil
}

// Present is the verifier key that signs heads now; "" for no line.
func (l Line) Present() string { return l.present }

// Earlier gives the keys before, in their order.
func (l Line) Earlier() []Earlier { return slices.Clone(l.earlier) }

// Origin names the trail.
func (l Line) Origin() string { return l.origin }

// At is the line as it was when the trail had a size.
func (l Line) At(size int64) (Line, error) {
	for i, e := range l.earlier {
		if e.Last >= size {
			return NewLine(e.Key, l.earlier[:i]...)
		}
	}
	return l, nil
}

// From says whether a key leads to the present one. Where a key on the way was lost
// the error wraps [ErrOnWord] and says on whose word another followed.
func (l Line) From(key string) (ok bool, err error) {
	i := slices.IndexFunc(l.earlier, func(e Earlier) bool { return e.Key == key })
	if i < 0 {
		return key == l.present, nil
	}
	for _, e := range l.earlier[i:] {
		if e.Word != "" {
			return false, fmt.Errorf("%w, after %d entries: that is on the word of %s", ErrOnWord, e.Last, e.Word)
		}
	}
	return true, nil
}

// Verifier implements [note.Verifiers].
func (l Line) Verifier(name string, hash uint32) (note.Verifier, error) {
	if k, ok := l.keys[hash]; ok && name == l.origin {
		return k.Verifier, nil
	}
	return nil, &note.UnknownVerifierError{Name: name, KeyHash: hash}
}

// signs says whether a key of the line may have signed a head of the size.
func (l Line) signs(hash uint32, size int64) bool { return size <= l.keys[hash].last }

// bounded is a [note.Verifiers] that knows how far its keys go.
type bounded interface {
	signs(hash uint32, size int64) bool
}
