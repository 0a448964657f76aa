package dossier

import (
	"cmp"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"

	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// Loss is what belongs to an admission in the place of lost keys that a keeper has
// signed for; what he signed is in the admission's entry.
type Loss struct {
	Entry        int64  `json:"entry"`
	Certificates string `json:"certificates,omitempty"` // of his key and of his authority, as PEM; "" for none
}

// keepers are those who have signed that keys are lost, of the trail, the rig or one of
// them.
type keepers struct {
	all    []*keyStory
	byName map[string]*keyStory
}

// of gives what the trail tells of a keeper's keys.
func (k *keepers) of(name string) *keyStory {
	s := k.byName[name]
	if s == nil {
		s = storyOf(trust.Member{Role: trust.Keeper, Name: name})
		k.byName[name], k.all = s, append(k.all, s)
	}
	return s
}

// keepers gives those whom successions and admissions name. What cannot be read of them
// is for [lineOf] and [Contents.tell] to refuse.
func (c Contents) keepers(rig string) keepers {
	k := keepers{byName: map[string]*keyStory{}}
	for _, x := range c.Proof.Keys {
		if s, err := trail.OpenSuccession([]byte(x.Note)); err == nil {
			if name, _, ok := s.Keeper(); ok {
				k.of(name)
			}
		}
	}
	signers := map[trust.Member][]string{}
	for _, p := range c.Proof.Entries {
		e, err := trail.ParseEntry(p.Leaf)
		if err != nil || e.Kind != trail.KindKey {
			continue
		}
		if a, err := trust.ParseAdmission(e.Text); err == nil && a.Word != nil {
			m := trust.Member{Role: a.Role, Name: e.Subject}
			signers[m] = append(signers[m], e.Actor)
		}
	}
	for _, name := range signers[trust.Member{Role: trust.Rig, Name: rig}] {
		k.of(name)
	}
	for i := 0; i < len(k.all); i++ { // it grows
		for _, name := range signers[k.all[i].of] {
			k.of(name)
		}
	}
	return k
}

// takes gives an entry its part in a keeper's story; false when it has none.
func (k keepers) takes(e trail.Entry, index int64) bool {
	s := k.byName[e.Subject]
	return s != nil && s.takes(e, index)
}

// unused refuses entries of certificates that are not in the file.
func (k keepers) unused(p Proof) error {
	in := map[trail.Digest]bool{}
	for _, x := range p.Keys {
		in[sha256.Sum256([]byte(x.Certificates))] = true
	}
	for _, x := range p.Losses {
		in[sha256.Sum256([]byte(x.Certificates))] = true
	}
	for _, s := range k.all {
		for _, c := range s.certificates {
			if !in[c.Digest] {
				return entryFault(c.index, errors.New("the certificates that it is about are not in the file"))
			}
		}
	}
	return nil
}

// word is what a keeper has signed, and the entry that it is in.
type word struct {
	told
	name         string
	key          ed25519.PublicKey
	certificates string // of the key, as PEM; "" for none
}

// keepersKeys tells of all the keys of those who gave a word, and checks what those before
// have signed, so that no key of theirs hides behind one that it has signed for.
func (v *verification) keepersKeys() error {
	for _, s := range v.after.keepers.all {
		if err := s.check(); err != nil {
			return err
		}
		for _, a := range s.admitted {
			v.admitted("a key", s.of, a)
		}
	}
	return nil
}

// vouching says, where it is told, who the keeper was who gave a word, and that he was one then.
func (v *verification) vouching(where string, w word) error {
	keys := v.after.keepers.of(w.name)
	own := keys.before(w.key, w.index)
	switch {
	case own == nil:
		return fmt.Errorf("the trail in the file does not tell that the key of %s was admitted before", keys.of)
	case own.revokedBefore(w.index):
		return fmt.Errorf("the key of %s was revoked before, with entry %d", keys.of, own.revoked.index)
	case keys.followedBefore(w.key, w.index):
		return fmt.Errorf("another key of %s had come after the one that signed it", keys.of)
	}
	v.holds(where, "%s gave that word, whose key %s was admitted %s with entry %d of the trail, %s UTC", keys.of, record.Fingerprint(w.key), own.word(), own.index, screen.At(own.At))
	if r := own.revoked; r != nil {
		v.doubt(where, "entry %d, %s UTC: that key was revoked since by %s: %s", r.index, screen.At(r.At), r.Actor, r.Text)
	}
	if w.certificates == "" {
		v.doubt(where, "no certificate of the key of %s is in the file", keys.of)
		return nil
	}
	c, bound, err := keys.certified([]byte(w.certificates), w.key, own)
	if err == nil && bound.index >= w.index {
		err = errors.New("the certificate came after it")
	}
	if err != nil {
		return err
	}
	v.bound(where, "that key", keys.of, c, bound, own)
	if !validAt(c, w.At) {
		v.doubt(where, "it was not valid when that entry was made, %s UTC", screen.At(w.At))
	}
	return nil
}

// losses holds what keepers have signed of keys that are lost, and says who they were.
func (v *verification) losses() error {
	type loss struct {
		of trust.Member
		admission
	}
	var signed []loss
	for _, s := range append([]*keyStory{v.after.keys}, v.after.keepers.all...) {
		for _, a := range s.admitted {
			if a.Word != nil {
				signed = append(signed, loss{s.of, a})
			}
		}
	}
	slices.SortFunc(signed, func(a, b loss) int { return cmp.Compare(a.index, b.index) })
	if !slices.EqualFunc(signed, v.Proof.Losses, func(a loss, x Loss) bool { return a.index == x.Entry }) {
		return at(lossesName, errors.New("it is not of the entries that keepers have signed for"))
	}
	for i, a := range signed {
		err := a.CheckWord(v.line.Origin(), a.Actor, a.of.Name)
		if err == nil {
			v.holds(lossesName, "entry %d, %s UTC: the key of keeper %s has signed that %s has lost the keys in whose place it is: %s", a.index, screen.At(a.At), a.Actor, a.of, a.Why)
			err = v.vouching(lossesName, word{a.told, a.Actor, a.Word.Key, v.Proof.Losses[i].Certificates})
		}
		if err != nil {
			return at(lossesName, fmt.Errorf("entry %d: %w", a.index, err))
		}
	}
	return v.after.keepers.unused(v.Proof)
}
