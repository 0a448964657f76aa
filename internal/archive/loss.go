package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/trust"
)

// loses says whether the admission stands in the place of a key, by its SHA-256.
func (k KeyChange) loses(sum []byte) bool {
	return slices.ContainsFunc(k.Lost, func(l []byte) bool { return bytes.Equal(l, sum) })
}

// signed holds the word on which an admission stands in the place of lost keys, if a
// keeper has signed one, against the changes before it: its key was his then, and no
// other had come after that.
func (k KeyChange) signed(origin string, before lineage) error {
	if k.Word == nil {
		return nil
	}
	if _, err := before.newest(trust.Member{Role: trust.Keeper, Name: k.By}, k.Word.Key); err != nil {
		return fmt.Errorf("the word that keys are lost: %w", err)
	}
	if err := k.Admission().CheckWord(origin, k.By, k.Name); err != nil {
		return trust.Deny(trust.BadSignature, "%v", err)
	}
	return nil
}

// replaces is what the admission of the key that spends the token says of its loss.
func (t JoinToken) replaces() KeyChange {
	return KeyChange{Name: t.Name, Role: t.Role, By: t.By, Why: t.Lost, Lost: t.Keys, Word: t.Word}
}

// mayBeLost refuses a token of a loss where there is nothing that could be lost, or
// where the keeper has not signed that, for that token, of all that could be.
func (a *Archive) mayBeLost(changes []KeyChange, hash [sha256.Size]byte, t JoinToken) error {
	good, l := goodKeys(changes, t.Member), lineageOf(changes)
	lost := l.latestOf(good)
	if err := mayLose(t.Member, lost); err != nil || t.Word == nil {
		return err
	}
	switch {
	case t.Word.Token != hash:
		return trust.Deny(TokenOther, "the keeper has signed for another token")
	case slices.ContainsFunc(good, func(k KeyChange) bool { return k.Key.Equal(t.Word.Key) }):
		return trust.Deny(KeyNotLost, "a key that signs is not lost")
	case !slices.EqualFunc(lost, t.Keys, bytes.Equal):
		return trust.Deny(KeyNotLost, "the keeper has signed that %d keys are lost, and they are not the %d of %s", len(t.Keys), len(lost), t.Member)
	}
	return t.replaces().signed(a.origin, l)
}

// lose revokes the keys of a member that a token says are lost, and gives their hashes:
// those that the keeper has signed for, or else all that no other came after.
func (a *Archive) lose(tx *bolt.Tx, key ed25519.PublicKey, t JoinToken) (lost [][]byte, err error) {
	if t.Lost == "" {
		return nil, nil
	}
	changes, err := keyChanges(tx)
	if err != nil {
		return nil, err
	}
	l := lineageOf(changes)
	if err := t.replaces().signed(a.origin, l); err != nil {
		return nil, err
	}
	good := goodKeys(changes, t.Member)
	if lost = t.Keys; t.Word == nil {
		lost = l.latestOf(good)
	}
	if err := mayLose(t.Member, lost); err != nil {
		return nil, err
	}
	named := slices.DeleteFunc(slices.Clone(good), func(k KeyChange) bool { return !t.replaces().loses(sumOf(k.Key)) })
	for _, k := range good {
		switch {
		case k.Key.Equal(key):
			return nil, trust.Deny(KeyNotLost, "this is a key that is said to be lost")
		case t.Word != nil && !ofLine(changes, named, k.Key):
			return nil, trust.Deny(KeyNotLost, "%s has a key since %s of which the keeper has not signed that it is lost", t.Member, k.At.Format(time.RFC3339))
		}
		if _, err := a.changeKey(tx, KeyChange{Name: t.Name, Key: k.Key, Revoked: true, By: t.By, Why: "lost: " + t.Lost}); err != nil {
			return nil, err
		}
	}
	err = dropTokens(tx, func(o JoinToken) bool { return handedOut(changes, t.Name, o) })
	return lost, errors.Join(err, dropCosigner(tx, t.Name))
}

// mayLose refuses to lose nothing, and more keys at once than an entry has room for.
func mayLose(m trust.Member, lost [][]byte) error {
	switch n := len(lost); {
	case n == 0:
		return trust.Deny(KeyNotLost, "%s has no key that could be lost", m)
	case n > trust.MostLost:
		return trust.Deny(KeyNotLost, "%s has %d keys beside each other, and %d can be lost at once: revoke that name, and make a token without a loss", m, n, trust.MostLost)
	}
	return nil
}

// ofLine says whether a key is one of those named, came before one, or came after one:
// who has a lost key may have it go over into others while the token waits.
func ofLine(changes, named []KeyChange, key ed25519.PublicKey) bool {
	return slices.ContainsFunc(named, func(c KeyChange) bool {
		return c.Key.Equal(key) || descends(changes, key, c.Key) || descends(changes, c.Key, key)
	})
}

func sumOf(key ed25519.PublicKey) []byte {
	sum := sha256.Sum256(key)
	return sum[:]
}

// handedOut says whether a token waits that a keeper has made: by what he has handed
// out, or who has his key, he would come in again.
func handedOut(changes []KeyChange, name string, t JoinToken) bool {
	return t.Used.IsZero() && t.By == name && slices.ContainsFunc(changes, func(c KeyChange) bool { return c.Name == name && c.Role == trust.Keeper })
}

// goodKeys gives the admissions of a member's keys that no revocation followed.
func goodKeys(changes []KeyChange, m trust.Member) []KeyChange {
	return slices.DeleteFunc(InForceKeys(changes), func(k KeyChange) bool { return k.Member() != m })
}
