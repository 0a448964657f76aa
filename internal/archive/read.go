package archive

import (
	"bytes"
	"cmp"
	"crypto/ed25519"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// Stored is one run as it was kept.
type Stored struct {
	ID      string
	Signed  record.Signed
	Summary []byte
	Receipt trail.Receipt
	// Retractions are the run's, oldest first.
	Retractions []Retraction
}

// Resolve finds the one run whose id is s, begins with s, or whose last part
// begins with s. More than one is an error that names some.
func (a *Archive) Resolve(s string) (string, error) {
	var found []string
	err := a.view(func(tx *bolt.Tx) error {
		if tx.Bucket(bRuns).Bucket([]byte(s)) != nil {
			found = []string{s}
			return nil
		}
		if s == "" {
			return nil
		}
		add := func(id string) bool {
			if !slices.Contains(found, id) {
				found = append(found, id)
			}
			return len(found) < 4
		}
		c := tx.Bucket(bRuns).Cursor()
		for k, _ := c.Seek([]byte(s)); k != nil && strings.HasPrefix(string(k), s) && add(string(k)); k, _ = c.Next() {
		}
		c = tx.Bucket(bTails).Cursor()
		for k, _ := c.Seek([]byte(s)); k != nil && strings.HasPrefix(string(k), s); k, _ = c.Next() {
			if _, id, ok := bytes.Cut(k, []byte{0}); ok && !add(string(id)) {
				break
			}
		}
		return nil
	})
	switch {
	case err != nil:
		return "", fault.New("find run", s, err)
	case len(found) == 0:
		return "", fault.New("find run", s, ErrNotFound).WithHint("list the runs with: collector runs")
	case len(found) > 1:
		return "", fault.New("find run", s, fmt.Errorf("%w: %s", ErrAmbiguous, strings.Join(found, ", "))).WithHint("give more letters of the id")
	}
	return found[0], nil
}

// Run returns a run by its whole id.
func (a *Archive) Run(id string) (Stored, error) {
	s := Stored{ID: id}
	var packed []byte // unpacked only after the transaction
	err := a.view(func(tx *bolt.Tx) (err error) {
		run, err := a.runIn(tx, id)
		if err != nil {
			return err
		}
		packed = bytes.Clone(run.Get([]byte("record")))
		s.Signed.PublicKey = ed25519.PublicKey(bytes.Clone(run.Get([]byte("public_key"))))
		s.Signed.Signature = bytes.Clone(run.Get([]byte("signature")))
		s.Summary = bytes.Clone(tx.Bucket(bSummary).Get(run.Get([]byte("at"))))
		if s.Retractions, err = retractionsOf(tx, id); err == nil {
			s.Receipt, err = a.receiptOf(tx, id)
		}
		return err
	})
	if err == nil {
		s.Signed.Bytes, err = a.unpacked(packed)
	}
	if err != nil {
		return Stored{}, unread("read run", id, err)
	}
	return s, nil
}

// ByHash returns the id of the run whose record has the hash.
func (a *Archive) ByHash(sum [32]byte) (id string, ok bool, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		id = string(tx.Bucket(bHashes).Get(sum[:]))
		return nil
	})
	return id, id != "", err
}

// Part returns an attachment byte for byte.
func (a *Archive) Part(id, name string) ([]byte, error) {
	b, err := a.joined(id, "parts", name)
	if err == nil {
		b, err = a.unpacked(b)
	}
	if err != nil {
		return nil, unread("read attachment", id+" "+name, err)
	}
	return b, nil
}

// mostUnpacked bounds what a value is unpacked to. A collector takes nothing larger
// (setup.MostBytes).
const mostUnpacked = 1 << 30

// unpacked gives a value as it was before it was compressed.
func (a *Archive) unpacked(b []byte) ([]byte, error) {
	out, err := a.unpack.DecodeAll(b, nil)
	if err != nil {
		return nil, fmt.Errorf("it was altered where it is kept, and cannot be unpacked: %w", err)
	}
	return out, nil
}

// unread is the error of what is kept and cannot be read.
func unread(what, where string, err error) error {
	f := fault.New(what, where, err)
	if errors.Is(err, ErrNotFound) {
		return f
	}
	return f.WithHint(cmp.Or(fault.HintOf(err), CheckHint))
}

// Series returns the encoded durations of a timing log.
func (a *Archive) Series(id, name string) ([]byte, error) {
	b, err := a.joined(id, "series", name)
	if err != nil {
		return nil, unread("read series", id+" "+name, err)
	}
	return b, nil
}

func (a *Archive) joined(id, kind, name string) (b []byte, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		b, err = a.joinedIn(tx, id, kind, name)
		return err
	})
	return b, err
}

func (a *Archive) joinedIn(tx *bolt.Tx, id, kind, name string) ([]byte, error) {
	run, err := a.runIn(tx, id)
	if err != nil {
		return nil, err
	}
	prefix := []byte(kind + "\x00" + name + "\x00")
	c, chunks := run.Cursor(), [][]byte(nil)
	for k, v := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
		if !bytes.Equal(k[len(prefix):], binary.BigEndian.AppendUint32(nil, uint32(len(chunks)))) {
			return nil, fmt.Errorf("chunk %d is missing", len(chunks))
		}
		chunks = append(chunks, v)
	}
	if chunks == nil {
		return nil, ErrNotFound
	}
	return slices.Concat(chunks...), nil
}
