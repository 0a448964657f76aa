package archive

import (
	"bytes"
	"cmp"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// Proof shows a run's place in the trail and that of all that the trail tells of
// it, under one head.
type Proof struct {
	VerifierKey string
	Head        []byte // the signed note
	Receipt     trail.Receipt
	Consistency []trail.Hash // from the receipt's tree to the head's
	// Entries are by index: the run's own, that of its setup's coming into force, the
	// mark that it was held against and the marked record's, its retractions and
	// reinstatements, later restores, what became of its rig's keys and of those of the
	// keepers who have signed that a key of the trail, the rig or such a keeper is lost,
	// and the certificates of Chain, Words and Losses.
	Entries  []ProvedEntry
	Cosigned []Cosigned   // heads that witnesses signed, that have the run's entry
	Keys     []Succeeded  // of the trail
	Words    [][]byte     // for each of Keys the certificates of the keeper on whose word it is; nil for none
	Losses   []SignedLoss // by index
	After    *Seen        // how it belongs to a head that was asked about; nil for none
	Chain    []byte       // the certificates of the record's key when it was kept; nil for none
	Summary  []byte       // whose hash the run's own entry has
}

// SignedLoss is an admission in the place of lost keys that a keeper has signed for.
type SignedLoss struct {
	Index int64  // of its entry
	Chain []byte // the certificates of the keeper's key when it was entered; nil for none
}

// ErrNotOfTrail is returned for a head that this trail never had, or that it lacks
// and no restore gave up.
var ErrNotOfTrail = errors.New("that head is none of this trail's")

// ProvedEntry is a leaf of the trail with the path from it to the root.
type ProvedEntry struct {
	Index int64
	Leaf  []byte
	Proof []trail.Hash
}

// Prove proves a run by its whole id. MarkRun is the run that it was held against,
// "" for none; s is the setup in its record, nil for none.
// After is a signed head of before that the proof is to lead on from, nil for none.
func (a *Archive) Prove(id, markRun string, s *record.Setup, after []byte) (p Proof, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		head, err := a.head(tx)
		if err != nil {
			return err
		}
		if after != nil {
			seen, err := a.seen(tx, head, after, nil)
			if err != nil {
				return err
			}
			if !seen.Ours && !seen.GivenUp {
				return fault.New("lead on", "", ErrNotOfTrail).WithHint("is the older file of this collector? where its trail was put back behind a change of its key, the two are verified each by itself")
			}
			p.After = &seen
		}
		return a.prove(tx, &p, head, id, markRun, s)
	})
	if err != nil {
		return Proof{}, unread("prove run", id, err)
	}
	return p, nil
}

func (a *Archive) prove(tx *bolt.Tx, p *Proof, head trail.Head, id, markRun string, s *record.Setup) (err error) {
	run, err := a.runIn(tx, id)
	if err != nil {
		return err
	}
	line, err := a.line(tx)
	if err != nil {
		return err
	}
	p.VerifierKey, p.Head = line.Present(), bytes.Clone(tx.Bucket(bTrail).Get(kHead))
	p.Summary = bytes.Clone(tx.Bucket(bSummary).Get(run.Get([]byte("at"))))
	if p.Receipt, err = a.receiptOf(tx, id); err != nil {
		return err
	}
	if p.Consistency, err = trail.ProveConsistency(p.Receipt.Size, head.Size, hashReader{tx}); err != nil {
		return err
	}
	indexes, err := a.entriesOf(tx, id, markRun, p.Receipt.Index, p.behind())
	if err != nil {
		return err
	}
	// An archive may have runs from before setups had entries.
	if at := ownSetup(tx, run, s); at >= 0 && at < p.Receipt.Index {
		indexes = append(indexes, at)
	}
	if p.Keys, err = succeeded(tx, "", head.Size); err != nil {
		return err
	}
	for _, s := range p.Keys {
		indexes = append(indexes, s.Last.Size)
	}
	all, err := keyChanges(tx)
	if err != nil {
		return err
	}
	t := telling{tx: tx, all: all, told: map[trust.Member]bool{}, indexes: indexes}
	if err = p.keepers(&t); err == nil {
		indexes, err = p.keys(&t, run)
	}
	if err != nil {
		return err
	}
	for _, i := range indexes {
		e := ProvedEntry{Index: i, Leaf: bytes.Clone(tx.Bucket(bLeaves).Get(number(i)))}
		if e.Proof, err = trail.ProveInclusion(head.Size, i, hashReader{tx}); err != nil {
			return err
		}
		p.Entries = append(p.Entries, e)
	}
	p.Cosigned, err = a.cosigned(tx, head.Size)
	p.Cosigned = slices.DeleteFunc(p.Cosigned, func(c Cosigned) bool { return c.Head.Size <= p.Receipt.Index })
	return err
}

// behind is the size of the head that a restore went back behind; 0 for none.
func (p *Proof) behind() int64 {
	if p.After == nil || p.After.Ours {
		return 0
	}
	return p.After.Head.Size
}

// telling is the entries that tell of keys, as they are found.
type telling struct {
	tx      *bolt.Tx
	all     []KeyChange
	told    map[trust.Member]bool // of whose keys it has all
	indexes []int64
}

