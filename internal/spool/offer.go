package spool

import (
	"errors"
	"io/fs"
	"os"

	"witnessmark/internal/fault"
)

// Offer marks a run as offered to a collector and gives it as it is to be sent:
// from then on its record is never changed, as the collector may have kept it
// even if no receipt comes. It is called before every delivery, and needs no room
// on the disk. A run that another process has delivered meanwhile is
// fs.ErrNotExist.
func (s *Spool) Offer(id string) (Item, error) {
	it, err := s.offer(id)
	if err != nil {
		return it, fault.New("offer run", id, err).WithHint("the run stays in the spool as it is")
	}
	return it, nil
}

func (s *Spool) offer(id string) (Item, error) {
	free, err := s.alone()
	if err != nil {
		return Item{}, err
	}
	defer free()
	if !s.offered(id) {
		// The room for the receipt is the mark, by another name.
		err = os.Rename(s.path("ready", id, "reserve"), s.path("ready", id, "offered"))
		if errors.Is(err, fs.ErrNotExist) { // spooled before there was such room
			err = writeFile(s.path("ready", id), "offered", nil)
		}
		if err != nil {
			return Item{}, err
		}
	}
	if err := syncDir(s.path("ready", id)); err != nil {
		return Item{}, err
	}
	return s.load(id)
}

// offered says whether the run was; one that was killed before it let a delivered
// run go has made the mark its receipt.
func (s *Spool) offered(id string) bool {
	return exists(s.path("ready", id, "offered")) || exists(s.path("receipts", id+".json"))
}
