package archive

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// Rig is what the archive knows of one rig.
type Rig struct {
	Name         string
	Runs         int
	LastRun      string
	LastStarted  time.Time
	LastSetup    string
	LastStanding string
	Key          ed25519.PublicKey // of its last run
	Played       bool              // its last run was played
	Marked       []string          `json:"-"` // setups with a mark in force
}

// Mark is an accepted reference.
type Mark struct {
	Rig, Setup string
	RunID      string
	At         time.Time // as in its entry of the trail
	By, Why    string
	Index      int64 `json:",omitempty"` // of that entry; 0 in marks of before it was kept
}

// Rigs returns all rigs by name.
func (a *Archive) Rigs() ([]Rig, error) {
	var rigs []Rig
	err := a.view(func(tx *bolt.Tx) error {
		return tx.Bucket(bRigs).ForEach(func(k, v []byte) error {
			var r Rig
			if err := json.Unmarshal(v, &r); err != nil {
				return fmt.Errorf("rig %s: %w", k, err)
			}
			prefix := under(nil, r.Name)
			c := tx.Bucket(bMarks).Cursor()
			for k, _ := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, _ = c.Next() {
				setup, _, _ := bytes.Cut(k[len(prefix):], []byte{0})
				if s := string(setup); !slices.Contains(r.Marked, s) {
					r.Marked = append(r.Marked, s)
				}
			}
			rigs = append(rigs, r)
			return nil
		})
	})
	if err != nil {
		return nil, fault.New("list rigs", "", err)
	}
	return rigs, nil
}

// LastKey returns the key of a rig's latest run, nil for a rig not seen before.
func (a *Archive) LastKey(name string) (key ed25519.PublicKey, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		j := tx.Bucket(bRigs).Get([]byte(name))
		if j == nil {
			return nil
		}
		var r Rig
		if err := json.Unmarshal(j, &r); err != nil {
			return fmt.Errorf("rig %s: %w", name, err)
		}
		key = r.Key
		return nil
	})
	return key, err
}

// AcceptMark makes a run the reference of its rig and setup from now on, with
// an entry in the trail. It gives the mark as it is kept.
func (a *Archive) AcceptMark(m Mark, recordBytes []byte) (Mark, trail.Receipt, error) {
	var receipt trail.Receipt
	err := a.update(func(tx *bolt.Tx) (err error) {
		if tx.Bucket(bRuns).Bucket([]byte(m.RunID)) == nil {
			return ErrNotFound
		}
		sum := record.Signed{Bytes: recordBytes}.SHA256()
		receipt, err = a.enter(tx, trail.KindMark, sum, len(recordBytes), m.Rig+"/"+m.Setup, m.By, strings.TrimSpace(m.RunID+" "+m.Why))
		if err != nil {
			return err
		}
		e, err := trail.ParseEntry(receipt.Leaf)
		if err != nil {
			return err
		}
		m.At, m.Index = e.At, receipt.Index
		return putMark(tx, m)
	})
	if err != nil {
		return m, receipt, fault.New("accept mark", m.RunID, err)
	}
	return m, receipt, nil
}

func putMark(tx *bolt.Tx, m Mark) error {
	b := tx.Bucket(bMarks)
	seq, err := b.NextSequence()
	if err != nil {
		return err
	}
	return putJSON(b, append(under(nil, m.Rig, m.Setup), number(int64(seq))...), m)
}

// Mark returns the reference in force for a rig and setup.
func (a *Archive) Mark(rig, setup string) (m Mark, ok bool, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		prefix := under(nil, rig, setup)
		c := tx.Bucket(bMarks).Cursor()
		for k, v := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
			if err := json.Unmarshal(v, &m); err != nil {
				return fmt.Errorf("mark of %s in %s: %w", rig, setup, err)
			}
			ok = true
		}
		return nil
	})
	if err != nil {
		return Mark{}, false, fault.New("read mark", rig+" "+setup, err)
	}
	return m, ok, nil
}
