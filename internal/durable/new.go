package durable

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// New is a file that is not there under its name before it is whole. Where the
// system can, it has no name at all until then, and a killed process leaves
// nothing.
type New struct {
	*os.File
	path  string
	named bool // under a name of its own until it is committed
}

// Create begins a file that will be path, with those of the permissions that the umask
// leaves. It fails when there is one already.
func Create(path string, perm fs.FileMode) (*New, error) {
	if _, err := os.Lstat(path); err == nil {
		return nil, &fs.PathError{Op: "create", Path: path, Err: fs.ErrExist}
	}
	if f, err := nameless(filepath.Dir(path), perm); err == nil {
		return &New{File: f, path: path}, nil
	}
	own := fmt.Sprintf(".%s-%d", filepath.Base(path), rand.Uint64())
	f, err := os.OpenFile(filepath.Join(filepath.Dir(path), own), os.O_RDWR|os.O_CREATE|os.O_EXCL, perm)
	if err != nil {
		return nil, err
	}
	return &New{File: f, path: path, named: true}, nil
}

// Place is where others may open the file meanwhile.
func (n *New) Place() string {
	if n.named {
		return n.Name()
	}
	return placeOf(n.File)
}

// Commit gives the file its name, unless another has it by now, and closes it.
func (n *New) Commit() error {
	err := n.Sync()
	if err == nil && n.named {
		err = name(n.Name(), n.path, os.Link)
	} else if err == nil {
		err = linkOf(n.File, n.path)
	}
	if err == nil {
		err = SyncDir(filepath.Dir(n.path))
	}
	return errors.Join(err, n.Abandon())
}

// name gives a file its name by link, unless another has it. Where there are no links,
// as on most memory sticks, it is moved.
func name(old, path string, link func(old, path string) error) error {
	err := link(old, path)
	if err == nil || errors.Is(err, fs.ErrExist) {
		return err
	}
	if moved := moveNew(old, path); moved == nil || errors.Is(moved, fs.ErrExist) {
		return moved
	}
	return err
}

// Abandon closes the file; what was not committed is gone.
func (n *New) Abandon() error {
	err := n.Close()
	if n.named {
		os.Remove(n.Name())
	}
	if errors.Is(err, os.ErrClosed) {
		return nil
	}
	return err
}
