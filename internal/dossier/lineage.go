package dossier

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"

	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// keyStory is what the trail tells of a member's keys, in order.
type keyStory struct {
	of           trust.Member
	admitted     []admission
	certificates []told               // of the chains in the file
	at           map[trail.Digest]int // where in admitted a key is
	// The first entries that tell of another key after a key, by its signature or in its
	// place.
	followed, replaced map[trail.Digest]int64
}

func storyOf(m trust.Member) *keyStory {
	return &keyStory{of: m, at: map[trail.Digest]int{}, followed: map[trail.Digest]int64{}, replaced: map[trail.Digest]int64{}}
}

// admission is a key that was admitted for a member.
type admission struct {
	told
	trust.Admission
	revoked *told
}

// takes gives an entry its part in the story; false when it has none.
func (s *keyStory) takes(e trail.Entry, index int64) bool {
	if e.Subject != s.of.Name {
		return false
	}
	switch e.Kind {
	case trail.KindKey:
		a, err := trust.ParseAdmission(e.Text)
		if err != nil || a.Role != s.of.Role || s.find(e.Digest) != nil {
			return false
		}
		s.at[e.Digest] = len(s.admitted)
		s.admitted = append(s.admitted, admission{told: told{e, index}, Admission: a})
		if a.Before != nil {
			first(s.followed, sha256.Sum256(a.Before), index)
		}
		for _, lost := range a.Lost {
			first(s.replaced, trail.Digest(lost), index)
		}
		return true
	case trail.KindRevocation:
		a := s.find(e.Digest)
		if a == nil || a.revoked != nil {
			return false
		}
		a.revoked = &told{e, index}
		return true
	case trail.KindCertificate:
		s.certificates = append(s.certificates, told{e, index})
		return true
	}
	return false
}

// first keeps the first entry that tells something of a key.
func first(entries map[trail.Digest]int64, key trail.Digest, index int64) {
	if _, had := entries[key]; !had {
		entries[key] = index
	}
}

// toldBefore says whether an entry tells something of a key before another.
func toldBefore(entries map[trail.Digest]int64, key trail.Digest, index int64) bool {
	at, ok := entries[key]
	return ok && at < index
}

// find gives the admission of the key with that hash; nil when there is none.
func (s *keyStory) find(key trail.Digest) *admission {
	if i, ok := s.at[key]; ok {
		return &s.admitted[i]
	}
	return nil
}

// before gives the admission of a key, when it was before an entry of the trail.
func (s *keyStory) before(key ed25519.PublicKey, index int64) *admission {
	return s.findBefore(sha256.Sum256(key), index)
}

func (s *keyStory) findBefore(key trail.Digest, index int64) *admission {
	if a := s.find(key); a != nil && a.index < index {
		return a
	}
	return nil
}

// followedBefore says whether another key had come after one before an entry.
func (s *keyStory) followedBefore(key ed25519.PublicKey, index int64) bool {
	return toldBefore(s.followed, sha256.Sum256(key), index)
}

// revokedBefore says whether the key was revoked before an entry of the trail.
func (a *admission) revokedBefore(index int64) bool {
	return a != nil && a.revoked != nil && a.revoked.index < index
}

// check holds each admission against its own signature and those before it.
func (s *keyStory) check() error {
	for _, a := range s.admitted {
		err := a.Check(s.of.Name, a.Digest)
		if err == nil {
			err = s.leadsTo(a)
		}
		if err != nil {
			return entryFault(a.index, err)
		}
	}
	return nil
}

// leadsTo holds an admission against those before it: the key that it came after was
// the member's then and no other had come after that, and the keys that it says are
// lost were the member's, were revoked, and have no other in their place.
func (s *keyStory) leadsTo(a admission) error {
	if a.Before != nil {
		had := s.before(a.Before, a.index)
		switch {
		case had == nil:
			return fmt.Errorf("the key that signed for it, %s, was not admitted for %s before", record.Fingerprint(a.Before), s.of)
		case had.revokedBefore(a.index):
			return fmt.Errorf("the key that signed for it, %s, was revoked before", record.Fingerprint(a.Before))
		case s.followedBefore(a.Before, a.index):
			return fmt.Errorf("the key that signed for it, %s, had signed for another before", record.Fingerprint(a.Before))
		}
	}
	for _, lost := range a.Lost {
		key := trail.Digest(lost)
		if !s.findBefore(key, a.index).revokedBefore(a.index) {
			return fmt.Errorf("the lost key in whose place it is, %x, was not one of %s and revoked before", lost[:8], s.of)
		}
		if toldBefore(s.replaced, key, a.index) {
			return fmt.Errorf("another key stands in the place of the lost one, %x, already", lost[:8])
		}
	}
	return nil
}

// word is on whose word a key was admitted.
func (a admission) word() string {
	if a.Before != nil {
		return "by the signature of key " + record.Fingerprint(a.Before)
	}
	if a.Lost == nil {
		return "by " + a.Actor
	}
	keys := fmt.Sprintf("%d lost keys", len(a.Lost))
	if len(a.Lost) == 1 {
		keys = fmt.Sprintf("the lost key %x", a.Lost[0][:8])
	}
	if a.Word != nil {
		return fmt.Sprintf("in place of %s, signed by keeper %s's key %s: %s", keys, a.Actor, record.Fingerprint(a.Word.Key), a.Why)
	}
	return fmt.Sprintf("in place of %s, on the word of %s by the collector's entry alone, which no key signed: %s", keys, a.Actor, a.Why)
}
