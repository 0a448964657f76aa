package deliver

import (
	"errors"
	"fmt"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/trust"
)

// Why something is not taken, in the words under which it is counted.
const (
	Malformed = "malformed" // not a message of the service, or one out of its order
	TooLarge  = "too_large" // more than is ever taken
	TooSlow   = "too_slow"  // or nothing at all
	Mismatch  = "mismatch"  // not the bytes that were announced
	Unsigned  = "signature" // that does not belong to the record and the key
	NoRecord  = "record"    // bytes that are well signed and no record
	Busy      = "busy"      // too much at once; later it may be taken
	NoRoom    = "no_room"   // the collector's disk is full, or nearly
	CutBack   = "trail"     // the collector lacks a head that it signed, or its archive is damaged
	Conflict  = "conflict"  // with what is kept, or a setup that cannot be read
)

// refusal is a status, and the word for it.
type refusal struct {
	st     *status.Status
	reason string
}

func (r *refusal) Error() string { return r.st.Message() }

// GRPCStatus is what the other side gets.
func (r *refusal) GRPCStatus() *status.Status { return r.st }

// Refusal is the word under which this is counted.
func (r *refusal) Refusal() string { return r.reason }

// Refuse gives an error that goes out with that status, as one line, and is
// counted under the reason.
func Refuse(reason string, code codes.Code, format string, args ...any) error {
	return &refusal{status.New(code, fmt.Sprintf(format, args...)), reason}
}

// As gives err the reason under which its refusal is counted.
func As(reason string, err error) error { return reasoned{err, reason} }

type reasoned struct {
	error
	reason string
}

func (r reasoned) Unwrap() error   { return r.error }
func (r reasoned) Refusal() string { return r.reason }

// Fewer refuses to take anything from a rig that has seen more entries of the trail
// than it has: what the trail was then is settled first.
func Fewer(seen, has int64) error {
	return Refuse(CutBack, fewer, "this rig has seen %d entries of the trail, which has %d", seen, has)
}

// fewer is the status of ErrFewer; to an agent that does not know that it is one of
// those that are tried again.
const fewer = codes.DataLoss

// reasonOf gives the word that an error brings along, else the other.
func reasonOf(err error, other string) string {
	var r interface{ Refusal() string }
	if errors.As(err, &r) {
		return r.Refusal()
	}
	return other
}

// statusOf keeps a status, and tells what may be tried again from what may not.
func statusOf(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := status.FromError(err); ok || trust.ReasonOf(err) != "" {
		return err // the server knows how to answer who may not
	}
	if errors.Is(err, ErrRefused) {
		return Refuse(reasonOf(err, Conflict), codes.FailedPrecondition, "%v", err)
	}
	return Refuse(reasonOf(err, "unavailable"), codes.Unavailable, "%v", err)
}
