package archive

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// Checked says what a check went through.
type Checked struct {
	Runs    int
	Entries int64 // of the trail
}

// Check recounts the whole archive: its pages are sound, its tree follows from
// its leaves and gives the signed head, every run's bytes are what its entry,
// receipt and signature say, and runs and index rows belong to each other one to
// one. The error joins all that is wrong, each with the run or entry it is about.
// Nothing is kept while it looks at the pages; the rest sees one moment and lets
// others write.
func (a *Archive) Check(ctx context.Context) (Checked, error) {
	var n Checked
	c := check{archive: a, ctx: ctx}
	err := c.pages()
	if err == nil {
		err = a.db.View(func(tx *bolt.Tx) error {
			c.tx = tx
			n.Entries = c.trail()
			n.Runs = c.runs()
			c.rows(n.Runs)
			return errors.Join(append(c.bad, context.Cause(ctx))...)
		})
	}
	if err != nil {
		return n, fault.New("check archive", a.db.Path(), err)
	}
	return n, nil
}

// pages runs bbolt's own check, which only a transaction that keeps writers out
// may run beside others.
func (c *check) pages() error {
	tx, err := c.archive.db.Begin(true)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for err := range tx.Check() {
		c.wrong("page", err)
	}
	return nil
}

type check struct {
	archive *Archive
	tx      *bolt.Tx
	ctx     context.Context
	records int // entries about a record
	bad     []error
}

// maxWrong bounds what is listed; the first findings are the telling ones.
const maxWrong = 100

func (c *check) wrong(what string, why error) {
	if len(c.bad) < maxWrong {
		c.bad = append(c.bad, fmt.Errorf("%s: %w", what, why))
	}
}

// trail builds the tree again from its leaves.
func (c *check) trail() int64 {
	var hashes trail.Hashes
	var size int64
	err := c.tx.Bucket(bLeaves).ForEach(func(k, leaf []byte) error {
		if !bytes.Equal(k, number(size)) {
			return fmt.Errorf("leaf %d is not there", size)
		}
		e, err := trail.ParseEntry(leaf)
		if err != nil {
			return err
		}
		if e.Kind == trail.KindRecord {
			c.records++
		}
		more, err := tlog.StoredHashes(size, leaf, hashes)
		if err != nil {
			return err
		}
		hashes = append(hashes, more...)
		size++
		return c.ctx.Err()
	})
	head, e2 := c.archive.head(c.tx)
	if err = errors.Join(err, e2); err == nil && head.Size != size {
		err = fmt.Errorf("%d leaves under a head of %d", size, head.Size)
	}
	if err == nil {
		err = trail.CheckStore(head, hashes)
	}
	if err == nil {
		err = c.stored(hashes)
	}
	if err != nil {
		c.wrong("trail", err)
	}
	return size
}

func (c *check) stored(hashes trail.Hashes) error {
	n := 0
	err := c.tx.Bucket(bTree).ForEach(func(k, h []byte) error {
		if n >= len(hashes) || !bytes.Equal(k, number(int64(n))) || !bytes.Equal(h, hashes[n][:]) {
			return fmt.Errorf("stored hash %d does not follow from the leaves", n)
		}
		n++
		return nil
	})
	if err == nil && n != len(hashes) {
		err = fmt.Errorf("%d hashes are stored, %d follow from the leaves", n, len(hashes))
	}
	return err
}

func (c *check) runs() (n int) {
	c.tx.Bucket(bRuns).ForEachBucket(func(id []byte) error {
		if err := c.run(string(id), c.tx.Bucket(bRuns).Bucket(id)); err != nil {
			c.wrong("run "+string(id), err)
		}
		n++
		return c.ctx.Err()
	})
	return n
}

func (c *check) run(id string, b *bolt.Bucket) error {
	raw, err := c.archive.unpack.DecodeAll(b.Get([]byte("record")), nil)
	if err != nil {
		return err
	}
	s := record.Signed{Bytes: raw, PublicKey: ed25519.PublicKey(b.Get([]byte("public_key"))), Signature: b.Get([]byte("signature"))}
	if err := s.Verify(); err != nil {
		return err
	}
	sum := s.SHA256()
	if !bytes.Equal(c.tx.Bucket(bHashes).Get(sum[:]), []byte(id)) {
		return errors.New("its hash does not lead to it")
	}
	r, err := receiptOf(c.tx, id)
	if err != nil {
		return err
	}
	if e, _, err := r.Check(c.archive.verifier, trail.KindRecord, sum); err != nil || e.Subject != id {
		return errors.Join(fmt.Errorf("its receipt is of %q", e.Subject), err)
	}
	if !bytes.Equal(c.tx.Bucket(bLeaves).Get(number(r.Index)), r.Leaf) {
		return fmt.Errorf("entry %d of the trail is not the receipt's", r.Index)
	}
	if err := c.indexed(id, b.Get([]byte("at"))); err != nil {
		return err
	}
	run, err := record.Decode(raw)
	if err != nil {
		return err
	}
	if run.ID != id {
		return fmt.Errorf("its record is of run %s", run.ID)
	}
	return c.parts(run)
}

// indexed finds every row of a run by the labels of the first.
func (c *check) indexed(id string, at []byte) error {
	row := c.tx.Bucket(bByTime).Get(at)
	l, err := labelsOf(row)
	if err != nil || c.tx.Bucket(bSummary).Get(at) == nil {
		return errors.Join(errors.New("it is not in the listing"), err)
	}
	for _, i := range l.rows(at) {
		if !bytes.Equal(c.tx.Bucket(i.bucket).Get(i.key), row) {
			return fmt.Errorf("its row in %s is missing or differs", i.bucket)
		}
	}
	if c.tx.Bucket(bTails).Get(tailKey(id)) == nil {
		return errors.New("its last letters do not lead to it")
	}
	return nil
}

func (c *check) parts(run *record.Run) error {
	for _, a := range run.Attachments {
		packed, err := joinedIn(c.tx, run.ID, "parts", a.Name)
		if err != nil {
			return fmt.Errorf("attachment %s: %w", a.Name, err)
		}
		b, err := c.archive.unpack.DecodeAll(packed, nil)
		if err != nil || sha256.Sum256(b) != a.SHA256 {
			return errors.Join(fmt.Errorf("attachment %s is not what the record binds", a.Name), err)
		}
	}
	return nil
}

// rows counts: with every run found in every index, equal numbers leave no row
// without a run.
func (c *check) rows(runs int) {
	if c.records != runs {
		c.wrong("trail", fmt.Errorf("%d entries about records, %d runs", c.records, runs))
	}
	for _, name := range [][]byte{bHashes, bTails, bSummary, bByTime, bByRig, bByWorkload, bByBoth, bBySetup} {
		n := 0
		c.tx.Bucket(name).ForEach(func(_, _ []byte) error { n++; return nil })
		if n != runs {
			c.wrong(string(name), fmt.Errorf("%d rows, %d runs", n, runs))
		}
	}
	counted := 0
	c.tx.Bucket(bRigs).ForEach(func(k, v []byte) error {
		var r Rig
		if err := json.Unmarshal(v, &r); err != nil {
			c.wrong("rig "+string(k), err)
		}
		counted += r.Runs
		return nil
	})
	if counted != runs {
		c.wrong("rigs", fmt.Errorf("%d runs counted, %d runs", counted, runs))
	}
}
