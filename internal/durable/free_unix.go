//go:build unix

package durable

import (
	"errors"

	"golang.org/x/sys/unix"
)

// Full says whether an error is that of a disk or a quota without room.
func Full(err error) bool { return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) }

// Free gives the bytes that this user may still write on the file system that
// holds dir, and the size of all of it.
func Free(dir string) (free, size int64, err error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, 0, err
	}
	block := int64(s.Bsize)
	return int64(s.Bavail) * block, int64(s.Blocks) * block, nil
}
