package trust

import (
	"errors"
	"fmt"
)

// Errors that callers tell apart.
var (
	// ErrDenied is returned for what somebody may not do.
	ErrDenied = errors.New("not allowed")
	// ErrUnknown is returned for somebody who has not shown who he is.
	ErrUnknown = errors.New("not a member")
)

// Refusal is why somebody is not let in, or may not do something.
type Refusal struct {
	Reason string // one word of few, for counts
	Why    string
	Kind   error // ErrDenied or ErrUnknown
}

func (r *Refusal) Error() string { return r.Kind.Error() + ": " + r.Why }

// Unwrap gives the kind.
func (r *Refusal) Unwrap() error { return r.Kind }

// Deny refuses what somebody may not do.
func Deny(reason, format string, args ...any) error {
	return &Refusal{reason, fmt.Sprintf(format, args...), ErrDenied}
}

func stranger(reason string, format string, args ...any) error {
	return &Refusal{reason, fmt.Sprintf(format, args...), ErrUnknown}
}

// Reasons of this package.
const (
	NoCertificate    = "no_certificate"
	OtherAuthority   = "another_authority"
	CertificateEnded = "certificate_ended"
	BadCertificate   = "bad_certificate"
	OfAnother        = "of_another"
	BadSignature     = "bad_signature"
)

// ReasonOf gives the reason of a refusal, "" for other errors.
func ReasonOf(err error) string {
	var r *Refusal
	if errors.As(err, &r) {
		return r.Reason
	}
	return ""
}
