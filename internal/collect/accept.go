package collect

import (
	"errors"
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
// new one. Nobody may follow into the folder meanwhile.
func AcceptSource(dir, name, by, why string) (a Accepted, err error) {
	alone, err := holdCopy(dir)
	if err != nil {
		return a, err
	}
	defer func() { err = errors.Join(err, alone()) }()
	seen, err := audit.Open(filepath.Join(dir, sourceDir), time.Now)
	if err != nil {
		return a, err
	}
	if a.Alarm, err = seen.Find(name); err != nil {
		return a, fault.New("accept", name, err).WithHint("an alarm's name is in what collector follow said, and that of its folder in " + filepath.Join(dir, sourceDir, "alarms"))
	}
	refused, err := seen.Refuses(a.Alarm)
	if err == nil && refused {
		a.Aside, err = setAside(dir, a.Name, &alone)
	}
	if err != nil {
		return a, fault.New("set copy aside", dir, err).WithHint("nothing is accepted; the alarm stays open")
	}
	a.Alarm, err = seen.Accept(a.Name, by, why)
	return a, err
}

// holdCopy keeps everybody else from the copy until it is let go.
func holdCopy(dir string) (letGo func() error, err error) {
	path := filepath.Join(dir, ArchiveFile)
	if _, err := os.Stat(filepath.Join(dir, keyFile)); err == nil {
		return nil, fault.New("accept", dir, errors.New("the archive there is no copy: it has a trail of its own"))
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return func() error { return nil }, nil // set aside before
	}
	a, err := archive.OpenFollowing(path, "", nil, archive.Options{Now: time.Now, Wait: 2 * time.Second})
	if errors.Is(err, archive.ErrBusy) {
		return nil, fault.New("accept", dir, err).WithHint("stop its collector follow first; the copy is not set aside under who reads it")
	}
	if err != nil {
		return nil, err
	}
	return a.Close, nil
}

// setAside moves the copy away; it is closed for that.
func setAside(dir, name string, alone *func() error) (aside string, err error) {
	if err := (*alone)(); err != nil {
		return "", err
	}
	*alone = func() error { return nil }
	path := filepath.Join(dir, ArchiveFile)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	aside = filepath.Join(dir, asideDir, name)
	if err := durable.MakeDir(aside); err != nil {
		return "", err
	}
	if err := os.Rename(path, filepath.Join(aside, ArchiveFile)); err != nil {
		return "", err
	}
	return aside, errors.Join(durable.SyncDir(aside), durable.SyncDir(dir))
}
