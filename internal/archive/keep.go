package archive

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// Part is a named run of bytes: a raw attachment or an encoded series.
type Part struct {
	Name string
	Data []byte
}

// Keeping is everything that is kept of one record, in one transaction.
type Keeping struct {
	ID      string
	Labels  Labels
	Started time.Time
	Setup   *record.Setup // nil when none was declared
	Signed  record.Signed
	Parts   []Part // raw attachments, byte for byte
	Series  []Part // encoded durations, by attachment name
	Summary []byte // what listings show
}

// Kept is the answer to a Keeping.
type Kept struct {
	Receipt trail.Receipt
	Fresh   bool // false when the record was kept before; nothing was written then
}

type keepCall struct {
	Keeping
	sum   [sha256.Size]byte
	items []item // compressed, before the transaction begins
	kept  Kept
	err   error
	done  chan struct{}
}

type item struct{ key, value []byte }

// Keep stores a record with its trail entry and returns after the commit. A
// record that is already kept gives the receipt it had. After an error nothing
// of it is stored.
func (a *Archive) Keep(ctx context.Context, k Keeping) (Kept, error) {
	if err := a.Damaged(); err != nil {
		return Kept{}, fault.New("keep record", k.ID, err)
	}
	if a.ReadOnly() {
		return Kept{}, fault.New("keep record", k.ID, ErrReadOnly).WithHint(needsKey)
	}
	c := &keepCall{Keeping: k, sum: k.Signed.SHA256(), done: make(chan struct{})}
	c.items = a.compress(k)
	select {
	case a.keeps <- c:
	case <-a.done:
		return Kept{}, fault.New("keep record", k.ID, ErrClosed)
	case <-ctx.Done():
		return Kept{}, context.Cause(ctx)
	}
	select {
	case <-c.done:
	case <-a.done:
		// The writer answers every call it took; one left in the queue at
		// closing was not kept.
		a.writer.Wait()
		select {
		case <-c.done:
		default:
			return Kept{}, fault.New("keep record", k.ID, ErrClosed)
		}
	}
	if c.err != nil {
		return Kept{}, fault.New("keep record", k.ID, c.err)
	}
	return c.kept, nil
}

const needsKey = keyHint + "; a copy takes nothing, so ask the collector that it follows"

func (a *Archive) compress(k Keeping) []item {
	items := []item{{[]byte("record"), a.pack.EncodeAll(k.Signed.Bytes, nil)}}
	for _, p := range k.Parts {
		items = append(items, chunks("parts", p.Name, a.pack.EncodeAll(p.Data, make([]byte, 0, len(p.Data)/2)))...)
	}
	for _, p := range k.Series {
		items = append(items, chunks("series", p.Name, p.Data)...)
	}
	return items
}

func chunks(kind, name string, b []byte) []item {
	var out []item
	for i := 0; i == 0 || i*chunk < len(b); i++ {
		key := binary.BigEndian.AppendUint32([]byte(kind+"\x00"+name+"\x00"), uint32(i))
		out = append(out, item{key, b[i*chunk : min(len(b), (i+1)*chunk)]})
	}
	return out
}

// write commits waiting calls together until the archive closes.
func (a *Archive) write() {
	for {
		select {
		case c := <-a.keeps:
			a.commit(a.gather(c))
		case <-a.done:
			for {
				select {
				case c := <-a.keeps:
					a.commit(a.gather(c))
				default:
					return
				}
			}
		}
	}
}

// gather takes what else is waiting, up to a bound on calls and bytes.
func (a *Archive) gather(first *keepCall) []*keepCall {
	batch, size := []*keepCall{first}, first.size()
	for len(batch) < 64 && size < 32<<20 {
		select {
		case c := <-a.keeps:
			batch, size = append(batch, c), size+c.size()
		default:
			return batch
		}
	}
	return batch
}

func (c *keepCall) size() (n int) {
	for _, i := range c.items {
		n += len(i.value)
	}
	return n
}

func (a *Archive) commit(batch []*keepCall) {
	err := a.change(func(tx *bolt.Tx) error {
		for _, c := range batch {
			c.kept, c.err = Kept{}, nil
		}
		return a.apply(tx, batch)
	})
	for _, c := range batch {
		if err != nil {
			c.err = err
		}
		close(c.done)
	}
}

