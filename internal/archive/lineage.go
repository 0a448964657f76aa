package archive

import (
	"crypto/ed25519"
	"fmt"
	"time"

	"witnessmark/internal/trust"
)

// lineage is what changes of keys say of each name and each key, gathered in their
// order, so that one more is held against any number of them at the same cost.
type lineage struct {
	names map[string]KeyChange // the first admission of each
	keys  map[string]standing  // by their SHA-256
}

// standing is what became of a key; nothing did of one that no change is about.
type standing struct {
	admitted *KeyChange // the first time
	revoked  *KeyChange
	after    *KeyChange // the first admission by its signature
	replaced bool       // another was admitted in its place
}

func newLineage() lineage { return lineage{map[string]KeyChange{}, map[string]standing{}} }

func lineageOf(changes []KeyChange) lineage {
	l := newLineage()
	for _, k := range changes {
		l.add(k)
	}
	return l
}

func (l lineage) add(k KeyChange) {
	l.tell(sumOf(k.Key), func(s *standing) {
		switch {
		case k.Revoked && s.revoked == nil:
			s.revoked = &k
		case !k.Revoked && s.admitted == nil:
			s.admitted = &k
		}
	})
	if k.Revoked {
		return
	}
	if _, had := l.names[k.Name]; !had {
		l.names[k.Name] = k
	}
	if k.Before != nil {
		l.tell(sumOf(k.Before), func(s *standing) {
			if s.after == nil {
				s.after = &k
			}
		})
	}
	for _, lost := range k.Lost {
		l.tell(lost, func(s *standing) { s.replaced = true })
	}
}

func (l lineage) tell(sum []byte, what func(*standing)) {
	s := l.keys[string(sum)]
	what(&s)
	l.keys[string(sum)] = s
}

// of says what became of a key.
func (l lineage) of(key ed25519.PublicKey) standing { return l.keys[string(sumOf(key))] }

// good says whether a key is of that name.
func (s standing) good(name string) bool {
	return s.admitted != nil && s.revoked == nil && s.admitted.Name == name
}

// sameRole refuses a name that is of another role.
func (l lineage) sameRole(m trust.Member) error {
	if c, ok := l.names[m.Name]; ok && c.Role != m.Role {
		return trust.Deny(NameTaken, "%q is the name of the %s since %s, and of nobody else", m.Name, c.Role, c.At.Format(time.DateOnly))
	}
	return nil
}

// newest gives the admission of a member's key, and refuses one that is not good
// or that another came after.
func (l lineage) newest(m trust.Member, key ed25519.PublicKey) (KeyChange, error) {
	s := l.of(key)
	switch {
	case !s.good(m.Name) || s.admitted.Role != m.Role:
		return KeyChange{}, trust.Deny(KeyRevoked, "the key is not, or not any more, one of %s", m)
	case s.after != nil:
		return KeyChange{}, trust.Deny(KeySucceeded, "another key of %s came after this one on %s", m, s.after.At.Format(time.RFC3339))
	}
	return *s.admitted, nil
}

// latestOf gives the hashes of those admissions that no other came after.
func (l lineage) latestOf(some []KeyChange) (sums [][]byte) {
	for _, k := range some {
		if l.of(k.Key).after == nil {
			sums = append(sums, sumOf(k.Key))
		}
	}
	return sums
}

// follows holds a change against those before it. A revocation is of a key that was good.
// An admitted key is new, and its name of one role; the key that it came after was one
// that could sign for another then, and those in whose place it is were the member's,
// are revoked, and have no other in their place, and who signed that they are lost was
// a keeper. A signature by itself proves no more than that somebody has a key.
func (l lineage) follows(origin string, k KeyChange) error {
	s := l.of(k.Key)
	switch {
	case k.Revoked && !s.good(k.Name):
		return fmt.Errorf("the key that is revoked was not a good one of %q before", k.Name)
	case k.Revoked:
		return nil
	case s.admitted != nil:
		return fmt.Errorf("the key was admitted before, for %q", s.admitted.Name)
	}
	if err := l.sameRole(k.Member()); err != nil {
		return err
	}
	if k.Before != nil {
		if _, err := l.newest(k.Member(), k.Before); err != nil {
			return fmt.Errorf("the key before could not sign for another: %w", err)
		}
	}
	if k.Lost == nil {
		return nil
	}
	for _, lost := range k.Lost {
		switch s := l.keys[string(lost)]; {
		case s.admitted == nil || s.revoked == nil || s.admitted.Member() != k.Member():
			return fmt.Errorf("key %.8x is not one of %s that was lost and revoked before", lost, k.Member())
		case s.replaced:
			return fmt.Errorf("key %.8x was lost before, and another stands in its place", lost)
		}
	}
	return k.signed(origin, l)
}
