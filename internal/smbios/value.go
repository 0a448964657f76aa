package smbios

import (
	"fmt"
	"strings"
)

// State says what is behind a Value or a Text.
type State uint8

// The states. Only Known comes with something to use.
const (
	Absent   State = iota // the structure is too short to hold the field
	NotGiven              // the field says that the firmware does not know
	Fill                  // a text that only fills the space, such as "Default string"
	Broken                // the field refers to a string that is not there, or contradicts itself
	Known
)

var stateWords = [...]string{
	Absent:   "absent: the structure is too short to hold it",
	NotGiven: "not given by the firmware",
	Fill:     "filled in with a text that says nothing",
	Broken:   "broken: the field refers to something that is not there",
	Known:    "known",
}

// String gives the state as a reason that fits behind "unread, because".
func (s State) String() string {
	if int(s) < len(stateWords) {
		return stateWords[s]
	}
	return fmt.Sprintf("state %d", uint8(s))
}

// Value is a field that may have nothing to say. The zero Value is Absent.
type Value[T any] struct {
	value T
	state State
}

func known[T any](v T) Value[T] { return Value[T]{value: v, state: Known} }

func unread[T any](s State) Value[T] { return Value[T]{state: s} }

// Get returns the value and true, or the zero value and false.
func (v Value[T]) Get() (T, bool) { return v.value, v.state == Known }

// State tells whether the value is known, and if not, why.
func (v Value[T]) State() State { return v.state }

// String formats a known value, or gives its state in brackets.
func (v Value[T]) String() string {
	if v.state != Known {
		return "(" + v.state.String() + ")"
	}
	return fmt.Sprint(v.value)
}

// Text is a field that holds a string. The zero Text is Absent.
type Text struct {
	raw   string
	state State
}

// Get returns the text and true, or "" and false when there is none or it is
// vendor fill. Blanks around it are trimmed, and bytes outside printable ASCII
// are dots, so that it is safe to print.
func (t Text) Get() (string, bool) {
	if t.state != Known {
		return "", false
	}
	return strings.Map(dotted, strings.TrimSpace(t.raw)), true
}

// Raw returns the bytes as the firmware wrote them, vendor fill included, and
// false when there is no string. They may hold anything but a zero byte.
func (t Text) Raw() (string, bool) { return t.raw, t.state == Known || t.state == Fill }

// State tells whether the text is known, and if not, why.
func (t Text) State() State { return t.state }

// String gives the text, or its state in brackets.
func (t Text) String() string {
	if s, ok := t.Get(); ok {
		return s
	}
	return "(" + t.state.String() + ")"
}

// dotted replaces what must not reach a terminal. Bytes from 0x80 up arrive as
// utf8.RuneError or as runes beyond ASCII, and either becomes a dot.
func dotted(r rune) rune {
	if r < ' ' || r > '~' {
		return '.'
	}
	return r
}
