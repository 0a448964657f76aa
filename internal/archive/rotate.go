package archive

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// Reasons why a key does not go over into another.
const (
	// KeySucceeded is why a key that another came after gets nothing new.
	KeySucceeded = "key_succeeded"
	// KeyTooOften is why a member waits with one more key.
	KeyTooOften = "key_too_often"
)

// rotations is how many keys of a member may come after others in a day, since all
// of them are kept and stand in each dossier of a rig: a design choice.
const rotations = 32

// newest gives the admission of a member's key, and refuses one that is not good
// or that another came after.
func newest(changes []KeyChange, m trust.Member, key ed25519.PublicKey) (found KeyChange, err error) {
	err = trust.Deny(KeyRevoked, "the key is not, or not any more, one of %s", m)
	for _, k := range InForceKeys(changes) {
		if k.Key.Equal(key) && k.Member() == m {
			found, err = k, nil
		}
	}
	if err != nil {
		return KeyChange{}, err
	}
	if k, ok := successor(changes, key); ok {
		return KeyChange{}, trust.Deny(KeySucceeded, "another key of %s came after this one on %s", m, k.At.Format(time.RFC3339))
	}
	return found, nil
}

// successor gives the admission of the key that came after a key.
func successor(changes []KeyChange, key ed25519.PublicKey) (KeyChange, bool) {
	i := slices.IndexFunc(changes, func(k KeyChange) bool { return !k.Revoked && k.Before.Equal(key) })
	if i < 0 {
		return KeyChange{}, false
	}
	return changes[i], true
}

// follows holds a change against those before it. A revocation is of a key that was good.
// An admitted key is new, and its name of one role; the key that it came after was one
// that could sign for another then, and those in whose place it is were the member's,
// are revoked, and have no other in their place, and who signed that they are lost was
// a keeper. A signature by itself proves no more than that somebody has a key.
func follows(origin string, before []KeyChange, k KeyChange) error {
	if k.Revoked {
		if !slices.ContainsFunc(InForceKeys(before), func(c KeyChange) bool { return c.Name == k.Name && c.Key.Equal(k.Key) }) {
			return fmt.Errorf("the key that is revoked was not a good one of %q before", k.Name)
		}
		return nil
	}
	if i := slices.IndexFunc(before, func(c KeyChange) bool { return c.Key.Equal(k.Key) }); i >= 0 {
		return fmt.Errorf("the key was admitted or revoked before, for %q", before[i].Name)
	}
	if err := sameRole(before, k.Member()); err != nil {
		return err
	}
	if k.Before != nil {
		if _, err := newest(before, k.Member(), k.Before); err != nil {
			return fmt.Errorf("the key before could not sign for another: %w", err)
		}
	}
	if k.Lost == nil {
		return nil
	}
	good := InForceKeys(before)
	for _, lost := range k.Lost {
		is := func(c KeyChange) bool {
			sum := sha256.Sum256(c.Key)
			return !c.Revoked && c.Member() == k.Member() && string(sum[:]) == string(lost)
		}
		if !slices.ContainsFunc(before, is) || slices.ContainsFunc(good, is) {
			return fmt.Errorf("key %x is not one of %s that was lost and revoked before", lost[:8], k.Member())
		}
		if slices.ContainsFunc(before, func(c KeyChange) bool { return c.loses(lost) }) {
			return fmt.Errorf("key %x was lost before, and another stands in its place", lost[:8])
		}
	}
	return k.signed(origin, before)
}

// often says whether a member has had its keys of a day.
func often(changes []KeyChange, m trust.Member, since time.Time) bool {
	n := 0
	for _, k := range changes {
		if k.Before != nil && k.Member() == m && k.At.After(since) {
			n++
		}
	}
	return n >= rotations
}

// Rotate admits a key for a member after the one that it has, by that one's own
// signature, with what is certified of it. The key before stays good for what it
// has signed and gets no certificate any more. The same once more changes nothing
// and gives the admission. An error that refuses has a Reason.
func (a *Archive) Rotate(m trust.Member, before, key ed25519.PublicKey, signature []byte, c trust.Chain) (k KeyChange, err error) {
	err = a.update(func(tx *bolt.Tx) error {
		changes, err := keyChanges(tx)
		if err != nil {
			return err
		}
		for _, had := range InForceKeys(changes) {
			if had.Key.Equal(key) && had.Before.Equal(before) && had.Member() == m {
				k = had
				return nil
			}
		}
		if _, err := newest(changes, m, before); err != nil {
			return err
		}
		if often(changes, m, a.now().Add(-24*time.Hour)) {
			return trust.Deny(KeyTooOften, "%s has had %d new keys within a day; the next waits for tomorrow", m, rotations)
		}
		k = KeyChange{Name: m.Name, Role: m.Role, Authority: authorityOf(c), Key: key, Before: before, Signature: signature, By: m.Name}
		if err := k.Admission().Check(m.Name, sha256.Sum256(key)); err != nil {
			return trust.Deny(trust.BadSignature, "%v", err)
		}
		for _, had := range changes {
			if had.Key.Equal(key) {
				return trust.Deny(KeyOther, "the new key was admitted or revoked before, for %s", had.Name)
			}
		}
		if k, err = a.changeKey(tx, k); err != nil {
			return err
		}
		return a.putCertificate(tx, m, key, c, m.Name)
	})
	if err != nil {
		return KeyChange{}, fault.New("rotate key", m.String(), err)
	}
	return k, nil
}

// Succeeds says whether one key of a rig came after the other, or the other way
// round, by signatures of the earlier ones: both are then the same machine's.
func (a *Archive) Succeeds(rig string, one, other ed25519.PublicKey) (yes bool, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		changes, err := keysOf(tx, trust.Member{Role: trust.Rig, Name: rig})
		yes = descends(changes, one, other) || descends(changes, other, one)
		return err
	})
	return yes, err
}

// descends follows the keys before a key. Each was admitted before the next.
func descends(changes []KeyChange, key, from ed25519.PublicKey) bool {
	for i := len(changes) - 1; i >= 0; i-- {
		if k := changes[i]; !k.Revoked && k.Key.Equal(key) {
			if key = k.Before; key.Equal(from) {
				return true
			}
		}
	}
	return false
}
