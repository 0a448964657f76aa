package answer

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// statusOf carries a Book's error, its hint on a line of its own, to the other end.
func statusOf(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := status.FromError(err); ok || trust.ReasonOf(err) != "" {
		return err // the server knows how to answer a refusal
	}
	code := codes.Internal
	switch {
	case errors.Is(err, ErrNotFound):
		code = codes.NotFound
	case errors.Is(err, ErrAmbiguous):
		code = codes.InvalidArgument
	case errors.Is(err, ErrState):
		code = codes.FailedPrecondition
	case errors.Is(err, ErrUnreachable):
		code = codes.Unavailable
	case errors.Is(err, context.Canceled):
		code = codes.Canceled
	}
	msg := err.Error()
	if h := fault.HintOf(err); h != "" {
		msg += hintLine + h
	}
	return status.Error(code, strings.ToValidUTF8(msg, "\uFFFD"))
}

const hintLine = "\nhint: "

// explain turns a status back into the error it was made from, with its hint.
func (c Client) explain(err error) error {
	st := status.Convert(err)
	msg, hint, _ := strings.Cut(st.Message(), hintLine)
	switch st.Code() {
	case codes.Canceled:
		return context.Canceled
	case codes.NotFound:
		return remote{msg, hint, ErrNotFound}
	case codes.InvalidArgument:
		return remote{msg, hint, ErrAmbiguous}
	case codes.FailedPrecondition:
		return remote{msg, hint, ErrState}
	case codes.Unavailable:
		return fault.New("ask collector", c.where, remote{fault.Network(msg), "", ErrUnreachable}).
			WithHint("is the collector running, and is the address right?")
	case codes.PermissionDenied:
		return fault.New("ask collector", c.where, remote{msg, "", ErrDenied}).WithHint("ask a keeper of that collector")
	case codes.Unauthenticated:
		return fault.New("ask collector", c.where, remote{msg, "", ErrDenied}).
			WithHint("enrol with a token that a keeper makes: collector login, or on a rig agent enroll")
	case codes.Unimplemented:
		return fault.New("ask collector", c.where, remote{"it does not know this question", "", nil}).
			WithHint("use programs of one version on both ends, and a collector's address")
	}
	return remote{msg, hint, nil}
}

// remote is an error from the other end with its hint and the sentinel it stood
// for, if it stood for one.
type remote struct {
	msg, hint string
	kind      error
}

func (r remote) Error() string { return r.msg }
func (r remote) Hint() string  { return r.hint }
func (r remote) Unwrap() error { return r.kind }
