package spool

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
)

// Draft is a run that has begun and is not yet spooled. While its process lives
// it holds the lock; when the process dies, Orphans gives the draft to the next.
type Draft struct {
	ID          string
	Destination string
	Files       []DraftFile
	Demand      *Demand // nil when none is made for it
	spool       *Spool
	lock        *os.File
}

// DraftFile says where a file of the run will be found, should the agent die
// before it has copied it.
type DraftFile struct {
	Path string `json:"path"` // absolute; "" for the output, which is in the draft itself
	Name string `json:"name"` // of the attachment
	Kind string `json:"kind"`
	How  []byte `json:"how,omitempty"` // how it is read, for whoever finishes the run
}

type draftFile struct {
	Destination string      `json:"destination"`
	Files       []DraftFile `json:"files"`
	Demand      *Demand     `json:"demand,omitempty"`
}

// Begin stores the record of a run that is about to start, as it is to be told
// if nothing more is ever heard of it. It fails with ErrFull when there is no room
// for another.
func (s *Spool) Begin(id, destination string, sofar []byte, files []DraftFile, demand *Demand) (*Draft, error) {
	if !record.ValidID(id) {
		return nil, fault.New("begin run", id, errors.New("not a run id"))
	}
	if err := s.Room(); err != nil {
		return nil, err
	}
	meta, err := json.Marshal(draftFile{destination, files, demand})
	if err != nil {
		return nil, fault.New("begin run", id, err)
	}
	stage, err := s.newStage("open", id)
	if err != nil {
		return nil, fault.New("begin run", id, err)
	}
	defer stage.abandon()
	if err := errors.Join(stage.write("draft", sofar), stage.write("draft.json", meta), stage.write("reserve", make([]byte, draftReserve))); err != nil {
		return nil, fault.New("begin run", id, err).WithHint("make room on the disk that holds the spool before the run starts")
	}
	lock, err := stage.keepLock()
	if err != nil {
		return nil, fault.New("begin run", id, err)
	}
	return &Draft{ID: id, Destination: destination, Files: files, Demand: demand, spool: s, lock: lock}, nil
}

func (d *Draft) dir() string { return d.spool.path("open", d.ID) }

// draftReserve is set aside when a run begins, so that what is known at its end
// can be stored even if the disk was filled meanwhile: two snapshots take about
// 40 KiB, and signals can be thinned.
const draftReserve = 128 << 10

// Update replaces the record so far. On a full disk it takes the room that was set
// aside; an error that Full tells as such says that even that is too little.
func (d *Draft) Update(sofar []byte) error {
	err := writeFile(d.dir(), "draft", sofar)
	if full(err) {
		os.Remove(filepath.Join(d.dir(), "reserve"))
		err = writeFile(d.dir(), "draft", sofar)
	}
	if err != nil {
		return fault.New("update run", d.ID, err)
	}
	return nil
}

// SoFar returns the record so far.
func (d *Draft) SoFar() ([]byte, error) {
	b, err := os.ReadFile(filepath.Join(d.dir(), "draft"))
	if err != nil {
		return nil, fault.New("read draft", d.ID, err)
	}
	return b, nil
}

// Updated is when the record so far was stored, by the clock that also tells when
// other files were written.
func (d *Draft) Updated() (time.Time, error) {
	info, err := os.Stat(filepath.Join(d.dir(), "draft"))
	if err != nil {
		return time.Time{}, fault.New("read draft", d.ID, err)
	}
	return info.ModTime(), nil
}

// Full says whether an error is that of a disk without room.
func Full(err error) bool { return full(err) }

// End removes the draft, once its run is spooled or delivered.
func (d *Draft) End() error {
	gone := d.spool.path("open", "."+d.ID)
	if !renamesOpenFiles {
		d.lock.Close()
	}
	err := os.Rename(d.dir(), gone)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fault.New("end draft", d.ID, err)
	}
	d.lock.Close()
	if err := os.RemoveAll(gone); err != nil {
		return fault.New("end draft", d.ID, err)
	}
	return nil
}

// Release gives the draft up as a dying process would.
func (d *Draft) Release() { d.lock.Close() }

// Orphans takes over the drafts of processes that died. Drafts of runs that
// are already spooled or delivered are removed on the way.
func (s *Spool) Orphans() ([]*Draft, error) {
	names, err := os.ReadDir(s.path("open"))
	if err != nil {
		return nil, fault.New("list drafts", s.dir, err)
	}
	var drafts []*Draft
	var bad []error
	for _, n := range names {
		if strings.HasPrefix(n.Name(), ".") {
			continue
		}
		d, err := s.adopt(n.Name())
		switch {
		case err != nil:
			bad = append(bad, err)
		case d == nil:
		case s.has(d.ID):
			bad = append(bad, d.End())
		default:
			drafts = append(drafts, d)
		}
	}
	return drafts, errors.Join(bad...)
}

// adopt locks a draft; nil without an error says that its process lives or that
// it went this moment.
func (s *Spool) adopt(id string) (*Draft, error) {
	d := &Draft{ID: id, spool: s}
	lock, err := tryLock(filepath.Join(d.dir(), "lock"), os.O_CREATE|os.O_RDWR)
	if errors.Is(err, fs.ErrNotExist) || (err == nil && lock == nil) {
		return nil, nil
	}
	if err != nil {
		return nil, fault.New("take over run", id, err)
	}
	d.lock = lock
	b, err := os.ReadFile(filepath.Join(d.dir(), "draft.json"))
	if errors.Is(err, fs.ErrNotExist) && !exists(filepath.Join(d.dir(), "draft")) {
		lock.Close()
		return nil, nil // ended between our listing and our lock
	}
	var f draftFile
	if err == nil {
		err = json.Unmarshal(b, &f)
	}
	if err != nil {
		lock.Close()
		return nil, fault.New("take over run", id, fmt.Errorf("draft.json: %w", err)).WithHint("the folder is kept as it is; look at its files")
	}
	d.Destination, d.Files, d.Demand = f.Destination, f.Files, f.Demand
	return d, nil
}

// OutputPath is where the workload's output is written while it runs.
func (d *Draft) OutputPath() string { return filepath.Join(d.dir(), "output") }

// CreateOutput makes the file for the workload's output.
func (d *Draft) CreateOutput() (*os.File, error) {
	f, err := os.OpenFile(d.OutputPath(), os.O_CREATE|os.O_WRONLY|os.O_TRUNC|os.O_APPEND, 0o600)
	if err != nil {
		return nil, fault.New("begin run", d.ID, err)
	}
	return f, nil
}
