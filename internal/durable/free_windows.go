package durable

import (
	"errors"

	"golang.org/x/sys/windows"
)

// Full says whether an error is that of a disk or a quota without room.
func Full(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL) || errors.Is(err, windows.ERROR_DISK_QUOTA_EXCEEDED)
}

// Free gives the bytes that this user may still write on the volume that holds
// dir, and the size of all of it.
func Free(dir string) (free, size int64, err error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, 0, err
	}
	var mine, all, any uint64
	if err := windows.GetDiskFreeSpaceEx(name, &mine, &all, &any); err != nil {
		return 0, 0, err
	}
	return int64(mine), int64(all), nil
}
