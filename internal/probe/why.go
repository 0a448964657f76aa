package probe

import (
	"errors"
	"io/fs"
	"os"
	"strings"
	"syscall"

	"witnessmark/internal/rig"
)

// Why turns the error of a read into the reason that a fact is unread. The
// detail names the capability where one would help, and otherwise the kernel's
// own word; never a path of the machine a captured tree lies on.
func Why(err error) rig.Unread {
	var noted *unreadError
	switch {
	case err == nil:
		return rig.Unread{}
	case errors.As(err, &noted):
		return noted.why
	case errors.Is(err, errCaptured):
		return rig.Unread{Reason: rig.Absent, Detail: errCaptured.Error()}
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENOTDIR), errors.Is(err, errNotDir):
		return rig.Unread{Reason: rig.Absent}
	case errors.Is(err, fs.ErrPermission):
		return rig.Unread{Reason: rig.Denied, Detail: "needs " + capabilityFor(pathIn(err))}
	}
	return rig.Unread{Reason: rig.Refused, Detail: innermost(err)}
}

// unreadError is a reason that was noted when the tree was captured.
type unreadError struct {
	path string
	why  rig.Unread
}

func (e *unreadError) Error() string { return e.path + ": " + e.why.String() }

// needs says which capability lets a file be read that plain users may not
// read, by the start of its path; files of mode 0400 need the last one.
var needs = []struct{ prefix, capability string }{
	{"dev/cpu/", "CAP_SYS_RAWIO"},
	{"sys/bus/event_source/", "CAP_PERFMON"},
	{"proc/kcore", "CAP_SYS_RAWIO"},
	{"", "CAP_DAC_READ_SEARCH"},
}

func capabilityFor(path string) string {
	path = strings.TrimPrefix(path, "/")
	for _, n := range needs {
		if strings.HasPrefix(path, n.prefix) {
			return n.capability
		}
	}
	return ""
}

func pathIn(err error) string {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Path
	}
	return ""
}

// escapes is what package os says of a link that leads out of a root.
const escapes = "path escapes from parent"

// innermost is the text of the deepest cause, without operation and path.
func innermost(err error) string {
	for {
		next := errors.Unwrap(err)
		if next == nil {
			break
		}
		err = next
	}
	var call *os.SyscallError
	if errors.As(err, &call) {
		err = call.Err
	}
	if word := err.Error(); word != escapes {
		return word
	}
	return errEscapes.Error()
}
