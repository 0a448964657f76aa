package archive

import (
	"bytes"
	"crypto/sha256"
	"errors"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
)

// SetBeats keeps the latest state of rigs, by their names, in the place of what
// was kept of them before, and with it the news that it brings, in order. What a
// rig is like now is replaced all the time and proves nothing, so it is no entry
// of the trail; each state carries its hash.
func (a *Archive) SetBeats(states map[string][]byte, news [][]byte) error {
	if len(states) == 0 && len(news) == 0 {
		return nil
	}
	err := a.update(func(tx *bolt.Tx) error {
		b := tx.Bucket(bBeats)
		for name, state := range states {
			sum := beatSum(name, state)
			if err := b.Put([]byte(name), append(sum[:], state...)); err != nil {
				return err
			}
		}
		return addNews(tx, news)
	})
	if err != nil {
		return fault.New("keep beats", "", err)
	}
	return nil
}

func beatSum(name string, state []byte) [sha256.Size]byte {
	return sha256.Sum256(append(append([]byte(name), 0), state...))
}

var errBeat = errors.New("what is kept of its beats was altered")

// beat gives the state in a row of the bucket.
func beat(name, v []byte) ([]byte, error) {
	if len(v) < sha256.Size {
		return nil, errBeat
	}
	state := v[sha256.Size:]
	if sum := beatSum(string(name), state); !bytes.Equal(sum[:], v[:sha256.Size]) {
		return nil, errBeat
	}
	return state, nil
}

// Beats calls f with the latest state of each rig, or the error that it cannot be
// read. The bytes are its own only until f returns.
func (a *Archive) Beats(f func(name string, state []byte, err error)) error {
	err := a.view(func(tx *bolt.Tx) error {
		b := tx.Bucket(bBeats)
		if b == nil {
			return nil
		}
		return b.ForEach(func(k, v []byte) error {
			state, err := beat(k, v)
			f(string(k), state, err)
			return nil
		})
	})
	if err != nil {
		return fault.New("read beats", "", err)
	}
	return nil
}

func (c *check) beats() {
	c.each(bBeats, func(k, v []byte) {
		if _, err := beat(k, v); err != nil {
			c.wrong("beats of rig "+rowName(nil, k), "%v", err)
		}
	})
}
