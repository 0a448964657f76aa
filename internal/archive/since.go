package archive

import (
	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/trail"
)

// keysSince gives the keys that have signed the trail up to its head, with since when.
func (a *Archive) keysSince(tx *bolt.Tx) ([]trail.KeySince, error) {
	line, err := a.line(tx)
	if err != nil {
		return nil, err
	}
	out := []trail.KeySince{{Key: line.Present()}}
	for i, e := range line.Earlier() {
		out[i].Key = e.Key
		leaf := tx.Bucket(bLeaves).Get(number(e.Last))
		if leaf == nil {
			break // a copy has not come to it
		}
		said, err := trail.ParseEntry(leaf)
		if err != nil {
			return nil, err
		}
		out = append(out, trail.KeySince{Key: line.Present(), Entry: e.Last, At: said.At, Word: e.Word})
	}
	return out, nil
}
