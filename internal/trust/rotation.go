package trust

import (
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
)

// Rotation says that another key of a member comes after the one that it has with
// an authority. The key before signs it, so that nobody else can say so.
type Rotation struct {
	Member
	Authority Fingerprint
	Before    ed25519.PublicKey
	After     [sha256.Size]byte // of the new key
}

// statement is what the key before signs. Its first line keeps it from being taken
// for a record or anything else that a member signs; no name has a line feed.
func (r Rotation) statement() []byte {
	return fmt.Appendf(nil, "witnessmark key rotation 1\n%s\n%s\nauthority %v\nbefore %x\nafter %x\n", r.Role, r.Name, r.Authority, []byte(r.Before), r.After)
}

// Sign signs the statement with the key before.
func (r Rotation) Sign(before ed25519.PrivateKey) []byte { return ed25519.Sign(before, r.statement()) }

// Check holds a signature against the statement.
func (r Rotation) Check(signature []byte) error {
	if Weak(r.Before) || !ed25519.Verify(r.Before, r.statement(), signature) {
		return errors.New("the key before has not signed that this one comes after it")
	}
	return nil
}
