package durable

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"syscall"
)

// Journal is a file that only grows by lines: see AppendLine. A line that was
// appended survives a power cut; one that could not be is not there at all. Only
// one process may have it open, and one goroutine at a time.
type Journal struct {
	path string
	file *os.File
	size int64 // of what is good in it
}

// OpenJournal opens the file at path, or begins it, and gives what it holds, as
// Lines does.
func OpenJournal(path string) (*Journal, [][]byte, error) {
	b, err := os.ReadFile(path)
	if err != nil && !os.IsNotExist(err) {
		return nil, nil, err
	}
	j := &Journal{path: path, size: int64(bytes.LastIndexByte(b, '\n') + 1)}
	if err := j.open(); err != nil && !errors.Is(err, syscall.ENOSPC) { // with room it can go on
		return nil, nil, err
	}
	return j, Lines(b), nil
}

// open opens the file for writing and takes off what a crash left of a line.
func (j *Journal) open() error {
	_, before := os.Lstat(j.path)
	f, err := os.OpenFile(j.path, os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	if err = f.Truncate(j.size); err == nil && before != nil {
		err = SyncDir(filepath.Dir(j.path))
	}
	if err != nil {
		f.Close()
		return err
	}
	j.file = f
	return nil
}

// Append adds lines, all of them or none.
func (j *Journal) Append(texts ...[]byte) error {
	if j.file == nil {
		if err := j.open(); err != nil {
			return err
		}
	}
	var b []byte
	for _, t := range texts {
		b = AppendLine(b, t)
	}
	_, err := j.file.WriteAt(b, j.size)
	if err == nil {
		err = j.file.Sync()
	}
	if err != nil {
		// A file that did not take a write is opened anew, so that a line of
		// which nobody knows whether it is on the disk is taken off first.
		j.file.Truncate(j.size)
		j.file.Close()
		j.file = nil
		return err
	}
	j.size += int64(len(b))
	return nil
}

// Rewrite puts the lines in place of all that is there.
func (j *Journal) Rewrite(texts [][]byte) error {
	var b []byte
	for _, t := range texts {
		b = AppendLine(b, t)
	}
	if err := j.Close(); err != nil {
		return err
	}
	if err := WriteFile(filepath.Dir(j.path), filepath.Base(j.path), b); err != nil {
		return err
	}
	j.size = int64(len(b))
	return j.open()
}

// Size is how many bytes the file has.
func (j *Journal) Size() int64 { return j.size }

// Close closes the file. Another Append opens it again.
func (j *Journal) Close() error {
	if j.file == nil {
		return nil
	}
	err := j.file.Close()
	j.file = nil
	return err
}
