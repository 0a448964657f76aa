package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/internal/trail"
)

// trail builds the tree again, hash by hash, from its leaves, and finds for each
// entry what it is about. It gives the number of leaves.
func (c *check) trail() (size int64) {
	head, err := c.archive.head(c.tx)
	if err != nil {
		c.wrong("head", "%v", err)
	}
	c.each(bTrail, func(k, _ []byte) {
		if !bytes.Equal(k, kHead) {
			c.wrong("trail "+string(k), "nothing of this program is in it")
		}
	})
	c.total = head.Size + int64(len(c.kept))
	c.rigs = map[string]Rig{}
	c.each(bLeaves, func(k, leaf []byte) {
		if n := numberOf(k); n > size && n < head.Size {
			c.gap(size, n)
			size = n
		}
		if !bytes.Equal(k, number(size)) {
			c.wrong("trail", "there is an entry numbered %x after entry %d", k, size-1)
			return
		}
		c.leaf(size, leaf)
		size++
		c.step(1)
	})
	if size < head.Size {
		c.gap(size, head.Size)
		size = head.Size
	}
	if err == nil && size > head.Size {
		c.wrong("head", "it is of %d entries, and there are %d", head.Size, size)
	}
	c.hashes(size)
	if err == nil {
		if err := trail.CheckStore(head, hashReader{c.tx}); err != nil {
			c.wrong("head", "%v", err)
		}
	}
	return size
}

// gap tells of entries that are missing: from, and those up to below to.
func (c *check) gap(from, to int64) {
	if to == from+1 {
		c.wrong(entryName(from), "it is missing")
		return
	}
	c.wrong("trail", "entries %d to %d are missing", from, to-1)
}

func entryName(i int64) string { return fmt.Sprintf("entry %d", i) }

// leaf holds an entry against the hash the tree has of it, and what it is about
// against it.
func (c *check) leaf(i int64, leaf []byte) {
	if h := c.tx.Bucket(bTree).Get(number(tlog.StoredHashIndex(0, i))); h != nil && !bytes.Equal(h, hashOf(tlog.RecordHash(leaf))) {
		c.wrong(entryName(i), "its bytes do not hash to its leaf in the tree")
	}
	e, err := trail.ParseEntry(leaf)
	if err != nil {
		c.wrong(entryName(i), "%v", err)
		return
	}
	switch e.Kind {
	case trail.KindRecord:
		c.recordOf(i, e)
	case trail.KindMark:
		c.marked++
	case trail.KindSetup:
		c.setUp++
	case trail.KindRestore:
		c.restored++
	case trail.KindKey, trail.KindRevocation:
		c.keyed++
	case trail.KindSuccession:
		c.succeeded++
	case trail.KindCertificate:
		c.certified++
	case trail.KindRetraction, trail.KindReinstatement:
		c.retractionOf(i, e)
	}
}

func hashOf(h trail.Hash) []byte { return h[:] }

// recordOf finds the run that an entry is about, and counts it for its rig.
func (c *check) recordOf(i int64, e trail.Entry) {
	run, err := c.archive.runIn(c.tx, e.Subject)
	switch {
	case errors.Is(err, ErrNotFound):
		c.wrong(entryName(i), "it is about run %s, which is gone", e.Subject)
		return
	case err != nil:
		return // told of at the run
	}
	if id := c.tx.Bucket(bHashes).Get(e.Digest[:]); string(id) != e.Subject {
		c.wrong(entryName(i), "its hash leads to %q and not to run %s", id, e.Subject)
	}
	at := run.Get([]byte("at"))
	l, err := labelsOf(c.tx.Bucket(bByTime).Get(at))
	if err != nil || len(at) < 8 {
		return // told of at the run
	}
	r := c.rigs[l.Rig]
	r.Name = l.Rig
	r.count(e.Subject, unstamp(at[:8]), l, bytes.Clone(run.Get([]byte("public_key"))))
	c.rigs[l.Rig] = r
}

// retractionOf holds the row of a retraction against its entry.
func (c *check) retractionOf(i int64, e trail.Entry) {
	judged, err := c.judged(e.Subject)
	if err != nil {
		c.wrong(entryName(i), "%v", err)
		return
	}
	want, err := json.Marshal(Retraction{
		RunID: e.Subject, Withdrawn: e.Kind == trail.KindReinstatement, At: e.At, By: e.Actor, Why: e.Text, Judged: judged, Index: i,
	})
	b := c.tx.Bucket(bRetractions)
	if b == nil {
		c.wrong(entryName(i), "it is of a retraction, and none are kept")
		return
	}
	if got := b.Get(under(number(i), e.Subject)); err != nil || !bytes.Equal(got, want) {
		c.wrong(entryName(i), "its row in retractions is missing or says otherwise")
	}
}

// judged gives the standing that a run was judged to have when it was kept, by
// its entry in the trail; by its first retraction, or the listing, where the
// entry is of before it said so.
func (c *check) judged(id string) (string, error) {
	r, err := c.archive.receiptOf(c.tx, id)
	if err != nil {
		return "", fmt.Errorf("run %s: %w", id, err)
	}
	e, err := trail.ParseEntry(r.Leaf)
	if err != nil {
		return "", fmt.Errorf("run %s: %w", id, err)
	}
	if standing, _, ok := strings.Cut(e.Text, ", "); ok {
		return standing, nil
	}
	history, err := retractionsOf(c.tx, id)
	if err != nil || len(history) > 0 {
		return first(history).Judged, err
	}
	l, err := labelsOf(c.tx.Bucket(bByTime).Get(c.tx.Bucket(bRuns).Bucket([]byte(id)).Get([]byte("at"))))
	return l.Standing, err
}

func first(history []Retraction) (r Retraction) {
	if len(history) > 0 {
		r = history[0]
	}
	return r
}

// hashes holds each stored hash against the two below it.
func (c *check) hashes(size int64) {
	b, r := c.tx.Bucket(bTree), hashReader{c.tx}
	n := int64(0)
	c.each(bTree, func(k, h []byte) {
		if !bytes.Equal(k, number(n)) {
			c.wrong("trail", "there is a hash numbered %x where %d should be", k, n)
			n = max(n, numberOf(k))
		}
		if len(h) != tlog.HashSize {
			c.wrong(fmt.Sprintf("hash %d", n), "it has %d bytes", len(h))
		} else if level, i := tlog.SplitStoredHashIndex(n); level > 0 {
			two, err := r.ReadHashes([]int64{tlog.StoredHashIndex(level-1, 2*i), tlog.StoredHashIndex(level-1, 2*i+1)})
			if err == nil && tlog.NodeHash(two[0], two[1]) != tlog.Hash(h) {
				err = errors.New("it does not follow from the two below it")
			}
			if err != nil {
				c.wrong(fmt.Sprintf("hash %d", n), "%v", err)
			}
		} else if b := c.tx.Bucket(bLeaves).Get(number(i)); b == nil {
			c.wrong(fmt.Sprintf("hash %d", n), "its entry %d is missing", i)
		}
		n++
	})
	if want := tlog.StoredHashCount(size); n != want || b.Get(number(want-1)) == nil && want > 0 {
		c.wrong("trail", "%d hashes are stored, %d follow from the entries", n, want)
	}
}
