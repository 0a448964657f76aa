package trail

import (
	"crypto/ed25519"
	"fmt"

	"golang.org/x/mod/sumdb/note"
)

// headSigner signs notes with a key that we hold ourselves, so that the private
// half is never spelled out as text.
type headSigner struct {
	note.Verifier
	key ed25519.PrivateKey
}

// Sign implements [note.Signer].
func (s headSigner) Sign(msg []byte) ([]byte, error) { return ed25519.Sign(s.key, msg), nil }

// NewSigner makes the signer of origin's heads from its Ed25519 key.
func NewSigner(origin string, key ed25519.PrivateKey) (note.Signer, error) {
	if len(key) != ed25519.PrivateKeySize {
		return nil, fmt.Errorf("signer of %s: private key of %d bytes, want %d", origin, len(key), ed25519.PrivateKeySize)
	}
	if !ed25519.NewKeyFromSeed(key.Seed()).Equal(key) {
		return nil, fmt.Errorf("signer of %s: the halves of the key do not belong together", origin)
	}
	v, err := NewVerifier(origin, key.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	return headSigner{Verifier: v, key: key}, nil
}

// NewVerifier makes the verifier of origin's heads from its Ed25519 public key.
func NewVerifier(origin string, key ed25519.PublicKey) (note.Verifier, error) {
	text, err := VerifierKey(origin, key)
	if err != nil {
		return nil, err
	}
	v, err := note.NewVerifier(text)
	if err != nil {
		return nil, fmt.Errorf("verifier of %s: %w", origin, err)
	}
	return v, nil
}

// VerifierKey is the public key as the text others configure:
// "origin+keyhash+base64", which [note.NewVerifier] reads.
func VerifierKey(origin string, key ed25519.PublicKey) (string, error) {
	if err := validOrigin(origin); err != nil {
		return "", fmt.Errorf("verifier key: %w", err)
	}
	text, err := note.NewEd25519VerifierKey(origin, key)
	if err != nil {
		return "", fmt.Errorf("verifier key of %s: %w", origin, err)
	}
	return text, nil
}
