package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Copied is one entry of a trail, with what is kept beside it. What belongs to an
// entry about a record is the record's own.
type Copied struct {
	Entry   trail.Entry
	Leaf    []byte
	Content []byte   // the bytes that it is about: a setup's file, a key, a head; nil where a record is
	GivenUp [][]byte // of a restore
}

// CopyEntry gives an entry to be copied elsewhere.
func (a *Archive) CopyEntry(index int64) (c Copied, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		c.Leaf = bytes.Clone(tx.Bucket(bLeaves).Get(number(index)))
		if c.Leaf == nil {
			return ErrNotFound
		}
		if c.Entry, err = trail.ParseEntry(c.Leaf); err != nil {
			return err
		}
		return c.content(tx, index)
	})
	if err != nil {
		return Copied{}, fault.New("copy entry", fmt.Sprint(index), err)
	}
	return c, nil
}

func (c *Copied) content(tx *bolt.Tx, index int64) error {
	switch c.Entry.Kind {
	case trail.KindSetup:
		rig := c.Entry.Actor
		label := strings.TrimPrefix(c.Entry.Subject, rig+"/")
		v := tx.Bucket(bSetups).Get(setupKey(rig, label, c.Entry.Digest))
		if len(v) < 8 {
			return errors.New("its setup is gone")
		}
		c.Content = bytes.Clone(v[8:])
	case trail.KindKey, trail.KindRevocation:
		var k KeyChange
		if err := json.Unmarshal(tx.Bucket(bKeys).Get(number(index)), &k); err != nil {
			return err
		}
		c.Content = k.Key
	case trail.KindSuccession:
		c.Content = bytes.Clone(tx.Bucket(bSuccessions).Get(number(index)))
	case trail.KindCertificate:
		v := tx.Bucket(bCertificates).Get(number(index))
		if len(v) < ed25519.PublicKeySize {
			return errors.New("its certificate is gone")
		}
		c.Content = bytes.Clone(v[ed25519.PublicKeySize:])
	case trail.KindRestore:
		all, err := restores(tx)
		for _, r := range all {
			if r.Index == index {
				c.Content = []byte(r.To)
				for _, n := range r.GivenUp {
					c.GivenUp = append(c.GivenUp, []byte(n))
				}
			}
		}
		return err
	}
	return nil
}

// HeadAt signs the head that the trail had at a size, for who copies it step by
// step.
func (a *Archive) HeadAt(size int64) (signed []byte, err error) {
	if a.ReadOnly() {
		return nil, fault.New("sign head", a.path, ErrReadOnly).WithHint(needsKey)
	}
	err = a.view(func(tx *bolt.Tx) error {
		signed, err = a.headAt(tx, size)
		return err
	})
	if err != nil {
		return nil, fault.New("sign head", fmt.Sprint(size), err)
	}
	return signed, nil
}

// headAt signs what the present head adds to, and nothing else: what was altered under
// that is damage, and a head over it would be evidence of a fork for ever.
func (a *Archive) headAt(tx *bolt.Tx, size int64) ([]byte, error) {
	now, err := a.head(tx)
	if err != nil {
		return nil, err
	}
	signer, err := a.signer(tx)
	if err != nil {
		return nil, err
	}
	h, err := trail.HeadOf(a.origin, size, now.Size, hashReader{tx})
	if err != nil {
		return nil, err
	}
	proof, err := trail.ProveConsistency(size, now.Size, hashReader{tx})
	if err != nil {
		return nil, err
	}
	if err := trail.CheckConsistency(h, now, proof); err != nil {
		return nil, damaged(a.path, fmt.Errorf("its trail: %w", err))
	}
	return trail.SignHead(h, signer)
}

// Adopting is an entry to be adopted. Of one about a record, Keeping is what is
// kept of it, and Receipt the one that its rig was given.
type Adopting struct {
	Copied
	*Keeping
	Receipt trail.Receipt
}

// ErrDiffers is returned when entries do not lead to the head that was signed over
// them.
var ErrDiffers = errors.New("its entries do not give the head that it signed")

