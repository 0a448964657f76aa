package trust

import (
	"encoding/hex"
	"errors"
	"strings"
)

// Admission is what the trail says of a key that was admitted, beside whose it is
// and on whose word.
type Admission struct {
	Role      Role
	Authority Fingerprint // which certifies the key; zero where that was not said
}

const ofAuthority = " of authority "

// Text is the admission as its entry in the trail spells it, such as
//
//	rig of authority 5f1c…
func (a Admission) Text() string {
	s := string(a.Role)
	if a.Authority != (Fingerprint{}) {
		s += ofAuthority + a.Authority.String()
	}
	return s
}

var errAdmission = errors.New("it does not say what was admitted")

// ParseAdmission reads what Text gave, in that spelling alone.
func ParseAdmission(s string) (a Admission, err error) {
	role, authority, said := strings.Cut(s, ofAuthority)
	if a.Role = Role(role); !a.Role.Joins() {
		return Admission{}, errAdmission
	}
	if said {
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
