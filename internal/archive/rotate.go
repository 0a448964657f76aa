package archive

import (
	"crypto/ed25519"
	"crypto/sha256"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// KeySucceeded is why a key that another came after gets nothing new.
const KeySucceeded = "key_succeeded"

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
	for _, k := range changes {
		if !k.Revoked && k.Before.Equal(key) {
			return KeyChange{}, trust.Deny(KeySucceeded, "another key of %s came after this one on %s", m, k.At.Format(time.RFC3339))
		}
	}
	return found, nil
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
	err = a.db.View(func(tx *bolt.Tx) error {
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
