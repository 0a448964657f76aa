package spool

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// renamesOpenFiles says that a folder can be renamed while a file in it is open.
const renamesOpenFiles = false

// tryLock opens and locks the file; nil without an error says that another
// process has it. The lock ends with the process, however it ends.
func tryLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
	if err != nil {
		f.Close()
		if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
			return nil, nil
		}
		return nil, err
	}
	return f, nil
}

// syncDir does nothing: the file system journals names by itself.
func syncDir(string) error { return nil }
