package spool

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// stage is a folder being filled under a name that starts with a dot. A lock
// inside it tells a sweeper that its process is alive.
type stage struct {
	parent, name string
	lock         *os.File
	done         bool
}

func newStage(parent, name string) (*stage, error) {
	for range 10 {
		dir, err := os.MkdirTemp(parent, "."+name+"-")
		if err != nil {
			return nil, err
		}
		lock, err := tryLock(filepath.Join(dir, "lock"))
		switch {
		case err == nil && lock != nil:
			return &stage{parent: parent, name: name, lock: lock}, nil
		case err != nil && !errors.Is(err, fs.ErrNotExist):
			os.RemoveAll(dir)
			return nil, err
		}
		// A sweeper came between the folder and its lock and takes it away.
	}
	return nil, errors.New("another process sweeps this spool without end")
}

func (st *stage) dir() string { return filepath.Dir(st.lock.Name()) }

func (st *stage) write(name string, b []byte) error { return writeFile(st.dir(), name, b) }

// copy stores size bytes of r, synced.
func (st *stage) copy(name string, r io.Reader, size int64) error {
	f, err := os.OpenFile(filepath.Join(st.dir(), name), os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	n, err := io.Copy(f, io.LimitReader(r, size+1))
	if err == nil && n != size {
		err = fmt.Errorf("%s has %d bytes or more, not %d", name, n, size)
	}
	return errors.Join(err, f.Sync(), f.Close())
}

// commit gives the folder its name.
func (st *stage) commit() error {
	if err := syncDir(st.dir()); err != nil {
		return err
	}
	if err := st.rename(); err != nil {
		return err
	}
	st.lock.Close()
	return syncDir(st.parent)
}

// keepLock commits the folder and keeps its lock held.
func (st *stage) keepLock() (*os.File, error) {
	if err := syncDir(st.dir()); err != nil {
		return nil, err
	}
	if err := st.rename(); err != nil {
		return nil, err
	}
	if !renamesOpenFiles {
		lock, err := tryLock(filepath.Join(st.parent, st.name, "lock"))
		if err != nil || lock == nil {
			return nil, errors.Join(errors.New("the run's folder was taken by another process"), err)
		}
		st.lock = lock
	}
	return st.lock, syncDir(st.parent)
}

func (st *stage) rename() error {
	dir := st.dir()
	if !renamesOpenFiles {
		st.lock.Close()
	}
	if err := os.Rename(dir, filepath.Join(st.parent, st.name)); err != nil {
		return err
	}
	st.done = true
	return nil
}

// abandon removes what commit has not named.
func (st *stage) abandon() {
	if !st.done {
		dir := st.dir()
		st.lock.Close()
		os.RemoveAll(dir)
	}
}

// writeFile stores b under name in dir: written aside, synced, renamed.
func writeFile(dir, name string, b []byte) error {
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
	return syncDir(dir)
}
