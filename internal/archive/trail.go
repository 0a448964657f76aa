package archive

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Head returns the trail's head and its signed note.
func (a *Archive) Head() (head trail.Head, signed []byte, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		signed = bytes.Clone(tx.Bucket(bTrail).Get(kHead))
		head, err = a.head(tx)
		return err
	})
	if err != nil {
		return head, nil, fault.New("read head", "", err)
	}
	return head, signed, nil
}

// Seen is a head that somebody says this trail had once.
type Seen struct {
	Head   trail.Head
	Signed bool // by a key of this trail; without it the rest is empty
	// Ours says whether this trail has that head. One that is signed and not ours
	// says that it was cut back or written anew.
	Ours bool
	// Instead is the head over as many entries that this trail has in the place of
	// one that is not ours, signed; nil where it has fewer, or no key to sign with.
	Instead []byte
	// GivenUp says that a restore left it behind knowingly.
	GivenUp     bool
	Consistency []trail.Hash // from it to the present head
}

// Extends gives the present head, and how each head in seen, a signed note,
// belongs to it. Later are successions of the trail's key that are known from
// elsewhere: an archive that was put back may lack them.
func (a *Archive) Extends(seen [][]byte, later ...[]byte) (head trail.Head, signed []byte, out []Seen, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		signed = bytes.Clone(tx.Bucket(bTrail).Get(kHead))
		if head, err = a.head(tx); err != nil {
			return err
		}
		for _, msg := range seen {
			s, err := a.seen(tx, head, msg, later)
			if err != nil {
				return err
			}
			out = append(out, s)
		}
		return nil
	})
	if err != nil {
		return head, nil, nil, fault.New("read head", "", err)
	}
	return head, signed, out, nil
}

func (a *Archive) seen(tx *bolt.Tx, now trail.Head, msg []byte, later [][]byte) (s Seen, err error) {
	line, err := a.line(tx)
	if err != nil {
		return s, err
	}
	for _, n := range later {
		if x, err := trail.OpenSuccession(n); err == nil {
			if l, err := line.Follow(x); err == nil {
				line = l
			}
		}
	}
	if s.Head, err = trail.OpenHead(msg, line); err != nil {
		return a.leftBehind(tx, line, msg) // what others signed says nothing of this trail
	}
	s.Signed = true
	r := hashReader{tx}
	err = trail.ErrStore
	if s.Head.Size <= now.Size {
		err = trail.CheckStore(s.Head, r)
	}
	if errors.Is(err, trail.ErrStore) {
		if s.GivenUp, err = a.givenUp(tx, line, s.Head); err == nil && s.Head.Size <= now.Size {
			s.Instead, err = a.headAt(tx, s.Head.Size)
		}
		if errors.Is(err, ErrReadOnly) {
			err = nil
		}
		return s, err
	}
	if err != nil {
		return s, err
	}
	s.Ours = true
	s.Consistency, err = trail.ProveConsistency(s.Head.Size, now.Size, r)
	return s, err
}

// Consistency proves that the tree of size begins with all entries of the tree of
// older; nil for sizes that this trail does not have.
func (a *Archive) Consistency(older, size int64) (proof []trail.Hash, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		head, err := a.head(tx)
		if err != nil || older < 0 || older > size || size > head.Size {
			return err
		}
		proof, err = trail.ProveConsistency(older, size, hashReader{tx})
		return err
	})
	if err != nil {
		return nil, fault.New("prove trail", "", err)
	}
	return proof, nil
}

// Entry gives the receipt of one entry of the trail under the present head.
func (a *Archive) Entry(index int64) (r trail.Receipt, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		head, err := a.head(tx)
		if err != nil {
			return err
		}
		leaf := bytes.Clone(tx.Bucket(bLeaves).Get(number(index)))
		if leaf == nil {
			return fmt.Errorf("%w: the trail has %d entries", ErrNotFound, head.Size)
		}
		r, err = trail.Issue(leaf, index, head, bytes.Clone(tx.Bucket(bTrail).Get(kHead)), hashReader{tx})
		return err
	})
	if err != nil {
		return r, fault.New("prove entry", fmt.Sprint(index), err)
	}
	return r, nil
}

// hashReader reads the stored tree within a transaction.
type hashReader struct{ tx *bolt.Tx }

func (r hashReader) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	b := r.tx.Bucket(bTree)
	out := make([]tlog.Hash, len(indexes))
	for i, n := range indexes {
		h := b.Get(number(n))
		if len(h) != tlog.HashSize {
			return nil, fmt.Errorf("trail hash %d is missing or damaged", n)
		}
		out[i] = tlog.Hash(h)
	}
	return out, nil
}

// VerifierKey is the public key that signs the archive's trail now, as others
// configure it.
func (a *Archive) VerifierKey() (key string) {
	err := a.view(func(tx *bolt.Tx) error { key = a.keyIn(tx); return nil })
	if err != nil {
		return a.key
	}
	return key
}

func (a *Archive) keyIn(tx *bolt.Tx) string {
	if l, err := a.line(tx); err == nil {
		return l.Present()
	}
	return a.key
}

// Copy writes a consistent copy of the whole file to the writer that begin gives
// for its size and the key that signs its trail.
func (a *Archive) Copy(begin func(size int64, verifierKey string) (io.Writer, error)) error {
	return a.view(func(tx *bolt.Tx) error {
		w, err := begin(tx.Size(), a.keyIn(tx))
		if err == nil {
			_, err = tx.WriteTo(w)
		}
		return err
	})
}
