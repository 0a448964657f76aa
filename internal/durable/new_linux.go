package durable

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// nameless opens a file in dir that has no name yet.
func nameless(dir string, perm os.FileMode) (*os.File, error) {
	return os.OpenFile(dir, os.O_RDWR|unix.O_TMPFILE, perm)
}

func placeOf(f *os.File) string { return fmt.Sprintf("/proc/self/fd/%d", f.Fd()) }

// linkOf names the file; it fails when there is one of that name.
func linkOf(f *os.File, path string) error {
	if err := unix.Linkat(unix.AT_FDCWD, placeOf(f), unix.AT_FDCWD, path, unix.AT_SYMLINK_FOLLOW); err != nil {
		return &os.LinkError{Op: "link", Old: f.Name(), New: path, Err: err}
	}
	return nil
}

// moveNew renames a file; it fails when there is one of that name.
func moveNew(old, path string) error {
	if err := unix.Renameat2(unix.AT_FDCWD, old, unix.AT_FDCWD, path, unix.RENAME_NOREPLACE); err != nil {
		return &os.LinkError{Op: "rename", Old: old, New: path, Err: err}
	}
	return nil
}
