//go:build unix

package durable

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// RenamesOpenFiles says that a folder can be renamed while a file in it is open.
const RenamesOpenFiles = true

// TryLock opens and locks the file; nil without an error says that another
// process has it. The lock ends with the process, however it ends.
func TryLock(path string, flags int) (*os.File, error) {
	f, err := lock(path, flags, syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	// Whoever had it may have taken the file away before the lock was ours.
	is, err1 := f.Stat()
	now, err2 := os.Stat(path)
	if err1 != nil || err2 != nil || !os.SameFile(is, now) {
		f.Close()
		return nil, &fs.PathError{Op: "lock", Path: path, Err: fs.ErrNotExist}
	}
	return f, nil
}

// WaitLock waits until no other process has the file locked.
func WaitLock(path string) (*os.File, error) { return lock(path, os.O_CREATE|os.O_RDWR, 0) }

func lock(path string, flags, how int) (*os.File, error) {
	f, err := os.OpenFile(path, flags, 0o600)
	if err != nil {
		return nil, err
	}
	for {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|how)
		if err == nil {
			return f, nil
		}
		if !errors.Is(err, syscall.EINTR) {
			f.Close()
			return nil, err
		}
	}
}

// Unlock lets go of a locked file and closes it. To close it is not enough where it
// is still mapped.
func Unlock(f *os.File) error {
	return errors.Join(syscall.Flock(int(f.Fd()), syscall.LOCK_UN), f.Close())
}

// SyncDir makes the names in a folder as durable as what they name.
func SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
