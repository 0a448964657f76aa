package spool

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"witnessmark/internal/fault"
)

// Demand says what must come to pass before a run that a collector has kept is let
// go: so many of those witnesses have signed a trail with its entry. It lies beside
// the run from its beginning on, so that whoever delivers it goes by it.
type Demand struct {
	Witnesses []string      `json:"witnesses"` // their keys
	Need      int           `json:"need"`
	Within    time.Duration `json:"within_ns"` // after so long it is told of
}

// Held says that a collector has kept a run, and what it is held by.
type Held struct {
	Index int64     `json:"index"` // its entry
	Since time.Time `json:"since"` // it was kept
	Demand
}

type heldFile struct {
	Held *Held `json:"held"`
}

// Hold marks a run that was offered as kept and held. It needs no room on the disk:
// it is written over the room set aside for the receipt. One that a power cut tears
// is none, and the run is offered again.
func (s *Spool) Hold(id string, h Held) error {
	if err := s.hold(id, h); err != nil {
		return fault.New("hold run", id, err).WithHint("the run stays spooled and is offered again; the collector keeps it once")
	}
	return nil
}

func (s *Spool) hold(id string, h Held) error {
	line, err := json.Marshal(heldFile{&h})
	if err != nil {
		return err
	}
	if line = append(line, '\n'); len(line) > reserved {
		return fmt.Errorf("the demand of %d witnesses has %d bytes, and %d are set aside for it", len(h.Witnesses), len(line), reserved)
	}
	free, err := s.alone()
	if err != nil {
		return err
	}
	defer free()
	f, err := os.OpenFile(s.path("ready", id, "offered"), os.O_WRONLY, 0)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) && exists(s.path("receipts", id+".json")) {
			return nil // another process has let it go
		}
		return err
	}
	_, err = f.WriteAt(line, 0)
	return errors.Join(err, f.Sync(), f.Close())
}

// held reads the mark of a run that is held; nil for any other.
func (s *Spool) held(id string) *Held {
	b, err := os.ReadFile(s.path("ready", id, "offered"))
	if err != nil {
		return nil
	}
	line, _, whole := bytes.Cut(b, []byte("\n"))
	var h heldFile
	if !whole || json.Unmarshal(line, &h) != nil {
		return nil
	}
	return h.Held
}
