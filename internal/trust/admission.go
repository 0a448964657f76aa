package trust

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
)

// Admission is what the trail says of a key that was admitted, beside whose it is
// and on whose word.
type Admission struct {
	Role      Role
	Authority Fingerprint // which certifies the key; zero where that was not said
	// Before is the key that this one came after, and Signature what it signed of
	// that; nil where a keeper's word admitted the key.
	Before    ed25519.PublicKey
	Signature []byte
}

const (
	ofAuthority = " of authority "
	afterKey    = " after key "
	whichSigned = " which signed "
)

// Text is the admission as its entry in the trail spells it, such as
//
//	rig of authority 5f1c…
//	rig of authority 5f1c… after key 0a9b… which signed 7d3e…
//
// with whole keys and signatures, so that the entry proves by itself that the key
// before has signed.
func (a Admission) Text() string {
	s := string(a.Role)
	if a.Authority != (Fingerprint{}) {
		s += ofAuthority + a.Authority.String()
	}
	if a.Before != nil {
		s += fmt.Sprintf("%s%x%s%x", afterKey, []byte(a.Before), whichSigned, a.Signature)
	}
	return s
}

// Check holds an admission against whose the key is, and what the key before has
// signed, if there is one.
func (a Admission) Check(name string, key [sha256.Size]byte) error {
	if a.Before == nil {
		return nil
	}
	return Rotation{Member{a.Role, name}, a.Authority, a.Before, key}.Check(a.Signature)
}

var errAdmission = errors.New("it does not say what was admitted")

// ParseAdmission reads what Text gave, in that spelling alone.
func ParseAdmission(s string) (a Admission, err error) {
	said, rotation, rotated := strings.Cut(s, afterKey)
	if rotated {
		key, signature, _ := strings.Cut(rotation, whichSigned)
		before, bad := hex.DecodeString(key)
		if a.Signature, err = hex.DecodeString(signature); err != nil || bad != nil || len(before) != ed25519.PublicKeySize || len(a.Signature) != ed25519.SignatureSize {
			return Admission{}, errAdmission
		}
		a.Before = before
	}
	role, authority, certified := strings.Cut(said, ofAuthority)
	if a.Role = Role(role); !a.Role.Joins() {
		return Admission{}, errAdmission
	}
	if certified {
		if a.Authority, err = ParseFingerprint(authority); err != nil {
			return Admission{}, err
		}
	}
	if a.Text() != s {
		return Admission{}, errAdmission
	}
	return a, nil
}

// CertificateText is what the entry of a certificate says of its authority.
func CertificateText(authority Fingerprint) string {
	return strings.TrimPrefix(ofAuthority, " ") + authority.String()
}

// ParseFingerprint reads what Fingerprint.String gave.
func ParseFingerprint(s string) (f Fingerprint, err error) {
	if b, err := hex.DecodeString(s); err != nil || copy(f[:], b) != len(b) || len(b) != len(f) || f.String() != s {
		return Fingerprint{}, errors.New("it is no authority's fingerprint")
	}
	return f, nil
}
