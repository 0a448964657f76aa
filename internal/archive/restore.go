package archive

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Restore is one time that the archive went on from an older copy, behind heads
// that it had signed.
type Restore struct {
	At      time.Time // as in its entry of the trail
	By, Why string
	To      string // the signed head that it went on from
	// GivenUp are the signed heads that are behind it no more. A succession among them
	// is of the key that signed those after it.
	GivenUp []string
	Index   int64 // of its entry in the trail
}

// Restored goes on from the present head, although the heads in givenUp were
// signed and are not of this trail, with an entry in it.
func (a *Archive) Restored(by, why string, givenUp [][]byte) (r Restore, receipt trail.Receipt, err error) {
	err = a.update(func(tx *bolt.Tx) error {
		signed := tx.Bucket(bTrail).Get(kHead)
		r = Restore{By: by, Why: why, To: string(signed)}
		for _, g := range givenUp {
			r.GivenUp = append(r.GivenUp, string(g))
		}
		if receipt, err = a.enter(tx, trail.KindRestore, sha256.Sum256([]byte(r.To)), len(r.To), a.origin, by, why); err != nil {
			return err
		}
		e, err := trail.ParseEntry(receipt.Leaf)
		if err != nil {
			return err
		}
		r.At, r.Index = e.At, receipt.Index
		return putJSON(tx.Bucket(bRestores), number(r.Index), r)
	})
	if err != nil {
		return r, receipt, fault.New("record restore", a.path, err)
	}
	return r, receipt, nil
}

// restores lists them, oldest first.
func restores(tx *bolt.Tx) (out []Restore, err error) {
	b := tx.Bucket(bRestores)
	if b == nil {
		return nil, nil
	}
	err = b.ForEach(func(k, v []byte) error {
		var r Restore
		if err := json.Unmarshal(v, &r); err != nil {
			return fmt.Errorf("restore at entry %d: %w", numberOf(k), err)
		}
		out = append(out, r)
		return nil
	})
	return out, err
}

// givenUp says whether a head that is not of this trail is of what a restore gave
// up.
func (a *Archive) givenUp(tx *bolt.Tx, line trail.Line, h trail.Head) (bool, error) {
	all, err := restores(tx)
	for _, r := range all {
		if gave, err := r.gaveUp(line, h); gave || err != nil {
			return gave, err
		}
	}
	return false, err
}

// leftBehind opens a head of a size at which the key that signed it has stopped: after a
// restore gave that head up, the trail may have changed its key before it grew so far
// again. Any other head by a key that stopped is of whoever found it.
func (a *Archive) leftBehind(tx *bolt.Tx, line trail.Line, msg []byte) (Seen, error) {
	all, err := restores(tx)
	for _, r := range all {
		then, err := line.At(r.Index)
		if err != nil {
			return Seen{}, err
		}
		h, err := trail.OpenHead(msg, then)
		if err != nil {
			continue
		}
		if gave, err := r.gaveUp(line, h); gave || err != nil {
			return Seen{Head: h, Signed: true, GivenUp: gave}, err
		}
	}
	return Seen{}, err
}

// gaveUp says whether a head lies between that which it went on from and one that it
// left behind.
func (r Restore) gaveUp(line trail.Line, h trail.Head) (bool, error) {
	to, err := trail.OpenHead([]byte(r.To), line)
	if err != nil {
		return false, err
	}
	lost, err := r.lost(line)
	return slices.ContainsFunc(lost, func(l trail.Head) bool { return to.Size < h.Size && h.Size <= l.Size }), err
}

// lost opens the heads that it gave up, by the keys that the trail had then and by
// those whose successions stand among them.
func (r Restore) lost(line trail.Line) (heads []trail.Head, err error) {
	if line, err = line.At(r.Index); err != nil {
		return nil, err
	}
	for _, n := range r.GivenUp {
		if s, err := trail.OpenSuccession([]byte(n)); err == nil {
			if line, err = line.Follow(s); err != nil {
				return nil, err
			}
			continue
		}
		h, err := trail.OpenHead([]byte(n), line)
		if err != nil {
			return nil, err
		}
		heads = append(heads, h)
	}
	return heads, nil
}