// apply stores the batch and signs one head over all of it. A call that cannot
// be kept gets its own error; an error of apply undoes the whole transaction.
func (a *Archive) apply(tx *bolt.Tx, batch []*keepCall) error {
	head, err := a.head(tx)
	if err != nil {
		return err
	}
	index := map[*keepCall]int64{}
	leaves := map[*keepCall][]byte{}
	for _, c := range batch {
		fresh, err := a.fresh(tx, c)
		if err != nil {
			c.err = err
			continue
		}
		if !fresh {
			continue
		}
		setup, err := a.setupLeaf(tx, c)
		if err != nil {
			c.err = err
			continue
		}
		leaf, err := a.entry(trail.KindRecord, c.sum, len(c.Signed.Bytes), c.ID, c.Labels.Rig, c.judged())
		if err != nil {
			c.err = err
			continue
		}
		if setup != nil {
			at := int64(0)
			if at, head, err = a.grow(tx, head, setup); err != nil {
				return err
			}
			if err := putSetup(tx, c, at); err != nil {
				return err
			}
		}
		if !a.bare {
			if index[c], head, err = a.grow(tx, head, leaf); err != nil {
				return err
			}
		}
		leaves[c] = leaf
		if err := a.store(tx, c); err != nil {
			return err
		}
	}
	var signed []byte
	if !a.bare {
		if signed, err = a.sign(tx, head); err != nil {
			return err
		}
	}
	for _, c := range batch {
		if c.err != nil {
			continue
		}
		if leaf, fresh := leaves[c]; fresh {
			if err := a.receive(tx, c, leaf, index[c], head, signed); err != nil {
				return err
			}
			continue
		}
		// Kept before, or earlier in this batch.
		if c.kept.Receipt, err = a.receiptOf(tx, c.ID); err != nil {
			return err
		}
	}
	return nil
}

// judged binds what the run was judged, and the summary that says why, to its
// entry in the trail.
func (k Keeping) judged() string {
	return fmt.Sprintf("%s, summary sha256 %x", k.Labels.Standing, sha256.Sum256(k.Summary))
}

func (a *Archive) entry(kind trail.Kind, sum [sha256.Size]byte, length int, subject, actor, text string) ([]byte, error) {
	return trail.Entry{
		Kind: kind, At: a.now().UTC(), Digest: sum, Length: int64(length), Subject: subject, Actor: actor, Text: text,
	}.Marshal()
}

// fresh says whether the call's record is new, and refuses one that would take
// another's place.
func (a *Archive) fresh(tx *bolt.Tx, c *keepCall) (bool, error) {
	if id := tx.Bucket(bHashes).Get(c.sum[:]); id != nil {
		if string(id) != c.ID {
			return false, fmt.Errorf("its bytes are kept as run %s", id)
		}
		return false, nil
	}
	if tx.Bucket(bRuns).Bucket([]byte(c.ID)) != nil {
		return false, ErrConflict
	}
	return true, nil
}

// grow adds a leaf to the stored tree and returns its index and the new head.
func (a *Archive) grow(tx *bolt.Tx, head trail.Head, leaf []byte) (int64, trail.Head, error) {
	g, err := trail.Append(head, leaf, hashReader{tx})
	if err != nil {
		return 0, head, err
	}
	tree := tx.Bucket(bTree)
	tree.FillPercent = 0.95 // keys only ascend
	for i, h := range g.Hashes {
		if err := tree.Put(number(g.First+int64(i)), h[:]); err != nil {
			return 0, head, err
		}
	}
	leaves := tx.Bucket(bLeaves)
	leaves.FillPercent = 0.95
	return g.Index, g.Head, leaves.Put(number(g.Index), leaf)
}

func (a *Archive) sign(tx *bolt.Tx, head trail.Head) ([]byte, error) {
	signer, err := a.signer(tx)
	if err != nil {
		return nil, err
	}
	signed, err := trail.SignHead(head, signer)
	if err != nil {
		return nil, err
	}
	return signed, tx.Bucket(bTrail).Put(kHead, signed)
}