// Adopt appends entries of the trail that this archive follows, in one
// transaction, when they lead from its head to the signed one. After an error
// nothing of them is kept.
func (a *Archive) Adopt(signed []byte, entries []Adopting) error {
	packed := make([]*keepCall, len(entries))
	for i, e := range entries {
		if e.Keeping != nil {
			packed[i] = &keepCall{Keeping: *e.Keeping, sum: e.Keeping.Signed.SHA256(), items: a.compress(*e.Keeping)}
		}
	}
	err := a.change(func(tx *bolt.Tx) error {
		if !a.follows {
			return errors.New("this archive follows nobody")
		}
		now, err := a.open(tx, signed)
		if err != nil {
			return err
		}
		head, err := a.head(tx)
		if err != nil {
			return err
		}
		var keys lineage // read where it is needed, and once
		for i, e := range entries {
			var index int64
			if index, head, err = a.grow(tx, head, e.Leaf); err != nil {
				return err
			}
			if err := a.adopt(tx, index, e, packed[i], &keys); err != nil {
				return fmt.Errorf("entry %d: %w", index, err)
			}
		}
		if head != now {
			return fmt.Errorf("%w: they give %d %v, signed is %d %v", ErrDiffers, head.Size, head.Root, now.Size, now.Root)
		}
		if err := a.receiptsBelong(tx, entries, head); err != nil {
			return err
		}
		return tx.Bucket(bTrail).Put(kHead, signed)
	})
	if err != nil {
		return fault.New("adopt entries", a.path, err)
	}
	return nil
}

// receiptsBelong holds the heads under which receipts were given against the tree.
func (a *Archive) receiptsBelong(tx *bolt.Tx, entries []Adopting, now trail.Head) error {
	for _, e := range entries {
		if e.Keeping == nil {
			continue
		}
		h, err := a.open(tx, e.Receipt.Head)
		if err == nil && h.Size > now.Size {
			err = errors.New("it is of a later head")
		}
		if err == nil {
			err = trail.CheckStore(h, hashReader{tx})
		}
		if err != nil {
			return fmt.Errorf("the receipt of run %s: %w", e.ID, err)
		}
	}
	return nil
}

// adopt keeps what is kept beside an entry that has its place.
func (a *Archive) adopt(tx *bolt.Tx, index int64, e Adopting, c *keepCall, keys *lineage) error {
	entry := e.Entry
	switch entry.Kind {
	case trail.KindRecord:
		return a.adoptRun(tx, index, e, c)
	case trail.KindSetup:
		return a.adoptSetup(tx, index, e)
	case trail.KindMark:
		return a.adoptMark(tx, index, entry)
	case trail.KindRetraction, trail.KindReinstatement:
		return a.adoptRetraction(tx, index, entry)
	case trail.KindRestore:
		return a.adoptRestore(tx, index, e)
	case trail.KindSuccession:
		return a.adoptSuccession(tx, index, e)
	case trail.KindKey, trail.KindRevocation:
		return a.adoptKey(tx, index, e, keys)
	case trail.KindCertificate:
		return adoptCertificate(tx, index, e)
	}
	return fmt.Errorf("this program knows nothing to keep of a %v", entry.Kind)
}

func (a *Archive) adoptRun(tx *bolt.Tx, index int64, e Adopting, c *keepCall) error {
	if c == nil {
		return errors.New("the record did not come")
	}
	switch fresh, err := a.fresh(tx, c); {
	case err != nil:
		return err
	case !fresh:
		return ErrConflict
	case e.Entry.Digest != c.sum || e.Entry.Subject != e.ID || e.Receipt.Index != index || !bytes.Equal(e.Receipt.Leaf, e.Leaf):
		return errors.New("the record or its receipt is not what it is about")
	}
	if err := a.store(tx, c); err != nil {
		return err
	}
	run := tx.Bucket(bRuns).Bucket([]byte(e.ID))
	if err := putJSON(run, []byte("receipt"), e.Receipt); err != nil {
		return err
	}
	return seal(run)
}

func (a *Archive) adoptSetup(tx *bolt.Tx, index int64, e Adopting) error {
	rig := e.Entry.Actor
	label, ok := strings.CutPrefix(e.Entry.Subject, rig+"/")
	if !ok || sha256.Sum256(e.Content) != e.Entry.Digest || int64(len(e.Content)) != e.Entry.Length || setupIndex(tx, rig, label, e.Entry.Digest) >= 0 {
		return errors.New("the setup is not what it is about, or is here already")
	}
	return tx.Bucket(bSetups).Put(setupKey(rig, label, e.Entry.Digest), append(number(index), e.Content...))
}

// adoptMark works the mark out from its entry and the run that it is about.
func (a *Archive) adoptMark(tx *bolt.Tx, index int64, e trail.Entry) error {
	id := string(tx.Bucket(bHashes).Get(e.Digest[:]))
	run, err := a.runIn(tx, id)
	if errors.Is(err, ErrNotFound) {
		return errors.New("the mark's run is not here")
	}
	if err != nil {
		return err
	}
	l, err := labelsOf(tx.Bucket(bByTime).Get(run.Get([]byte("at"))))
	if err != nil {
		return err
	}
	label, ok := strings.CutPrefix(e.Subject, l.Rig+"/")
	why, named := strings.CutPrefix(e.Text, id)
	if !ok || !named {
		return errors.New("the mark is of another rig or run")
	}
	return putMark(tx, Mark{Rig: l.Rig, Setup: label, RunID: id, At: e.At, By: e.Actor, Why: strings.TrimPrefix(why, " "), Index: index})
}

