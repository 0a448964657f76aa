package record

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
)

// ErrSignature is returned when a record's signature does not belong to its
// bytes and key.
var ErrSignature = errors.New("the record's signature does not belong to its bytes and key")

// domain keeps a record's signature from being taken for any other.
const domain = "witnessmark record v1\n"

// Signed is a record as it travels and is kept: the exact bytes, the rig's
// public key, and the Ed25519 signature over the domain line and the bytes.
type Signed struct {
	Bytes     []byte
	PublicKey ed25519.PublicKey
	Signature []byte
}

// Sign signs a record's bytes with the rig's key.
func Sign(b []byte, key ed25519.PrivateKey) Signed {
	return Signed{
		Bytes:     b,
		PublicKey: key.Public().(ed25519.PublicKey),
		Signature: ed25519.Sign(key, slices.Concat([]byte(domain), b)),
	}
}

// Verify checks the signature. It says nothing of whose key it is.
func (s Signed) Verify() error {
	if len(s.PublicKey) != ed25519.PublicKeySize ||
		!ed25519.Verify(s.PublicKey, slices.Concat([]byte(domain), s.Bytes), s.Signature) {
		return ErrSignature
	}
	return nil
}

// SHA256 is the record's identity.
func (s Signed) SHA256() [sha256.Size]byte { return sha256.Sum256(s.Bytes) }

// Fingerprint names a public key: the first 16 hex digits of its SHA-256.
func Fingerprint(key ed25519.PublicKey) string {
	h := sha256.Sum256(key)
	return hex.EncodeToString(h[:8])
}
