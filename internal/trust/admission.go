package trust

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
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
	// Lost are the keys, by their SHA-256, in whose place this one is on a keeper's
	// word, and Why what he says of that. None of them has signed for it.
	Lost [][]byte
	Why  string
	Word *Word // by which the keeper has signed that; nil where the entry alone says so
}

const (
	ofAuthority = " of authority "
	inPlaceOf   = " in place of lost "
	onWord      = " on the word for token "
	ofKey       = " of key "
	afterKey    = " after key "
	whichSigned = " which signed "
)

// Text is the admission as its entry in the trail spells it, such as
//
//	rig of authority 5f1c…
//	rig of authority 5f1c… after key 0a9b… which signed 7d3e…
//	rig of authority 5f1c… in place of lost 0a9b…,3c4d…: the disk broke
//	rig of authority 5f1c… in place of lost 0a9b… on the word for token 6e7f… of key 1b2c… which signed 9d8e…: the disk broke
//
// with whole keys and signatures, so that the entry proves by itself that the key
// before has signed, or the keeper's. Of lost keys it has the SHA-256.
func (a Admission) Text() string {
	s := string(a.Role)
	if a.Authority != (Fingerprint{}) {
		s += ofAuthority + a.Authority.String()
	}
	if a.Before != nil {
		s += fmt.Sprintf("%s%x%s%x", afterKey, []byte(a.Before), whichSigned, a.Signature)
	}
	if a.Lost != nil {
		s += inPlaceOf + strings.Join(hexes(a.Lost), ",")
		if w := a.Word; w != nil {
			s += fmt.Sprintf("%s%x%s%x%s%x", onWord, w.Token, ofKey, []byte(w.Key), whichSigned, w.Signature)
		}
		s += ": " + a.Why
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

func hexes(all [][]byte) (out []string) {
	for _, b := range all {
		out = append(out, hex.EncodeToString(b))
	}
	return out
}

// MostLost is how many keys may be lost at once, MaxWhy the most bytes of why.
const (
	MostLost = 32
	MaxWhy   = 1000
)

// ValidWhy holds a reason to what the trail takes.
func ValidWhy(s string) bool {
	return s != "" && len(s) <= MaxWhy && utf8.ValidString(s) && !strings.ContainsFunc(s, unicode.IsControl)
}

// lost reads the keys that were lost, who signed that and why they are said to be.
func (a *Admission) lost(s string) error {
	keys, why, _ := strings.Cut(s, ": ")
	keys, word, signed := strings.Cut(keys, onWord)
	if signed {
		var err error
		if a.Word, err = parseWord(word); err != nil {
			return err
		}
	}
	for _, k := range strings.Split(keys, ",") {
		b, err := hex.DecodeString(k)
		if err != nil || len(b) != sha256.Size || len(a.Lost) == MostLost {
			return errAdmission
		}
		a.Lost = append(a.Lost, b)
	}
	if a.Why = why; !ValidWhy(why) {
		return errAdmission
	}
	return nil
}

func parseWord(s string) (*Word, error) {
	token, rest, _ := strings.Cut(s, ofKey)
	hash, err := hex.DecodeString(token)
	key, signature, err2 := parseSigned(rest)
	if err != nil || err2 != nil || len(hash) != sha256.Size {
		return nil, errAdmission
	}
	return &Word{[sha256.Size]byte(hash), key, signature}, nil
}

// parseSigned reads a key and what it has signed.
func parseSigned(s string) (ed25519.PublicKey, []byte, error) {
	key, signature, _ := strings.Cut(s, whichSigned)
	k, err := hex.DecodeString(key)
	sig, err2 := hex.DecodeString(signature)
	if err != nil || err2 != nil || len(k) != ed25519.PublicKeySize || len(sig) != ed25519.SignatureSize {
		return nil, nil, errAdmission
	}
	return k, sig, nil
}

var errAdmission = errors.New("it does not say what was admitted")

// ParseAdmission reads what Text gave, in that spelling alone.
func ParseAdmission(s string) (a Admission, err error) {
	said, lost, replaced := strings.Cut(s, inPlaceOf) // before anything else: why may say anything
	if replaced {
		if err := a.lost(lost); err != nil {
			return Admission{}, err
		}
	}
	said, rotation, rotated := strings.Cut(said, afterKey)
	if rotated {
		if a.Before, a.Signature, err = parseSigned(rotation); err != nil {
			return Admission{}, err
		}
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
