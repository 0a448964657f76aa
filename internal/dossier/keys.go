package dossier

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

// Succeeded says that a key of the trail was followed by another.
type Succeeded struct {
	Note        string       `json:"note"` // signed, as its entry in the trail binds it
	Consistency []trail.Hash `json:"consistency"`
	// Certificates are those of the keeper on whose word it is, and of his authority,
	// as PEM; "" where it is on nobody's or none were kept.
	Certificates string `json:"certificates,omitempty"`
}

// lineOf gives the keys of a trail whose present one is known, by the successions
// in a file.
func lineOf(present string, keys []Succeeded) (trail.Line, error) {
	if len(keys) == 0 {
		return trail.NewLine(present)
	}
	first, err := trail.OpenSuccession([]byte(keys[0].Note))
	if err != nil {
		return trail.Line{}, err
	}
	line, err := trail.NewLine(first.Old)
	for _, k := range keys {
		if err == nil {
			line, _, err = line.Walk([]byte(k.Note))
		}
	}
	if err == nil && line.Present() != present {
		err = fmt.Errorf("%w: they lead to %s", trail.ErrNotInLine, line.Present())
	}
	return line, err
}

// keysIn reads the successions before the seal is known to be on them.
func keysIn(members []member) (keys []Succeeded, err error) {
	b, err := find(members, keysName)
	if err != nil {
		return nil, nil // there are none
	}
	if err := json.Unmarshal(b, &keys); err != nil {
		return nil, at(keysName, err)
	}
	return keys, nil
}

// knownKey holds the key of the file, and those that it followed, against the keys
// that the reader has from elsewhere.
func (v *verification) knownKey() error {
	present := v.line.Present()
	if slices.Contains(v.known.Collectors, present) {
		v.holds(keyName, "%s is a key that was given", present)
		return nil
	}
	for _, k := range v.known.Collectors {
		ok, err := v.line.From(k)
		if err != nil {
			return at(keysName, fmt.Errorf("%s was given: %w; give %s, if you believe that", k, err, present))
		}
		if ok {
			v.holds(keysName, "%s was given, and leads by its own signature to %s", k, present)
			return nil
		}
	}
	return at(keyName, fmt.Errorf("the collector's key %s is %w", present, ErrNotGiven))
}

// successions checks that the trail has the last head of each earlier key.
func (v *verification) successions() error {
	for _, k := range v.Proof.Keys {
		s, err := trail.OpenSuccession([]byte(k.Note))
		if err == nil {
			err = trail.CheckConsistency(s.Last, v.head, k.Consistency)
		}
		if err != nil {
			return at(keysName, err)
		}
	}
	return nil
}

// followed tells of the keys once their entries are checked.
func (v *verification) followed() error {
	for i, x := range v.after.succeeded {
		if x.of.Word == "" {
			v.holds(keysName, "entry %d, %s UTC: the trail's key %s signed that %s follows it: %s", x.index, screen.At(x.At), x.of.Old, x.of.New, x.Text)
			continue
		}
		v.doubt(keysName, "entry %d, %s UTC: the trail's key %s was lost, and %s followed it on the word of %s; the old key did not sign that: %s", x.index, screen.At(x.At), x.of.Old, x.of.New, x.of.OnWord(), x.Text)
		if err := v.onWord(x, v.Proof.Keys[i].Certificates); err != nil {
			return at(keysName, fmt.Errorf("entry %d: %w", x.index, err))
		}
	}
	return nil
}

// onWord holds the keeper's word on which a key of the trail followed, if it is on one.
func (v *verification) onWord(x succession, certificates string) error {
	name, key, ok := x.of.Keeper()
	switch {
	case !ok && certificates != "":
		return errors.New("certificates are with it, and it is on no keeper's word")
	case !ok:
		return nil
	case v.edition < keepersSince && certificates == "" && v.after.keepers.of(name).before(key, x.index) == nil:
		v.doubt(keysName, "entry %d: that the key of keeper %s was admitted is not in the file", x.index, name)
		return nil
	case x.Actor != name:
		return fmt.Errorf("it is on the word of keeper %s, and its entry in the trail says %s", name, x.Actor)
	}
	return v.vouching(keysName, word{x.told, name, key, certificates})
}

// keepersSince is the edition from which a file shows who a keeper was.
const keepersSince = 2

// succession is one with its entry.
type succession struct {
	told
	of trail.Succession
}

// succeededBy takes the entry of a succession that is in the file.
func (s *story) succeededBy(e trail.Entry, index int64, keys []Succeeded) bool {
	n := len(s.succeeded)
	if e.Kind != trail.KindSuccession || n >= len(keys) || e.Digest != sha256.Sum256([]byte(keys[n].Note)) {
		return false
	}
	x, err := trail.OpenSuccession([]byte(keys[n].Note))
	if err != nil || x.Last.Size != index || x.Last.Origin != e.Subject {
		return false
	}
	s.succeeded = append(s.succeeded, succession{told{e, index}, x})
	return true
}

// trailKeys tells on the cover which keys the trail had, and since when.
func (s story) trailKeys(line func(string, ...any)) {
	for _, x := range s.succeeded {
		how := "which signed that itself"
		if word := x.of.OnWord(); word != "" {
			how = "which was lost, on the word of " + word
		}
		line("  since entry %d, %s UTC, they are signed with the key after %s, %s: %s", x.index, screen.At(x.At), screen.Clean(x.of.Old), screen.Clean(how), screen.Clean(x.Text))
		if name, key, ok := x.of.Keeper(); ok {
			if own := s.keepers.of(name).before(key, x.index); own != nil {
				line("    the keeper's key was admitted %s with entry %d, %s UTC", screen.Clean(own.word()), own.index, screen.At(own.At))
			}
		}
	}
}
