package spool

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"witnessmark/internal/record"
)

// stage is a folder being filled under a name that starts with a dot. A lock
// inside it tells a sweeper that its process is alive.
type stage struct {
	parent, name string
	dir          string // where it is now
	lock         *os.File
	kept         bool
}

// newStage makes a stage for the name in a folder of the spool. Nobody sweeps
// between the folder and its lock.
func (s *Spool) newStage(sub, name string) (*stage, error) {
	free, err := s.alone()
	if err != nil {
		return nil, err
	}
	defer free()
	dir, err := os.MkdirTemp(s.path(sub), "."+name+"-")
	if err != nil {
		return nil, err
	}
	lock, err := tryLock(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR)
	if err != nil || lock == nil {
		os.RemoveAll(dir)
		return nil, errors.Join(errors.New("a new folder could not be locked"), err)
	}
	return &stage{parent: s.path(sub), name: name, dir: dir, lock: lock}, nil
}

func (st *stage) write(name string, b []byte) error { return writeFile(st.dir, name, b) }

// errChanged is returned when a file is not what its attachment says.
var errChanged = errors.New("it is not what the record binds any more")

// copy stores what r gives, synced, if it is the attachment.
func (st *stage) copy(name string, r io.Reader, a record.Attachment) error {
	f, err := os.OpenFile(filepath.Join(st.dir, name), os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(f, h), io.LimitReader(r, a.Size+1))
	if err == nil && (n != a.Size || [sha256.Size]byte(h.Sum(nil)) != a.SHA256) {
		err = fmt.Errorf("%s: %w", a.Name, errChanged)
	}
	return errors.Join(err, f.Sync(), f.Close())
}

// commit gives the folder its name and lets its lock go.
func (st *stage) commit() error {
	if err := st.rename(); err != nil {
		return err
	}
	if err := syncDir(st.parent); err != nil {
		return err
	}
	st.kept = true
	return st.lock.Close()
}

// keepLock commits the folder and keeps its lock held.
func (st *stage) keepLock() (*os.File, error) {
	if err := st.rename(); err != nil {
		return nil, err
	}
	if !renamesOpenFiles {
		lock, err := tryLock(filepath.Join(st.dir, "lock"), os.O_RDWR)
		if err != nil || lock == nil {
			st.kept = true // by another process
			return nil, errors.Join(errors.New("the run's folder was taken by another process"), err)
		}
		st.lock = lock
	}
	if err := syncDir(st.parent); err != nil {
		return nil, err
	}
	st.kept = true
	return st.lock, nil
}

func (st *stage) rename() error {
	if err := syncDir(st.dir); err != nil {
		return err
	}
	if !renamesOpenFiles {
		st.lock.Close()
	}
	to := filepath.Join(st.parent, st.name)
	if err := os.Rename(st.dir, to); err != nil {
		return err
	}
	st.dir = to
	return nil
}

// abandon removes what was not committed, even if it has its name already.
func (st *stage) abandon() {
	if st.kept {
		return
	}
	hidden := filepath.Join(st.parent, "."+st.name)
	if st.dir == filepath.Join(st.parent, st.name) && os.Rename(st.dir, hidden) == nil {
		st.dir = hidden
	}
	st.lock.Close()
	os.RemoveAll(st.dir)
}
