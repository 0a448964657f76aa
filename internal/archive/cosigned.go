package archive

import (
	"bytes"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// ErrWitness is returned for a cosignature that is not taken.
var ErrWitness = errors.New("the cosignature is not taken")

// MostWitnesses is how many witnesses' heads are kept.
const MostWitnesses = 16

// Cosigned is the last head of this trail that a witness signed, too.
type Cosigned struct {
	Witness string // its key, as the note format spells it
	Head    trail.Head
	Note    []byte
	// Consistency leads from it to the head that was asked about.
	Consistency []trail.Hash
}

// AddCosigned keeps a head that a witness signed beside this trail's key, in the
// place of what that witness signed before.
func (a *Archive) AddCosigned(witness string, signed []byte) error {
	return a.addCosigned("", witness, signed)
}

func (a *Archive) addCosigned(by, witness string, signed []byte) error {
	w, err := trail.ParseWitness(witness)
	if err == nil {
		err = a.change(func(tx *bolt.Tx) error { return a.putCosigned(tx, by, w, signed) })
	}
	if err != nil {
		return fault.New("take cosignature", w.Name(), fmt.Errorf("%w: %w", ErrWitness, err))
	}
	return nil
}

func (a *Archive) putCosigned(tx *bolt.Tx, by string, w trail.Witness, signed []byte) error {
	own, err := a.line(tx)
	if err != nil {
		return err
	}
	h, _, err := trail.OpenWitnessedBy(signed, own, w)
	if err != nil {
		return err
	}
	now, err := a.head(tx)
	if err == nil && h.Size > now.Size {
		err = trail.ErrSize
	}
	if err == nil {
		err = trail.CheckStore(h, hashReader{tx})
	}
	if err != nil {
		return err
	}
	if by != "" {
		if err := bindCosigner(tx, by, w.Key()); err != nil {
			return err
		}
	}
	b := tx.Bucket(bCosigned)
	if had := b.Get([]byte(w.Key())); had != nil {
		if last, _, err := trail.OpenWitnessedBy(had, own, w); err == nil && last.Size > h.Size {
			return nil // it came late
		}
	} else if countKeys(b) >= MostWitnesses {
		return fmt.Errorf("%d witnesses sign already", MostWitnesses)
	}
	return b.Put([]byte(w.Key()), signed)
}

// Cosigned gives the last head that each witness signed, by the witnesses' keys,
// and how it belongs to the head of a size, which the trail has had.
func (a *Archive) Cosigned(size int64) (out []Cosigned, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		out, err = a.cosigned(tx, size)
		return err
	})
	if err != nil {
		return nil, fault.New("read cosigned heads", "", err)
	}
	return out, nil
}

func (a *Archive) cosigned(tx *bolt.Tx, size int64) (out []Cosigned, err error) {
	b := tx.Bucket(bCosigned)
	if b == nil {
		return nil, nil
	}
	own, err := a.line(tx)
	if err != nil {
		return nil, err
	}
	err = b.ForEach(func(k, v []byte) error {
		w, err := trail.ParseWitness(string(k))
		if err != nil {
			return err
		}
		c := Cosigned{Witness: string(k), Note: bytes.Clone(v)}
		if c.Head, _, err = trail.OpenWitnessedBy(v, own, w); err != nil {
			return err
		}
		if c.Head.Size > size {
			return nil // signed meanwhile
		}
		if c.Consistency, err = trail.ProveConsistency(c.Head.Size, size, hashReader{tx}); err != nil {
			return err
		}
		out = append(out, c)
		return nil
	})
	return out, err
}

// cosignedHeads holds each against its witness's key and the tree.
func (c *check) cosignedHeads() {
	c.each(bCosigned, func(k, v []byte) {
		w, err := trail.ParseWitness(string(k))
		var h trail.Head
		if err == nil {
			h, _, err = trail.OpenWitnessedBy(v, c.line, w)
		}
		if err == nil {
			err = trail.CheckStore(h, hashReader{c.tx})
		}
		if err != nil {
			c.wrong("cosigned head of "+rowName(nil, k), "%v", err)
		}
	})
}

// Verifiers opens the heads of this trail.
func (a *Archive) Verifiers() (note.Verifiers, error) { return a.Line() }
