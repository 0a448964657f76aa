// Package guest is what the virtual rig's two sides agree on: the plan that the
// host puts into the initramfs and PID 1 of the guest carries out, and the lines
// that go over the second serial port while it does.
//
// The host sends requests, each with a number; the guest answers with the same
// number, so that an answer nobody waited for is told from the one that counts:
//
//	7 cat /sys/class/hwmon/hwmon0/temp1_input
//	7 ok "96000"
//	8 cat /nowhere
//	8 no "open /nowhere: no such file or directory"
//
// Without being asked it reports, once each: "up" when the setup is done and the
// payload starts, then "exit CODE", or "failed REASON" when it came to no payload.
//
// The package opens no port and runs nothing; both sides do that for themselves.
package guest

import (
	"fmt"
	"strconv"
	"strings"
)

// Where things are in the guest's file tree.
const (
	PlanPath   = "/vrig/plan.json"
	ModulesDir = "/vrig/modules"
	Port       = "/dev/ttyS1"
	Home       = "/root"
	DiskDir    = "/disk"
)

// Plan is what PID 1 does: the setup lines one after another, in the words of
// the control channel, then the payload.
type Plan struct {
	Seed  []byte // random bytes, of which an emulated machine finds few by itself
	Setup []string
	Path  string // the payload, an absolute path in the guest
	Args  []string
	Env   []string // "KEY=value"
}

// Kinds of a Line.
const (
	Up     = "up"
	Exit   = "exit"
	Failed = "failed"
	OK     = "ok"
	No     = "no"
)

// Line is one line from the guest. Number is 0 for what was not asked for.
type Line struct {
	Number int
	Kind   string
	Text   string
}

// String gives the line as it is sent, without the newline.
func (l Line) String() string {
	s := l.Kind
	if l.Number != 0 {
		s = strconv.Itoa(l.Number) + " " + s
	}
	if l.Text != "" {
		s += " " + strconv.Quote(l.Text)
	}
	return s
}

// ParseLine reads what String wrote; anything else is an error.
func ParseLine(s string) (Line, error) {
	var l Line
	rest := s
	if head, tail, ok := strings.Cut(rest, " "); ok {
		if n, err := strconv.Atoi(head); err == nil {
			l.Number, rest = n, tail
		}
	}
	kind, text, quoted := strings.Cut(rest, " ")
	l.Kind = kind
	if quoted {
		var err error
		if l.Text, err = strconv.Unquote(text); err != nil {
			return Line{}, fmt.Errorf("line from the guest: %q: %w", s, err)
		}
	}
	if l.String() != s {
		return Line{}, fmt.Errorf("line from the guest: %q: not in the form in which it is sent", s)
	}
	return l, nil
}