// keepers adds what tells of those on whose word keys of the trail are.
func (p *Proof) keepers(t *telling) error {
	for _, s := range p.Keys {
		var chain []byte
		if name, key, ok := s.Keeper(); ok {
			var err error
			if chain, err = p.keeper(t, name, key, s.Last.Size); err != nil {
				return err
			}
		}
		p.Words = append(p.Words, chain)
	}
	return nil
}

// keeper adds what tells of a keeper who has signed something that an entry is about,
// and gives the certificates that his key had before it.
func (p *Proof) keeper(t *telling, name string, key ed25519.PublicKey, before int64) ([]byte, error) {
	m := trust.Member{Role: trust.Keeper, Name: name}
	if err := p.changes(t, m); err != nil {
		return nil, err
	}
	c, err := certificateOf(t.tx, key, before)
	if err != nil || c.member() != m {
		return nil, err
	}
	t.indexes = append(t.indexes, c.Index)
	return c.PEM(), nil
}

// changes adds what became of a member's keys, and what tells of the keepers who have
// signed that some of them are lost.
func (p *Proof) changes(t *telling, m trust.Member) (err error) {
	if t.told[m] {
		return nil
	}
	t.told[m] = true
	for _, k := range keysOf(t.all, m) {
		t.indexes = append(t.indexes, k.Index)
		if k.Word == nil {
			continue
		}
		x := SignedLoss{Index: k.Index}
		if x.Chain, err = p.keeper(t, k.By, k.Word.Key, k.Index); err != nil {
			return err
		}
		p.Losses = append(p.Losses, x)
	}
	return nil
}

// keys adds what tells of the rig's keys, and gives all in order.
func (p *Proof) keys(t *telling, run *bolt.Bucket) ([]int64, error) {
	l, err := labelsOf(t.tx.Bucket(bByTime).Get(run.Get([]byte("at"))))
	if err == nil {
		err = p.changes(t, trust.Member{Role: trust.Rig, Name: l.Rig})
	}
	if err != nil {
		return nil, err
	}
	c, err := certificateOf(t.tx, run.Get([]byte("public_key")), p.Receipt.Index)
	if err != nil {
		return nil, err
	}
	if of := c.member(); of.Role == trust.Rig && of.Name == l.Rig {
		t.indexes, p.Chain = append(t.indexes, c.Index), c.PEM()
	}
	slices.SortFunc(p.Losses, func(a, b SignedLoss) int { return cmp.Compare(a.Index, b.Index) })
	slices.Sort(t.indexes)
	return slices.Compact(t.indexes), nil
}

// ownSetup finds the entry of a run's setup; -1 when it has none.
func ownSetup(tx *bolt.Tx, run *bolt.Bucket, s *record.Setup) int64 {
	l, err := labelsOf(tx.Bucket(bByTime).Get(run.Get([]byte("at"))))
	if s == nil || err != nil {
		return -1
	}
	return setupIndex(tx, l.Rig, s.Label, sha256.Sum256(s.Source))
}

// entriesOf gives the places of the entries that tell of a run, in order, and of the
// restores after it or behind a head of a size.
func (a *Archive) entriesOf(tx *bolt.Tx, id, markRun string, own, behind int64) (indexes []int64, err error) {
	indexes = []int64{own}
	if markRun != "" {
		marked, err := a.receiptOf(tx, markRun)
		if err != nil {
			return nil, fmt.Errorf("its mark, run %s: %w", markRun, err)
		}
		at, err := acceptance(tx, markRun, own)
		if err != nil {
			return nil, err
		}
		indexes = append(indexes, marked.Index, at)
	}
	history, err := retractionsOf(tx, id)
	if err != nil {
		return nil, err
	}
	for _, r := range history {
		indexes = append(indexes, r.Index)
	}
	later, err := restores(tx)
	if err != nil {
		return nil, err
	}
	for _, r := range later {
		if r.Index > own || r.Index < behind {
			indexes = append(indexes, r.Index)
		}
	}
	slices.Sort(indexes)
	return slices.Compact(indexes), nil
}

// acceptance finds the last entry before another's place that made a run the
// mark.
func acceptance(tx *bolt.Tx, markRun string, before int64) (int64, error) {
	found := int64(-1)
	err := tx.Bucket(bMarks).ForEach(func(k, v []byte) error {
		var m Mark
		if err := json.Unmarshal(v, &m); err != nil {
			return fmt.Errorf("mark at %q: %w", k, err)
		}
		if m.RunID == markRun && m.Index < before {
			found = max(found, m.Index)
		}
		return nil
	})
	if err == nil && found < 0 {
		err = fmt.Errorf("the acceptance of its mark, run %s: %w", markRun, ErrNotFound)
	}
	return found, err
}

// Origin names the archive's trail.
func (a *Archive) Origin() string { return a.origin }

// Sign makes a note of a text that is not a head, signed by the trail's key.
func (a *Archive) Sign(text string) (signed []byte, err error) {
	if a.ReadOnly() {
		return nil, fault.New("sign", a.path, ErrReadOnly).WithHint(needsKey)
	}
	if strings.HasPrefix(text, a.origin+"\n") || strings.HasPrefix(text, a.origin+"/succession\n") {
		return nil, fault.New("sign", a.path, errors.New("it reads like a head or a succession of the trail"))
	}
	err = a.view(func(tx *bolt.Tx) error {
		s, err := a.signer(tx)
		if err == nil {
			signed, err = note.Sign(&note.Note{Text: text}, s)
		}
		return err
	})
	return signed, err
}
