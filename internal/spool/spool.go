package spool

import (
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
)

// Spool is the folder of one rig's undelivered runs. Its methods may be called
// at the same time, Limit before them.
type Spool struct {
	dir    string
	limits Limits // zero without

	mu    sync.Mutex
	key   ed25519.PrivateKey // of the rig, with limits
	spent map[string]bool    // runs that are found to have nothing left to be thinned
}

// Open makes the folder where needed and sweeps away what a crash left
// unfinished. More than one process may have the same spool open.
func Open(dir string) (*Spool, error) {
	s := &Spool{dir: dir, spent: map[string]bool{}}
	for _, d := range []string{"open", "ready", "receipts"} {
		if err := makeDir(s.path(d)); err != nil {
			return nil, fault.New("open spool", dir, err)
		}
	}
	if err := s.sweep(); err != nil {
		return nil, fault.New("open spool", dir, err)
	}
	return s, nil
}

func (s *Spool) path(elem ...string) string {
	return filepath.Join(append([]string{s.dir}, elem...)...)
}

// alone keeps other processes from beginning something unfinished, and from
// sweeping, until free is called.
func (s *Spool) alone() (free func(), err error) {
	f, err := waitLock(s.path("lock"))
	if err != nil {
		return nil, err
	}
	return func() { f.Close() }, nil
}

// sweep removes what processes that are gone left unfinished. What cannot be
// removed hinders nobody and is tried again the next time.
func (s *Spool) sweep() error {
	free, err := s.alone()
	if err != nil {
		return err
	}
	defer free()
	s.sweepLogs()
	for _, sub := range []string{"open", "ready", "receipts"} {
		names, err := os.ReadDir(s.path(sub))
		if err != nil {
			return err
		}
		for _, n := range names {
			if strings.HasPrefix(n.Name(), ".") {
				s.sweepOne(s.path(sub, n.Name()))
			} else if sub == "ready" {
				s.sweepRun(n.Name())
			}
		}
	}
	return nil
}

func (s *Spool) sweepOne(path string) {
	lock, err := tryLock(filepath.Join(path, "lock"), os.O_RDWR)
	switch {
	case lock != nil && renamesOpenFiles:
		defer lock.Close()
	case lock != nil:
		lock.Close()
	case err == nil:
		return // its process still works on it
	}
	// Without a lock it is half removed already, or a receipt half written.
	os.RemoveAll(path)
}

// Item is a finished run that waits for its receipt.
type Item struct {
	ID          string
	Destination string // "embedded" or HOST:PORT; it is delivered nowhere else by itself
	Signed      record.Signed
	Attachments []record.Attachment
	Demand      *Demand // nil when none was made for it
	Held        *Held   // nil unless a collector has kept it and it is held
	dir         string
}

// Embedded is the destination of runs kept in the archive on the rig itself.
const Embedded = "embedded"

type itemFile struct {
	Destination string              `json:"destination"`
	PublicKey   []byte              `json:"public_key"`
	Signature   []byte              `json:"signature"`
	Attachments []record.Attachment `json:"attachments"`
	Demand      *Demand             `json:"demand,omitempty"`
	Thinned     *thinned            `json:"thinned,omitempty"`
}

// Put stores a finished run. When it returns nil the run survives any crash.
// On an error, a full disk among them, nothing of it is left behind. Parts are
// in the order of the item's attachments and must be what those say. Putting a
// run that is already there or already has a receipt does nothing.
func (s *Spool) Put(it Item, parts []func() (io.ReadCloser, error)) error {
	if !record.ValidID(it.ID) || len(parts) != len(it.Attachments) {
		return fault.New("spool run", it.ID, errors.New("no such run id, or attachments are missing"))
	}
	err := s.put(it, parts)
	for full(err) && s.ease() {
		err = s.put(it, parts)
	}
	if s.has(it.ID) { // before, or put by another process meanwhile
		err = syncDir(s.path("ready"))
	}
	switch {
	case err == nil:
		s.shrink()
		return nil
	case errors.Is(err, errChanged):
		return fault.New("spool run", it.ID, err).WithHint("something still writes to the file; record the run again from what it is now")
	}
	return fault.New("spool run", it.ID, err).WithHint("make room on the disk that holds the spool; nothing that was spooled before is lost")
}

