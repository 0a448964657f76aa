// Package fault is the shape of an error that reaches a person: what was being
// done, to which thing, why it failed, and, on a line of its own, what to do next.
//
//	workload file: orrery.toml:4: unknown key "colum"
//	hint: the nearest known key is "column"
//
// It formats nothing beyond that and never prints; the commands do.
package fault

import (
	"errors"
	"strings"
)

// Error is one failure in the order a reader needs it. Where may be empty.
type Error struct {
	What  string // the operation, lower case: "read timing log"
	Where string // the file, rig, run or column it happened to
	Why   error  // the cause
	Next  string // what to try, without the word "hint"
}

// New returns an Error without a hint; why must not be nil.
func New(what, where string, why error) *Error {
	return &Error{What: what, Where: where, Why: why}
}

// WithHint returns a copy of e that carries the hint.
func (e *Error) WithHint(next string) *Error {
	c := *e
	c.Next = next
	return &c
}

// Error gives one line without the hint. A path that the cause repeats is said
// once.
func (e *Error) Error() string {
	s, why := e.What, e.Why.Error()
	if e.Where != "" {
		s += ": " + e.Where
		// An error of the file system reads "open PATH: no such file".
		if op, rest, ok := strings.Cut(why, " "+e.Where+": "); ok && !strings.ContainsAny(op, " :") {
			why = rest
		}
	}
	return s + ": " + why
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Why }

// Hint gives what to try next, or "" when there is nothing to say.
func (e *Error) Hint() string { return e.Next }

// HintOf finds the first hint in err's chain, or "".
func HintOf(err error) string {
	var h interface{ Hint() string }
	for err != nil && errors.As(err, &h) {
		if s := h.Hint(); s != "" {
			return s
		}
		u, ok := h.(interface{ Unwrap() error })
		if !ok {
			return ""
		}
		err = u.Unwrap()
	}
	return ""
}
