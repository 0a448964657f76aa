package archive

import (
	"crypto/ed25519"
	"crypto/sha256"
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
		if _, err := lineageOf(changes).newest(m, before); err != nil {
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
		all, err := keyChanges(tx)
		changes := keysOf(all, trust.Member{Role: trust.Rig, Name: rig})
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