func (s *Spool) put(it Item, parts []func() (io.ReadCloser, error)) error {
	if s.has(it.ID) {
		return nil
	}
	meta, err := json.Marshal(itemFile{it.Destination, it.Signed.PublicKey, it.Signed.Signature, it.Attachments, it.Demand, nil})
	if err != nil {
		return err
	}
	stage, err := s.newStage("ready", it.ID)
	if err != nil {
		return err
	}
	defer stage.abandon()
	if err := errors.Join(stage.write("record", it.Signed.Bytes), stage.write("item.json", meta), stage.write("reserve", make([]byte, reserved))); err != nil {
		return err
	}
	for i, open := range parts {
		r, err := open()
		if err == nil {
			err = stage.copy(partName(i), r, it.Attachments[i])
			r.Close()
		}
		if err != nil {
			return err
		}
	}
	if err := s.noteLogs(it); err != nil { // before the draft ends: see Awaits
		return err
	}
	return stage.commit()
}

func partName(i int) string { return fmt.Sprintf("part-%d", i) }

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
		it, err := s.Load(n.Name())
		switch {
		case errors.Is(err, ErrGone):
		case err != nil:
			bad = append(bad, err)
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
	it, _, err := s.loadFile(id)
	return it, err
}

// loadFile reads a run that waits. One that is thinned meanwhile is read again.
func (s *Spool) loadFile(id string) (it Item, f itemFile, err error) {
	it = Item{ID: id, dir: s.path("ready", id)}
	for range 8 {
		var b []byte
		if b, err = os.ReadFile(filepath.Join(it.dir, "item.json")); err != nil {
			return it, f, err
		}
		if f = (itemFile{}); json.Unmarshal(b, &f) != nil {
			return it, f, fmt.Errorf("item.json: %w", json.Unmarshal(b, &f))
		}
		it.Signed = record.Signed{PublicKey: f.PublicKey, Signature: f.Signature}
		if it.Signed.Bytes, err = os.ReadFile(filepath.Join(it.dir, f.recordName())); !errors.Is(err, fs.ErrNotExist) {
			break
		}
	}
	if err != nil {
		return it, f, err
	}
	it.Destination, it.Attachments, it.Demand, it.Held = f.Destination, f.Attachments, f.Demand, s.held(id)
	if err := it.Signed.Verify(); err != nil {
		return it, f, err
	}
	return it, f, it.checkParts()
}

// checkParts looks whether each attachment is there in its length.
func (it Item) checkParts() error {
	for i, a := range it.Attachments {
		info, err := os.Stat(filepath.Join(it.dir, partName(i)))
		if err != nil {
			return err
		}
		if info.Size() != a.Size {
			return fmt.Errorf("%s, attachment %s, has %d bytes, not %d", partName(i), a.Name, info.Size(), a.Size)
		}
	}
	return nil
}

// Part opens attachment i.
func (it Item) Part(i int) (io.ReadCloser, error) {
	return os.Open(filepath.Join(it.dir, partName(i)))
}

// Done keeps the receipt and lets the run go. It needs no room on the disk, so
// that a spool which has filled it can empty itself.
func (s *Spool) Done(id string, receipt []byte) error {
	if err := s.keepReceipt(id, receipt); err != nil {
		return fault.New("keep receipt", id, err).WithHint("the run stays spooled and is offered again; the collector keeps it once")
	}
	s.forget(id)
	gone := s.path("ready", "."+id)
	if err := os.Rename(s.path("ready", id), gone); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fault.New("let run go", id, err)
	}
	if err := os.RemoveAll(gone); err != nil {
		return fault.New("let run go", id, err)
	}
	return nil
}

// reserved is the room that Put sets aside for a receipt; one of a trail of a
// million entries takes about 3 KiB.
const reserved = 8 << 10

// keepReceipt writes the receipt over the room set aside for it.
func (s *Spool) keepReceipt(id string, receipt []byte) error {
	free, err := s.alone()
	if err != nil {
		return err
	}
	defer free()
	f, err := os.OpenFile(s.path("ready", id, "offered"), os.O_WRONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		f, err = os.OpenFile(s.path("ready", id, "reserve"), os.O_WRONLY, 0)
	}
	if errors.Is(err, fs.ErrNotExist) {
		if exists(s.path("receipts", id+".json")) {
			return nil // kept before, by a process that was killed then or one beside this
		}
		return writeFile(s.path("receipts"), id+".json", receipt)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(receipt)
	if err == nil {
		err = f.Truncate(int64(len(receipt)))
	}
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), s.path("receipts", id+".json")); err != nil {
		return err
	}
	return syncDir(s.path("receipts"))
}

// Receipt returns the kept receipt of a delivered run.
func (s *Spool) Receipt(id string) ([]byte, error) {
	return os.ReadFile(s.path("receipts", id+".json"))
}