func (a *Archive) receive(tx *bolt.Tx, c *keepCall, leaf []byte, index int64, head trail.Head, signed []byte) error {
	r := trail.Receipt{RecordSHA256: c.sum, Leaf: leaf}
	if !a.bare {
		var err error
		if r, err = trail.Issue(leaf, index, head, signed, hashReader{tx}); err != nil {
			return err
		}
	}
	c.kept = Kept{Receipt: r, Fresh: true}
	run := tx.Bucket(bRuns).Bucket([]byte(c.ID))
	if err := putJSON(run, []byte("receipt"), r); err != nil {
		return err
	}
	return seal(run)
}

// seal keeps the hash of all that is in a run's bucket, since not every byte of
// a compressed value is needed to unpack it.
func seal(run *bolt.Bucket) error {
	sum, err := sealOf(run)
	if err != nil {
		return err
	}
	return run.Put(kSeal, sum)
}

func sealOf(run *bolt.Bucket) ([]byte, error) {
	h := sha256.New()
	err := run.ForEach(func(k, v []byte) error {
		if !bytes.Equal(k, kSeal) {
			h.Write(binary.BigEndian.AppendUint32(nil, uint32(len(k))))
			h.Write(k)
			h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(v))))
			h.Write(v)
		}
		return nil
	})
	return h.Sum(nil), err
}

// sealed says whether a run's bucket is as it was when it was sealed.
func sealed(run *bolt.Bucket) error {
	sum, err := sealOf(run)
	if err == nil && run.Get(kSeal) != nil && !bytes.Equal(sum, run.Get(kSeal)) {
		err = errors.New("what is kept of it was altered")
	}
	return err
}

func (a *Archive) store(tx *bolt.Tx, c *keepCall) error {
	run, err := tx.Bucket(bRuns).CreateBucket([]byte(c.ID))
	if err != nil {
		return err
	}
	at := timeKey(c.Started, c.ID)
	items := append(c.items, item{[]byte("public_key"), c.Signed.PublicKey}, item{[]byte("signature"), c.Signed.Signature}, item{[]byte("at"), at})
	for _, i := range items {
		if err := run.Put(i.key, i.value); err != nil {
			return err
		}
	}
	rows := append(c.Labels.rows(at), row{bHashes, c.sum[:], []byte(c.ID)}, row{bTails, tailKey(c.ID), nil}, row{bSummary, at, c.Summary})
	for _, r := range rows {
		if err := tx.Bucket(r.bucket).Put(r.key, r.value); err != nil {
			return err
		}
	}
	return a.countRun(tx, c)
}

func (a *Archive) countRun(tx *bolt.Tx, c *keepCall) error {
	b := tx.Bucket(bRigs)
	r := Rig{Name: c.Labels.Rig}
	if j := b.Get([]byte(r.Name)); j != nil {
		if err := json.Unmarshal(j, &r); err != nil {
			return fmt.Errorf("rig %s: %w", r.Name, err)
		}
	}
	r.count(c.ID, c.Started, c.Labels, c.Signed.PublicKey)
	return putJSON(b, []byte(r.Name), r)
}

// count adds a run to what is kept of its rig.
func (r *Rig) count(id string, started time.Time, l Labels, key ed25519.PublicKey) {
	r.Runs++
	if !started.Before(r.LastStarted) {
		r.LastRun, r.LastStarted, r.LastSetup = id, started.UTC(), l.Setup
		r.LastStanding, r.Key, r.Played = l.Standing, key, l.Played
	}
}

func (a *Archive) head(tx *bolt.Tx) (trail.Head, error) {
	h, err := a.open(tx, tx.Bucket(bTrail).Get(kHead))
	if err != nil {
		return trail.Head{}, fmt.Errorf("the trail's head does not belong to this collector's key: %w", err)
	}
	return h, nil
}

// open gives a head that a key of the trail has signed.
func (a *Archive) open(tx *bolt.Tx, signed []byte) (trail.Head, error) {
	line, err := a.line(tx)
	if err != nil {
		return trail.Head{}, err
	}
	return trail.OpenHead(signed, line)
}

func (a *Archive) receiptOf(tx *bolt.Tx, id string) (r trail.Receipt, err error) {
	run, err := a.runIn(tx, id)
	if err != nil {
		return r, err
	}
	if err = json.Unmarshal(run.Get([]byte("receipt")), &r); err != nil {
		return r, fmt.Errorf("the receipt is damaged: %w", err)
	}
	return r, nil
}
