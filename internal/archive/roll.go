package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// KeyChange is a key that was admitted for a member, or revoked. A name has one
// role for ever; it may have several keys, one after the other or at once.
type KeyChange struct {
	Name string
	Role trust.Role `json:",omitempty"` // of an admission
	// Authority is whose certificates the key gets; zero where that was not said.
	Authority trust.Fingerprint `json:",omitzero"`
	Key       ed25519.PublicKey
	// Before is the key that this one came after, by its own Signature; nil for one
	// that a keeper's word admitted.
	Before    ed25519.PublicKey `json:",omitempty"`
	Signature []byte            `json:",omitempty"`
	// Lost are the keys, by their SHA-256, in whose place this one is on a keeper's word,
	// and Word what he has signed of that; nil where By is all that is known of it.
	Lost    [][]byte    `json:",omitempty"`
	Word    *trust.Word `json:",omitempty"`
	Revoked bool        `json:",omitempty"`
	At      time.Time   // as in its entry of the trail
	By      string
	Why     string `json:",omitempty"` // of a revocation or loss
	Index   int64  // of its entry in the trail
}

// Member says whose key an admission is of.
func (k KeyChange) Member() trust.Member { return trust.Member{Role: k.Role, Name: k.Name} }

// JoinToken is a join token as it is kept: nobody can use it who reads it here.
type JoinToken struct {
	trust.Member
	By      string
	Made    time.Time
	Expires time.Time
	Used    time.Time // zero until then
	Lost    string    `json:",omitempty"` // why the keys so far are lost; "" where none is
	// Keys are those, by their SHA-256, and Word what the keeper By has signed of it; nil
	// where nobody has, and which they are shows when the token is spent.
	Keys [][]byte    `json:",omitempty"`
	Word *trust.Word `json:",omitempty"`
}

// Reasons why a token is of no use, for counts.
const (
	TokenUnknown = "token_unknown"
	TokenExpired = "token_expired"
	TokenUsed    = "token_used"
	TokenOther   = "token_of_another"
	KeyOther     = "key_of_another"
	KeyRevoked   = "key_revoked"
	NameTaken    = "name_taken"
	KeyNotLost   = "key_not_lost"
)

// forgotten is how long after its end a token is known, to tell of it.
const forgotten = 30 * 24 * time.Hour

// AddToken keeps a token under the hash of its secret, and forgets those that
// ended long ago. A name that another role has is refused.
func (a *Archive) AddToken(hash [sha256.Size]byte, t JoinToken) error {
	err := a.update(func(tx *bolt.Tx) error {
		changes, err := keyChanges(tx)
		if err == nil {
			err = lineageOf(changes).sameRole(t.Member)
		}
		if err == nil && t.Lost != "" {
			err = a.mayBeLost(changes, hash, t)
		}
		if err == nil && tx.Bucket(bTokens).Get(hash[:]) != nil {
			err = trust.Deny(TokenUsed, "a token with that secret was made before")
		}
		if err != nil {
			return err
		}
		err = dropTokens(tx, func(o JoinToken) bool { return o.Expires.Before(a.now().Add(-forgotten)) })
		if err != nil {
			return err
		}
		return putToken(tx, hash[:], t)
	})
	if err != nil {
		return fault.New("make token", t.Member.String(), err)
	}
	return nil
}

func putToken(tx *bolt.Tx, hash []byte, t JoinToken) error {
	b, err := json.Marshal(t)
	if err != nil {
		return err
	}
	sum := beatSum(string(hash), b)
	return tx.Bucket(bTokens).Put(hash, append(sum[:], b...))
}

var errToken = errors.New("what is kept of it was altered")

func tokenOf(hash, v []byte) (t JoinToken, err error) {
	if len(v) < sha256.Size {
		return t, errToken
	}
	if sum := beatSum(string(hash), v[sha256.Size:]); !bytes.Equal(sum[:], v[:sha256.Size]) {
		return t, errToken
	}
	if err := json.Unmarshal(v[sha256.Size:], &t); err != nil {
		return t, err
	}
	if t.Word != nil && !bytes.Equal(t.Word.Token[:], hash) {
		return t, errors.New("it is not the token that the keeper has signed for")
	}
	return t, nil
}

func dropTokens(tx *bolt.Tx, which func(JoinToken) bool) error {
	b := tx.Bucket(bTokens)
	var gone [][]byte
	err := b.ForEach(func(k, v []byte) error {
		t, err := tokenOf(k, v)
		if err == nil && which(t) {
			gone = append(gone, bytes.Clone(k))
		}
		return err
	})
	for _, k := range gone {
		err = errors.Join(err, b.Delete(k))
	}
	return err
}

