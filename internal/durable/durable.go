// Package durable puts files on the disk so that they survive a power cut, whole
// or not at all, and keeps processes that share a folder apart.
//
//	durable.WriteFile("/var/lib/dome", "address", []byte("127.0.0.1:7410\n"))
//
// It knows nothing of what is in the files, and removes nothing of others.
package durable

import (
	"errors"
	"os"
	"path/filepath"
)

// WriteFile stores b under name in dir: written aside, synced, renamed. Readers
// see what was there before or all of b.
func WriteFile(dir, name string, b []byte) error {
	f, err := os.CreateTemp(dir, "."+name+"-")
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(dir, name))
	}
	if err != nil {
		os.Remove(f.Name())
		return err
	}
	return SyncDir(dir)
}

// MakeDir makes a folder, and those above it, so that they survive what is
// stored in them.
func MakeDir(dir string) error {
	if _, err := os.Lstat(dir); err == nil {
		return nil
	}
	if err := MakeDir(filepath.Dir(dir)); err != nil {
		return err
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, os.ErrExist) {
		return err
	}
	return SyncDir(filepath.Dir(dir))
}
