package spool

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
)

// Spool is the folder of one rig's undelivered runs.
type Spool struct{ dir string }

// Open makes the folder where needed and sweeps away what a crash left
// unfinished. More than one process may have the same spool open.
func Open(dir string) (*Spool, error) {
	s := &Spool{dir}
	for _, d := range []string{"open", "ready", "receipts"} {
		if err := os.MkdirAll(s.path(d), 0o700); err != nil {
			return nil, fault.New("open spool", dir, err)
		}
	}
	for _, d := range []string{"open", "ready"} {
		if err := s.sweep(d); err != nil {
			return nil, fault.New("open spool", dir, err)
		}
	}
	return s, nil
}

func (s *Spool) path(elem ...string) string {
	return filepath.Join(append([]string{s.dir}, elem...)...)
}

// sweep removes the unfinished folders of processes that are gone.
func (s *Spool) sweep(sub string) error {
	names, err := os.ReadDir(s.path(sub))
	if err != nil {
		return err
	}
	for _, n := range names {
		if !strings.HasPrefix(n.Name(), ".") {
			continue
		}
		dir := s.path(sub, n.Name())
		free, err := tryLock(filepath.Join(dir, "lock"))
		if err != nil || free == nil {
			continue // its process still works on it, or it went this moment
		}
		free.Close()
		if err := os.RemoveAll(dir); err != nil {
			return err
		}
	}
	return nil
}

// Item is a finished run that waits for its receipt.
type Item struct {
	ID          string
	Destination string // "embedded" or HOST:PORT; it is delivered nowhere else by itself
	Signed      record.Signed
	Attachments []record.Attachment
	dir         string
}

// Embedded is the destination of runs kept in the archive on the rig itself.
const Embedded = "embedded"

type itemFile struct {
	Destination string              `json:"destination"`
	PublicKey   []byte              `json:"public_key"`
	Signature   []byte              `json:"signature"`
	Attachments []record.Attachment `json:"attachments"`
}

// Put stores a finished run. When it returns nil the run survives any crash.
// On an error, a full disk among them, nothing of it is left behind. Parts are
// in the order of the item's attachments. Putting a run that is already there
// or already has a receipt does nothing.
func (s *Spool) Put(it Item, parts []func() (io.ReadCloser, error)) error {
	if !record.ValidID(it.ID) || len(parts) != len(it.Attachments) {
		return fault.New("spool run", it.ID, errors.New("no such run id, or attachments are missing"))
	}
	if s.has(it.ID) {
		return nil
	}
	stage, err := newStage(s.path("ready"), it.ID)
	if err != nil {
		return putError(it.ID, err)
	}
	defer stage.abandon()
	meta, err := json.Marshal(itemFile{it.Destination, it.Signed.PublicKey, it.Signed.Signature, it.Attachments})
	if err != nil {
		return putError(it.ID, err)
	}
	if err := errors.Join(stage.write("record", it.Signed.Bytes), stage.write("item.json", meta)); err != nil {
		return putError(it.ID, err)
	}
	for i, open := range parts {
		r, err := open()
		if err == nil {
			err = stage.copy(fmt.Sprintf("part-%d", i), r, it.Attachments[i].Size)
			r.Close()
		}
		if err != nil {
			return putError(it.ID, err)
		}
	}
	if err := stage.commit(); err != nil && !s.has(it.ID) {
		return putError(it.ID, err)
	}
	return nil
}

func putError(id string, err error) error {
	return fault.New("spool run", id, err).WithHint("make room on the disk that holds the spool; nothing that was spooled before is lost")
}

// has says whether the run is spooled or has its receipt.
func (s *Spool) has(id string) bool {
	_, e1 := os.Lstat(s.path("ready", id))
	_, e2 := os.Lstat(s.path("receipts", id+".json"))
	return e1 == nil || e2 == nil
}

// Pending lists the runs that wait, oldest id first. Damaged items are left out
// and told of in the error; the others are listed all the same.
func (s *Spool) Pending() ([]Item, error) {
	names, err := os.ReadDir(s.path("ready"))
	if err != nil {
		return nil, fault.New("list spool", s.dir, err)
	}
	var items []Item
	var bad []error
	for _, n := range names {
		if strings.HasPrefix(n.Name(), ".") {
			continue
		}
		it, err := s.load(n.Name())
		switch {
		case errors.Is(err, fs.ErrNotExist) && !exists(s.path("ready", n.Name())): // delivered this moment
		case err != nil:
			bad = append(bad, fault.New("read spooled run", s.path("ready", n.Name()), err).WithHint("the folder is kept as it is; look at its files"))
		default:
			items = append(items, it)
		}
	}
	slices.SortFunc(items, func(a, b Item) int { return strings.Compare(a.ID, b.ID) })
	return items, errors.Join(bad...)
}

func exists(p string) bool {
	_, err := os.Lstat(p)
	return err == nil
}

func (s *Spool) load(id string) (Item, error) {
	it := Item{ID: id, dir: s.path("ready", id)}
	b, err := os.ReadFile(filepath.Join(it.dir, "item.json"))
	if err != nil {
		return it, err
	}
	var f itemFile
	if err := json.Unmarshal(b, &f); err != nil {
		return it, fmt.Errorf("item.json: %w", err)
	}
	it.Destination, it.Attachments = f.Destination, f.Attachments
	it.Signed = record.Signed{PublicKey: f.PublicKey, Signature: f.Signature}
	if it.Signed.Bytes, err = os.ReadFile(filepath.Join(it.dir, "record")); err != nil {
		return it, err
	}
	return it, it.Signed.Verify()
}

// Part opens attachment i.
func (it Item) Part(i int) (io.ReadCloser, error) {
	return os.Open(filepath.Join(it.dir, fmt.Sprintf("part-%d", i)))
}

// Done keeps the receipt and lets the run go.
func (s *Spool) Done(id string, receipt []byte) error {
	if err := writeFile(s.path("receipts"), id+".json", receipt); err != nil {
		return fault.New("keep receipt", id, err).WithHint("the run stays spooled and is offered again; the collector keeps it once")
	}
	gone := s.path("ready", "."+id)
	if err := os.Rename(s.path("ready", id), gone); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fault.New("let run go", id, err)
	}
	if err := os.RemoveAll(gone); err != nil {
		return fault.New("let run go", id, err)
	}
	return nil
}

// Receipt returns the kept receipt of a delivered run.
func (s *Spool) Receipt(id string) ([]byte, error) {
	return os.ReadFile(s.path("receipts", id+".json"))
}
