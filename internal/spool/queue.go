package spool

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"slices"
	"strings"

	"witnessmark/internal/fault"
)

// Queued is a finished run that waits, without what it holds.
type Queued struct {
	ID          string
	Destination string
	Demand      *Demand // nil when none was made for it
	Held        *Held   // nil unless it was kept and is held
}

// ErrGone is returned for a run that another process has delivered meanwhile.
var ErrGone = errors.New("the run was delivered meanwhile")

// Queue lists the runs that wait, oldest id first, as Pending does, but reads of
// each only where it is to go.
func (s *Spool) Queue() ([]Queued, error) {
	names, err := os.ReadDir(s.path("ready"))
	if err != nil {
		return nil, fault.New("list spool", s.dir, err)
	}
	var out []Queued
	var bad []error
	for _, n := range names {
		if strings.HasPrefix(n.Name(), ".") {
			continue
		}
		var f struct {
			Destination string  `json:"destination"`
			Demand      *Demand `json:"demand"`
		}
		b, err := os.ReadFile(s.path("ready", n.Name(), "item.json"))
		if err == nil {
			err = json.Unmarshal(b, &f)
		}
		switch {
		case errors.Is(err, fs.ErrNotExist) && !exists(s.path("ready", n.Name())): // delivered this moment
		case err != nil:
			bad = append(bad, s.damaged(n.Name(), err))
		default:
			out = append(out, Queued{n.Name(), f.Destination, f.Demand, s.held(n.Name())})
		}
	}
	slices.SortFunc(out, func(a, b Queued) int { return strings.Compare(a.ID, b.ID) })
	return out, errors.Join(bad...)
}

// Load reads a run that waits; the error is ErrGone when it waits no longer.
func (s *Spool) Load(id string) (Item, error) {
	it, err := s.load(id)
	switch {
	case err == nil:
		return it, nil
	case errors.Is(err, fs.ErrNotExist) && !exists(s.path("ready", id)):
		return it, ErrGone
	}
	return it, s.damaged(id, err)
}

func (s *Spool) damaged(id string, err error) error {
	return fault.New("read spooled run", s.path("ready", id), err).WithHint("the folder is kept as it is; look at its files")
}