// Join spends the token with that hash and admits the key for the member that it
// is for, who must be the one that asks, with an entry in the trail. A key that
// is admitted already gets no second one. What is certified of it is kept in the
// same transaction, where it is not none; and in that the keys are revoked that the
// token says are lost. An error that refuses has a Reason.
func (a *Archive) Join(hash [sha256.Size]byte, asks trust.Member, key ed25519.PublicKey, c trust.Chain) (k KeyChange, err error) {
	err = a.update(func(tx *bolt.Tx) error {
		t, err := a.spend(tx, hash, asks)
		if err == nil {
			k = KeyChange{Name: asks.Name, Role: asks.Role, Authority: authorityOf(c), Key: key, By: t.By, Why: t.Lost, Word: t.Word}
			k.Lost, err = a.lose(tx, key, t)
		}
		if err == nil {
			k, err = a.admit(tx, k)
		}
		if err == nil && !c.None() {
			err = a.putCertificate(tx, asks, key, c, t.By)
		}
		return err
	})
	if err != nil {
		return KeyChange{}, fault.New("join", asks.String(), err)
	}
	return k, nil
}

func (a *Archive) spend(tx *bolt.Tx, hash [sha256.Size]byte, asks trust.Member) (JoinToken, error) {
	v := tx.Bucket(bTokens).Get(hash[:])
	if v == nil {
		return JoinToken{}, trust.Deny(TokenUnknown, "no such token was made here, or it was withdrawn")
	}
	t, err := tokenOf(hash[:], v)
	now := a.now().UTC()
	switch {
	case err != nil:
		return t, err
	case t.Member != asks:
		return t, trust.Deny(TokenOther, "the token is for %s, and %s asks", t.Member, asks)
	case !t.Used.IsZero():
		return t, trust.Deny(TokenUsed, "the token was used already, on %s", t.Used.Format(time.RFC3339))
	case now.After(t.Expires):
		return t, trust.Deny(TokenExpired, "the token ended on %s", t.Expires.Format(time.RFC3339))
	}
	t.Used = now
	return t, putToken(tx, hash[:], t)
}

func (a *Archive) admit(tx *bolt.Tx, k KeyChange) (KeyChange, error) {
	changes, err := keyChanges(tx)
	if err != nil {
		return KeyChange{}, err
	}
	l := lineageOf(changes)
	if err := l.sameRole(k.Member()); err != nil {
		return KeyChange{}, err
	}
	switch s := l.of(k.Key); {
	case s.admitted != nil && s.admitted.Name != k.Name:
		return *s.admitted, trust.Deny(KeyOther, "this key is of %s %s", s.admitted.Role, s.admitted.Name)
	case s.revoked != nil:
		return *s.revoked, trust.Deny(KeyRevoked, "this key was revoked on %s: %s", s.revoked.At.Format(time.DateOnly), s.revoked.Why)
	case s.admitted != nil:
		return l.newest(k.Member(), k.Key)
	}
	return a.changeKey(tx, k)
}

// changeKey enters a change in the trail and keeps it.
func (a *Archive) changeKey(tx *bolt.Tx, k KeyChange) (KeyChange, error) {
	receipt, err := a.enter(tx, k.kind(), sha256.Sum256(k.Key), len(k.Key), k.Name, k.By, k.text())
	if err != nil {
		return k, err
	}
	e, err := trail.ParseEntry(receipt.Leaf)
	if err != nil {
		return k, err
	}
	k.At, k.Index = e.At, receipt.Index
	return k, putJSON(tx.Bucket(bKeys), number(k.Index), k)
}

func (k KeyChange) kind() trail.Kind {
	if k.Revoked {
		return trail.KindRevocation
	}
	return trail.KindKey
}

// text is what the entry of a change says: how it was admitted, or why it was
// revoked.
func (k KeyChange) text() string {
	if k.Revoked {
		return k.Why
	}
	return k.Admission().Text()
}

// Admission is how a key was admitted.
func (k KeyChange) Admission() trust.Admission {
	return trust.Admission{Role: k.Role, Authority: k.Authority, Before: k.Before, Signature: k.Signature, Lost: k.Lost, Why: k.Why, Word: k.Word}
}

// admitted takes what an admission's entry says of it.
func (k *KeyChange) admitted(text string) error {
	a, err := trust.ParseAdmission(text)
	if err == nil {
		err = a.Check(k.Name, sha256.Sum256(k.Key))
	}
	k.Role, k.Authority, k.Before, k.Signature, k.Lost, k.Why, k.Word = a.Role, a.Authority, a.Before, a.Signature, a.Lost, a.Why, a.Word
	return err
}

