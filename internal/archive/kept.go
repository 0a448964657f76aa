package archive

import (
	"encoding/binary"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Kept yields the runs from a trail entry on, in the order in which they were
// kept, and returns the entry to go on from later. It reads in pages, as Runs
// does.
func (a *Archive) Kept(from int64, yield func(index int64, id string) error) (next int64, err error) {
	if from < 0 {
		from = 0
	}
	for {
		var found []keptRun
		more := false
		err := a.view(func(tx *bolt.Tx) error {
			c := tx.Bucket(bLeaves).Cursor()
			for k, leaf := c.Seek(number(from)); k != nil; k, leaf = c.Next() {
				if len(found) == a.pageRows {
					more = true
					return nil
				}
				e, err := trail.ParseEntry(leaf)
				if err != nil {
					return err
				}
				from = int64(binary.BigEndian.Uint64(k)) + 1
				if e.Kind == trail.KindRecord {
					found = append(found, keptRun{from - 1, e.Subject})
				}
			}
			return nil
		})
		if err != nil {
			return from, fault.New("list kept runs", "", err)
		}
		for _, r := range found {
			if err := yield(r.index, r.id); err != nil {
				return r.index, err
			}
		}
		if !more {
			return from, nil
		}
	}
}

type keptRun struct {
	index int64
	id    string
}