func (a *Archive) adoptRetraction(tx *bolt.Tx, index int64, e trail.Entry) error {
	r := Retraction{RunID: e.Subject, Withdrawn: e.Kind == trail.KindReinstatement, At: e.At, By: e.Actor, Why: e.Text, Index: index}
	if tx.Bucket(bRuns).Bucket([]byte(r.RunID)) == nil {
		return errors.New("its run is not here")
	}
	history, err := retractionsOf(tx, r.RunID)
	if err != nil {
		return err
	}
	if r.Withdrawn != InForce(history) {
		return errors.New("it does not follow from those before")
	}
	if r.Judged, err = a.restand(tx, r.RunID, history, r.Withdrawn); err != nil {
		return err
	}
	return putJSON(tx.Bucket(bRetractions), under(number(index), r.RunID), r)
}

func (a *Archive) adoptKey(tx *bolt.Tx, index int64, e Adopting, keys *lineage) error {
	k := KeyChange{Name: e.Entry.Subject, Key: e.Content, Revoked: e.Entry.Kind == trail.KindRevocation, At: e.Entry.At, By: e.Entry.Actor, Index: index}
	if sha256.Sum256(k.Key) != e.Entry.Digest || int64(len(k.Key)) != e.Entry.Length {
		return errors.New("the key is not what it is about")
	}
	if k.Revoked {
		k.Why = e.Entry.Text
	} else if err := k.admitted(e.Entry.Text); err != nil {
		return err
	}
	if keys.names == nil {
		before, err := keyChanges(tx)
		if err != nil {
			return err
		}
		*keys = lineageOf(before)
	}
	if err := keys.follows(a.origin, k); err != nil {
		return err
	}
	keys.add(k)
	return putJSON(tx.Bucket(bKeys), number(index), k)
}

func (a *Archive) adoptRestore(tx *bolt.Tx, index int64, e Adopting) error {
	if sha256.Sum256(e.Content) != e.Entry.Digest {
		return errors.New("the head that it went on from is not what it is about")
	}
	r := Restore{At: e.Entry.At, By: e.Entry.Actor, Why: e.Entry.Text, To: string(e.Content), Index: index}
	for _, n := range e.GivenUp {
		r.GivenUp = append(r.GivenUp, string(n))
	}
	line, err := a.line(tx)
	if err == nil {
		_, err = r.lost(line)
	}
	if err != nil {
		return err
	}
	return putJSON(tx.Bucket(bRestores), number(index), r)
}

// ErrNotBegun is returned for the file of a copy that was made and never begun, as by
// a process that was killed there.
var ErrNotBegun = errors.New("the copy was not begun")

// OpenFollowing opens an archive that follows the trail of a verifier key, making
// it when it is new, with that trail's signed head over nothing and the successions
// of its keys so far. For one that is there the key may be "": it is then the one
// that the archive names.
func OpenFollowing(path, key string, empty []byte, opt Options, successions ...[]byte) (*Archive, error) {
	db, err := openFile(path, opt.Wait, opt.bolt(path))
	if err != nil {
		return nil, err
	}
	a := newArchive(db, opt.Now)
	a.follows = true
	if err := a.prepareFollowing(key, empty, successions); err != nil {
		a.shut()
		return nil, opening(path, err)
	}
	return a, nil
}

func (a *Archive) prepareFollowing(key string, empty []byte, successions [][]byte) (err error) {
	if a.pack, err = newPacker(); err != nil {
		return err
	}
	if key == "" {
		if err = a.view(func(tx *bolt.Tx) error {
			if m := tx.Bucket(bMeta); m != nil {
				key = string(m.Get(kKey))
			}
			return nil
		}); err != nil {
			return err
		}
	}
	name, _, _ := strings.Cut(key, "+")
	if err = a.identify(name); err == nil && !a.begun() && len(empty) == 0 {
		err = ErrNotBegun
	}
	if err == nil {
		err = a.trust(key)
	}
	if err != nil {
		return err
	}
	if a.begun() {
		if ready, err := a.ready(); ready || err != nil {
			return err
		}
	}
	return a.change(func(tx *bolt.Tx) error {
		return a.begin(tx, func() ([]byte, error) { return empty, nil }, successions...)
	})
}

// begun says whether something was written into the file.
func (a *Archive) begun() (yes bool) {
	a.view(func(tx *bolt.Tx) error {
		yes = tx.Bucket(bMeta) != nil
		return nil
	})
	return yes
}
