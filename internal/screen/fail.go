package screen

import (
	"context"
	"errors"
	"fmt"
	"io"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
)

// The exit codes of both commands.
const (
	Fine        = 0
	Failed      = 1
	WrongUsage  = 2   // by the call or a file that it names; nothing was begun
	Flagged     = 3   // flags at caution or above
	NotProved   = 4   // a proof does not hold
	Interrupted = 130 // the operator stopped it
)

// Usage is an error in how a command was called.
type Usage struct {
	Why  string
	Next string // what to do, without the word "hint"
}

// Misuse makes a Usage; next may be "".
func Misuse(next, format string, args ...any) error {
	return Usage{Why: fmt.Sprintf(format, args...), Next: next}
}

func (u Usage) Error() string { return u.Why }

// Hint gives what to do next.
func (u Usage) Hint() string { return u.Next }

// exit carries a code that is neither 1 nor 2.
type exit struct {
	code int
	err  error // nil: everything has been said
}

// Exit makes an error that ends the command with a code. With a nil error
// nothing further is printed.
func Exit(code int, err error) error { return exit{code, err} }

// Wrong makes err, of a file that the call names, one that ends the command as a
// wrong call does: trying again mends nothing. Nil stays nil.
func Wrong(err error) error {
	if err == nil {
		return nil
	}
	return exit{WrongUsage, err}
}

func (e exit) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit code %d", e.code)
	}
	return e.err.Error()
}

func (e exit) Unwrap() error { return e.err }

// Fail prints an error and its hint, each on a line of its own, and gives the
// code to exit with: 0 for nil.
func Fail(w io.Writer, program string, err error) int {
	code := Failed
	var e exit
	var u Usage
	switch {
	case err == nil:
		return Fine
	case errors.As(err, &e):
		if code = e.code; e.err == nil {
			return code
		}
	case errors.As(err, &u):
		code = WrongUsage
	case errors.Is(err, context.Canceled):
		return Interrupted
	}
	fmt.Fprintf(w, "%s: %s\n", Program(program), Clean(err.Error()))
	h := fault.HintOf(err)
	if h == "" && durable.Full(err) {
		h = "make room on that disk, and try again"
	}
	if h != "" {
		fmt.Fprintf(w, "hint: %s\n", Clean(Called(h)))
	}
	return code
}

// Warn prints a line that does not end the command, and a hint if there is one.
func Warn(w io.Writer, program, words string) {
	fmt.Fprintf(w, "%s: %s\n", Program(program), Clean(words))
}
