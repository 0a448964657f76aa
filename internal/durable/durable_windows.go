package durable

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// RenamesOpenFiles says that a folder can be renamed while a file in it is open.
const RenamesOpenFiles = false

// TryLock opens and locks the file; nil without an error says that another
// process has it. The lock ends with the process, however it ends.
func TryLock(path string, flags int) (*os.File, error) {
	f, err := lock(path, flags, windows.LOCKFILE_FAIL_IMMEDIATELY)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return nil, nil
	}
	return f, err
}

// WaitLock waits until no other process has the file locked.
func WaitLock(path string) (*os.File, error) { return lock(path, os.O_CREATE|os.O_RDWR, 0) }

func lock(path string, flags int, how uint32) (*os.File, error) {
	f, err := os.OpenFile(path, flags, 0o600)
	if err != nil {
		return nil, err
	}
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|how, 0, 1, 0, new(windows.Overlapped))
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// Unlock lets go of a locked file and closes it.
func Unlock(f *os.File) error { return f.Close() }

// SyncDir has nothing to do: the file system journals names by itself.
func SyncDir(string) error { return nil }
