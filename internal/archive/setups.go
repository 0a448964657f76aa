package archive

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Setup is a rig's setup file as it came into force, with the first record that
// was judged by it.
type Setup struct {
	Rig, Label string
	Source     []byte
	At         time.Time // as in its entry of the trail
	Index      int64     // of that entry, which is before the record's
}

func setupKey(rig, label string, sum [sha256.Size]byte) []byte { return under(sum[:], rig, label) }

// setupLeaf gives the entry of a record's setup, nil when it has none or the same
// file is in force for its rig already.
func (a *Archive) setupLeaf(tx *bolt.Tx, c *keepCall) ([]byte, error) {
	if c.Setup == nil || a.bare {
		return nil, nil
	}
	sum := sha256.Sum256(c.Setup.Source)
	if tx.Bucket(bSetups).Get(setupKey(c.Labels.Rig, c.Setup.Label, sum)) != nil {
		return nil, nil
	}
	return a.entry(trail.KindSetup, sum, len(c.Setup.Source), c.Labels.Rig+"/"+c.Setup.Label, c.Labels.Rig, "")
}

// putSetup keeps the file that an entry is about.
func putSetup(tx *bolt.Tx, c *keepCall, index int64) error {
	key := setupKey(c.Labels.Rig, c.Setup.Label, sha256.Sum256(c.Setup.Source))
	return tx.Bucket(bSetups).Put(key, append(number(index), c.Setup.Source...))
}

// SetupInForce gives the setup of a rig with that label and those bytes; ok is
// false when no record brought it.
func (a *Archive) SetupInForce(rig, label string, source []byte) (s Setup, ok bool, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		index := setupIndex(tx, rig, label, sha256.Sum256(source))
		if index < 0 {
			return nil
		}
		e, err := trail.ParseEntry(tx.Bucket(bLeaves).Get(number(index)))
		s, ok = Setup{rig, label, bytes.Clone(source), e.At, index}, err == nil
		return err
	})
	if err != nil {
		return Setup{}, false, fault.New("read setup", rig+" "+label, err)
	}
	return s, ok, nil
}

// setupIndex gives the place of the entry about a setup; -1 when there is none.
func setupIndex(tx *bolt.Tx, rig, label string, sum [sha256.Size]byte) int64 {
	b := tx.Bucket(bSetups)
	if b == nil {
		return -1
	}
	v := b.Get(setupKey(rig, label, sum))
	return numberOf(v[:min(8, len(v))])
}

// setups holds each setup against its entry.
func (c *check) setups() {
	n := 0
	c.each(bSetups, func(k, v []byte) {
		n++
		where := "setup " + rowName(nil, k[:max(0, len(k)-sha256.Size)])
		if len(v) < 8 {
			c.wrong(where, "it has %d bytes", len(v))
			return
		}
		e, err := trail.ParseEntry(c.tx.Bucket(bLeaves).Get(v[:8]))
		source := v[8:]
		if err != nil || e.Kind != trail.KindSetup || e.Digest != sha256.Sum256(source) || e.Length != int64(len(source)) {
			c.wrong(where, "entry %d of the trail is not about its bytes", numberOf(v[:8]))
			return
		}
		rig, label, _ := bytes.Cut(k, []byte{0})
		label, _, _ = bytes.Cut(label, []byte{0})
		if fmt.Sprintf("%s/%s", rig, label) != e.Subject || string(rig) != e.Actor || !bytes.Equal(k, setupKey(string(rig), string(label), e.Digest)) {
			c.wrong(where, "entry %d of the trail is about another", numberOf(v[:8]))
		}
	})
	if n != c.setUp {
		c.wrong("setups", "%d are kept, and %d entries are about one", n, c.setUp)
	}
}
