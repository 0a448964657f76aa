//go:build unix

package spool

import (
	"errors"
	"os"
	"syscall"
)

// renamesOpenFiles says that a folder can be renamed while a file in it is open.
const renamesOpenFiles = true

// tryLock opens and locks the file; nil without an error says that another
// process has it. The lock ends with the process, however it ends.
func tryLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, nil
		}
		return nil, err
	}
	return f, nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
