package archive

import (
	"bytes"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// AddCosignedBy is AddCosigned for the witness member of a name. A member signs
// with one key at a time: another takes the place of the one before, and what that
// had signed is handed out no more. A key that another member signs with is
// refused. What a member has signed goes when its name is revoked.
func (a *Archive) AddCosignedBy(name, witness string, signed []byte) error {
	return a.addCosigned(name, witness, signed)
}

// bindCosigner notes with which key a member signs.
func bindCosigner(tx *bolt.Tx, name, key string) error {
	b := tx.Bucket(bCosigners)
	err := b.ForEach(func(k, v []byte) error {
		if string(v) == key && string(k) != name {
			return fmt.Errorf("the key is that of witness %s", k)
		}
		return nil
	})
	if had := b.Get([]byte(name)); err != nil || string(had) == key {
		return err
	} else if had != nil {
		err = tx.Bucket(bCosigned).Delete(bytes.Clone(had))
	}
	if err != nil {
		return err
	}
	return b.Put([]byte(name), []byte(key))
}

// dropCosigner forgets the key of a member, and what was signed with it.
func dropCosigner(tx *bolt.Tx, name string) error {
	b := tx.Bucket(bCosigners)
	key := bytes.Clone(b.Get([]byte(name)))
	if key == nil {
		return nil
	}
	if err := tx.Bucket(bCosigned).Delete(key); err != nil {
		return err
	}
	return b.Delete([]byte(name))
}

// cosigners holds each against the roll, and against what its key has signed.
func (c *check) cosigners() {
	changes, err := keyChanges(c.tx)
	if err != nil {
		return // told of with the keys
	}
	in := map[string]bool{}
	for _, k := range InForceKeys(changes) {
		in[k.Name] = in[k.Name] || k.Role == trust.Witness
	}
	c.each(bCosigners, func(k, v []byte) {
		_, err := trail.ParseWitness(string(v))
		switch {
		case err != nil:
		case !in[string(k)]:
			err = fmt.Errorf("no witness of that name is a member")
		case c.tx.Bucket(bCosigned).Get(v) == nil:
			err = fmt.Errorf("its key has signed no head")
		}
		if err != nil {
			c.wrong("witness "+rowName(nil, k), "%v", err)
		}
	})
}

// countKeys counts what a small bucket has now, in the middle of a transaction.
func countKeys(b *bolt.Bucket) (n int) {
	b.ForEach(func(_, _ []byte) error { n++; return nil })
	return n
}
