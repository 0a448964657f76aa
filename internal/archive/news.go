package archive

import (
	"bytes"
	"crypto/sha256"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
)

// MostNews is how many pieces of news are kept; older ones go.
const MostNews = 4096

// Piece is one piece of news about a rig's latest state.
type Piece struct {
	Number int64
	Data   []byte
}

// addNews numbers the pieces and lets the oldest go.
func addNews(tx *bolt.Tx, pieces [][]byte) error {
	b := tx.Bucket(bNews)
	for _, p := range pieces {
		n, err := b.NextSequence()
		if err != nil {
			return err
		}
		sum := newsSum(int64(n), p)
		if err := b.Put(number(int64(n)), append(sum[:], p...)); err != nil {
			return err
		}
	}
	c := b.Cursor()
	for k, _ := c.First(); k != nil && numberOf(k)+MostNews <= int64(b.Sequence()); k, _ = c.First() {
		if err := c.Delete(); err != nil {
			return err
		}
	}
	return nil
}

// newsSum binds a piece to its number.
func newsSum(n int64, piece []byte) [sha256.Size]byte {
	return sha256.Sum256(append(number(n), piece...))
}

func newsOf(k, v []byte) (Piece, error) {
	p := Piece{Number: numberOf(k)}
	if len(v) < sha256.Size {
		return p, errBeat
	}
	if sum := newsSum(p.Number, v[sha256.Size:]); !bytes.Equal(sum[:], v[:sha256.Size]) {
		return p, errBeat
	}
	p.Data = bytes.Clone(v[sha256.Size:])
	return p, nil
}

// News gives the pieces from a number on, no more than a page of them, and the
// number that the next one will have. Where the first ones are no longer kept it
// begins later.
func (a *Archive) News(from int64) (page []Piece, next int64, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		b := tx.Bucket(bNews)
		if b == nil {
			next = 1
			return nil
		}
		next = int64(b.Sequence()) + 1
		c := b.Cursor()
		for k, v := c.Seek(number(max(from, 0))); k != nil && len(page) < a.pageRows; k, v = c.Next() {
			p, err := newsOf(k, v)
			if err != nil {
				return fmt.Errorf("number %d: %w", numberOf(k), err)
			}
			page = append(page, p)
		}
		return nil
	})
	if err != nil {
		return nil, next, fault.New("read news of rigs", "", err)
	}
	return page, next, nil
}

// news holds each piece against its hash, and the numbers against the count.
func (c *check) news() {
	b := c.tx.Bucket(bNews)
	if b == nil {
		return
	}
	want := max(1, int64(b.Sequence())-MostNews+1)
	c.each(bNews, func(k, v []byte) {
		n := numberOf(k)
		if _, err := newsOf(k, v); err != nil {
			c.wrong(fmt.Sprintf("news %d", n), "%v", err)
		}
		if n != want {
			c.wrong("news", "number %d stands where %d should", n, want)
		}
		want = n + 1
	})
	if want != int64(b.Sequence())+1 {
		c.wrong("news", "the last is number %d, and %d were counted", want-1, b.Sequence())
	}
}
