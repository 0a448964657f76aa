package collect

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
)

// asideDir holds copies that were given up, each in a folder named for its alarm.
const asideDir = "aside"

// Accepted is an alarm over a source's trail that somebody explained.
type Accepted struct {
	audit.Alarm
	Aside string `json:"aside,omitempty"` // the folder of the copy that was set aside; "" when it goes on
}

// AcceptSource closes an alarm over the trail that the copy in a folder follows. A
// copy cannot go on with another trail than its own: while the source still shows
// what was refused, the copy is set aside, as it is, and the next Follow begins a
// new one. It goes on where all that is new is a key that came in the place of a lost
// one. Nobody may follow into the folder meanwhile.
func AcceptSource(dir, name, by, why string) (a Accepted, err error) {
	held, err := holdCopy(dir)
	if err != nil {
		return a, err
	}
	defer func() { err = errors.Join(err, held.Close()) }()
	seen := audit.At(filepath.Join(dir, sourceDir), time.Now)
	if a.Alarm, err = seen.Find(name); err != nil {
		return a, fault.New("accept", name, err).WithHint("an alarm's name is in what collector follow said, and that of its folder in " + filepath.Join(dir, sourceDir, "alarms"))
	}
	refused, err := seen.Refuses(a.Alarm)
	if err == nil && refused && !held.believes(a.Alarm) {
		a.Aside, err = held.setAside(a.Name)
	}
	if err != nil {
		return a, fault.New("set copy aside", dir, err).WithHint("nothing is accepted; the alarm stays open")
	}
	a.Alarm, err = seen.Accept(a.Name, by, why)
	return a, err
}

// heldCopy is a copy that is kept from everybody else; one that was set aside before
// has no archive.
type heldCopy struct {
	dir string
	*archive.Archive
}

func holdCopy(dir string) (h *heldCopy, err error) {
	path := filepath.Join(dir, ArchiveFile)
	if _, err := os.Stat(filepath.Join(dir, keyFile)); err == nil {
		return nil, fault.New("accept", dir, errors.New("the archive there is no copy: it has a trail of its own")).
			WithHint("name the folder of the copy with --data DIR")
	}
	h = &heldCopy{dir: dir}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return h, nil
	}
	h.Archive, err = openCopy(path, "", nil)
	switch {
	case errors.Is(err, archive.ErrBusy):
		err = fault.New("accept", dir, err).WithHint("stop its collector follow first; the copy is not set aside under who reads it")
	case errors.Is(err, archive.ErrNotBegun):
		err = nil
	}
	return h, err
}

// Close lets the copy go.
func (h *heldCopy) Close() error {
	if h.Archive == nil {
		return nil
	}
	a := h.Archive
	h.Archive = nil
	return a.Close()
}

// believes takes the keys that the source has shown with an alarm, and says whether
// the copy goes on by them.
func (h *heldCopy) believes(al audit.Alarm) bool {
	if h.Archive == nil || len(al.Keys) == 0 {
		return false
	}
	var notes [][]byte
	for _, n := range al.Keys {
		notes = append(notes, []byte(n))
	}
	line, err := h.Line()
	if err == nil && line.Present() != al.Now.Key { // which it is where that was said before
		err = h.Believe(notes...)
	}
	return err == nil
}

// setAside moves the copy away; it is closed for that.
func (h *heldCopy) setAside(name string) (aside string, err error) {
	if err := h.Close(); err != nil {
		return "", err
	}
	path := filepath.Join(h.dir, ArchiveFile)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	base := filepath.Join(h.dir, asideDir, name)
	for n := 2; aside == ""; n++ {
		if _, err := os.Lstat(filepath.Join(base, ArchiveFile)); errors.Is(err, fs.ErrNotExist) {
			aside = base
		} else if err != nil {
			return "", err
		}
		base = filepath.Join(h.dir, asideDir, fmt.Sprintf("%s-%d", name, n)) // one of before stays
	}
	if err := durable.MakeDir(aside); err != nil {
		return "", err
	}
	if err := os.Rename(path, filepath.Join(aside, ArchiveFile)); err != nil {
		return "", err
	}
	return aside, errors.Join(durable.SyncDir(aside), durable.SyncDir(h.dir))
}