// Revoke revokes all keys of a name, and its tokens that wait to be used. A name
// that has none of either gives ErrNotFound.
func (a *Archive) Revoke(name, by, why string) (revoked []KeyChange, err error) {
	err = a.update(func(tx *bolt.Tx) error {
		changes, err := keyChanges(tx)
		if err != nil {
			return err
		}
		revoked = nil
		for _, c := range InForceKeys(changes) {
			if c.Name != name {
				continue
			}
			k, err := a.changeKey(tx, KeyChange{Name: name, Key: c.Key, Revoked: true, By: by, Why: why})
			if err != nil {
				return err
			}
			revoked = append(revoked, k)
		}
		if err := dropCosigner(tx, name); err != nil {
			return err
		}
		found := len(revoked) > 0
		err = dropTokens(tx, func(t JoinToken) bool {
			waits := t.Used.IsZero() && t.Name == name || handedOut(changes, name, t)
			found = found || waits
			return waits
		})
		if err == nil && !found {
			err = fmt.Errorf("%w: nobody of that name is a member", ErrNotFound)
		}
		return err
	})
	if err != nil {
		f := fault.New("revoke", name, err)
		if errors.Is(err, ErrNotFound) {
			f = f.WithHint("list who is a member: collector members")
		}
		return nil, f
	}
	return revoked, nil
}

// InForceKeys gives the admissions that no revocation followed.
func InForceKeys(changes []KeyChange) (in []KeyChange) {
	gone := map[string]bool{}
	for _, c := range changes {
		gone[string(c.Key)] = gone[string(c.Key)] || c.Revoked
	}
	for _, c := range changes {
		if !c.Revoked && !gone[string(c.Key)] {
			in = append(in, c)
		}
	}
	return in
}

// Roll gives all changes of keys, oldest first, and the tokens.
func (a *Archive) Roll() (changes []KeyChange, tokens []JoinToken, err error) {
	err = a.view(func(tx *bolt.Tx) (err error) {
		if changes, err = keyChanges(tx); err != nil || tx.Bucket(bTokens) == nil {
			return err
		}
		return tx.Bucket(bTokens).ForEach(func(k, v []byte) error {
			t, err := tokenOf(k, v)
			tokens = append(tokens, t)
			return err
		})
	})
	if err != nil {
		return nil, nil, fault.New("read roll", "", err)
	}
	return changes, tokens, nil
}

func keyChanges(tx *bolt.Tx) (out []KeyChange, err error) {
	b := tx.Bucket(bKeys)
	if b == nil {
		return nil, nil
	}
	err = b.ForEach(func(k, v []byte) error {
		var c KeyChange
		if err := json.Unmarshal(v, &c); err != nil {
			return fmt.Errorf("key at entry %d: %w", numberOf(k), err)
		}
		out = append(out, c)
		return nil
	})
	return out, err
}

// keysOf gives those changes that are of a member's keys.
func keysOf(all []KeyChange, m trust.Member) (out []KeyChange) {
	for _, k := range all {
		if !k.Revoked && k.Name == m.Name && k.Role != m.Role {
			return nil // the name is somebody else's
		}
		if k.Name == m.Name {
			out = append(out, k)
		}
	}
	return out
}

// keys holds what is kept of keys against the entries, and each token against its
// hash.
func (c *check) keys() {
	n := 0
	before := newLineage()
	c.each(bKeys, func(k, v []byte) {
		n++
		where := fmt.Sprintf("key at entry %d", numberOf(k))
		var r KeyChange
		err := json.Unmarshal(v, &r)
		if b, err2 := json.Marshal(r); err != nil || err2 != nil || !bytes.Equal(b, v) || !bytes.Equal(k, number(r.Index)) {
			c.wrong(where, "it cannot be read, or says otherwise than its key")
			return
		}
		e, err := trail.ParseEntry(c.tx.Bucket(bLeaves).Get(k))
		if err != nil || e.Kind != r.kind() || e.Digest != sha256.Sum256(r.Key) || e.Length != int64(len(r.Key)) ||
			e.Subject != r.Name || e.Actor != r.By || e.Text != r.text() || !e.At.Equal(r.At) {
			c.wrong(where, "its entry is not about it")
		}
		if err := r.Admission().Check(r.Name, sha256.Sum256(r.Key)); err != nil {
			c.wrong(where, "%v", err)
		} else if err := before.follows(c.archive.origin, r); err != nil {
			c.wrong(where, "%v", err)
		}
		before.add(r)
	})
	if n != c.keyed {
		c.wrong("keys", "%d changes are kept, and %d entries are about one", n, c.keyed)
	}
	c.each(bTokens, func(k, v []byte) {
		t, err := tokenOf(k, v)
		if err == nil && t.Word != nil {
			err = t.replaces().Admission().CheckWord(c.archive.origin, t.By, t.Name)
		}
		if err != nil {
			c.wrong(fmt.Sprintf("token %x", k[:min(4, len(k))]), "%v", err)
		}
	})
}
