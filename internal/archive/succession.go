package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// Succeeded is a key of the trail that another followed.
type Succeeded struct {
	trail.Succession
	Note        []byte       // signed, as the entry at Last.Size binds it
	Consistency []trail.Hash // from the last head of the old key to the one asked about
}

// Rekeying says which key is to sign the trail from now on.
type Rekeying struct {
	Next    ed25519.PrivateKey
	By, Why string
	Keeper  ed25519.PrivateKey // of By, who vouches for a lost key; nil for the owner
}

// ErrKey is returned for a key that may not follow, and for who may not say so.
var ErrKey = errors.New("the key is not changed")

// Rekey hands the signing of the trail to another key, with an entry that the
// present key signs. Heads and receipts are signed by the new key from that entry's
// head on.
func (a *Archive) Rekey(r Rekeying) (s Succeeded, receipt trail.Receipt, err error) {
	if a.ReadOnly() {
		return s, receipt, fault.New("change key", a.path, ErrReadOnly).WithHint(needsKey)
	}
	return a.rekey(r, false)
}

func (a *Archive) rekey(r Rekeying, lost bool) (s Succeeded, receipt trail.Receipt, err error) {
	next, err := signerOf(a.origin, r.Next)
	if err == nil {
		a.addSigner(next)
		err = a.change(func(tx *bolt.Tx) error {
			s, receipt, err = a.succeed(tx, r, next, lost)
			return err
		})
	}
	if err != nil {
		return s, receipt, fault.New("change key", a.path, err)
	}
	return s, receipt, nil
}

func (a *Archive) succeed(tx *bolt.Tx, r Rekeying, next signer, lost bool) (s Succeeded, receipt trail.Receipt, err error) {
	line, err := a.line(tx)
	if err != nil {
		return s, receipt, err
	}
	s.Old, s.New = line.Present(), next.key
	if s.Last, err = a.head(tx); err != nil {
		return s, receipt, err
	}
	signers := []note.Signer{next}
	if lost {
		s.Word, signers, err = word(tx, r, next)
	} else if old := a.signerWith(s.Old); old == nil {
		err = ErrReadOnly
	} else {
		signers = []note.Signer{old, next}
	}
	if err == nil {
		_, err = line.Follow(s.Succession)
	}
	if err != nil {
		return s, receipt, fmt.Errorf("%w: %w", ErrKey, err)
	}
	if s.Note, err = trail.SignSuccession(s.Succession, signers...); err != nil {
		return s, receipt, err
	}
	// From here on the key of this transaction is the new one, which signs its head.
	if err := putSuccession(tx, s); err != nil {
		return s, receipt, err
	}
	if lost {
		a.key = s.New // to which the lost one does not lead; nobody else has this archive
	}
	receipt, err = a.enter(tx, trail.KindSuccession, sha256.Sum256(s.Note), len(s.Note), a.origin, r.By, r.Why)
	return s, receipt, err
}

// word gives on whose word a key that is lost gets one that follows it.
func word(tx *bolt.Tx, r Rekeying, next note.Signer) (string, []note.Signer, error) {
	if r.Keeper == nil {
		return trail.OwnersWord, []note.Signer{next}, nil
	}
	pub := r.Keeper.Public().(ed25519.PublicKey)
	changes, err := keyChanges(tx)
	if err == nil {
		_, err = lineageOf(changes).newest(trust.Member{Role: trust.Keeper, Name: r.By}, pub)
	}
	if err != nil {
		return "", nil, err
	}
	key, err := trail.KeepersKey(r.By, pub)
	if err != nil {
		return "", nil, err
	}
	name, err := note.NewVerifier(key)
	if err != nil {
		return "", nil, err
	}
	keeper, err := trail.NewSigner(name.Name(), r.Keeper)
	return key, []note.Signer{keeper, next}, err
}

// putSuccession keeps it under the place that its entry has, or will have.
func putSuccession(tx *bolt.Tx, s Succeeded) error {
	if err := tx.Bucket(bSuccessions).Put(number(s.Last.Size), s.Note); err != nil {
		return err
	}
	return tx.Bucket(bMeta).Put(kKey, []byte(s.New))
}

// Vouch opens an archive whose key is lost and gives it the next one, on the word
// of the keeper or of the owner. The next key may have been made before.
func Vouch(path string, opt Options, r Rekeying) (s Succeeded, err error) {
	db, err := openFile(path, opt.Wait, &bolt.Options{FreelistType: bolt.FreelistMapType})
	if err != nil {
		return s, err
	}
	a := newArchive(db, opt.Now)
	err = a.learn("")
	if err == nil {
		if a.pack, err = newPacker(); err == nil {
			err = a.change(a.makeBuckets)
		}
	}
	if err == nil {
		s, _, err = a.rekey(r, true)
	}
	return s, errors.Join(err, a.Close())
}

// successions gives the rows of the bucket in their order.
func successions(tx *bolt.Tx) (notes [][]byte, err error) {
	b := tx.Bucket(bSuccessions)
	if b == nil {
		return nil, nil
	}
	err = b.ForEach(func(k, v []byte) error {
		notes = append(notes, bytes.Clone(v))
		return nil
	})
	return notes, err
}

// line gives the keys of the trail, as the transaction sees them. It fails when the
// key by which the archive was opened does not lead to the present one.
func (a *Archive) line(tx *bolt.Tx) (trail.Line, error) {
	kept := tx.Bucket(bMeta).Get(kKey)
	if l := a.lines.Load(); l != nil && (kept == nil || l.Present() == string(kept)) {
		return *l, nil
	}
	notes, err := successions(tx)
	if err != nil {
		return trail.Line{}, err
	}
	first := a.key
	if len(notes) > 0 {
		s, err := trail.OpenSuccession(notes[0])
		if err != nil {
			return trail.Line{}, fmt.Errorf("the first succession of its key: %w", err)
		}
		first = s.Old
	}
	l, err := trail.NewLine(first)
	if err == nil {
		l, _, err = l.Walk(notes...)
	}
	if err == nil && l.Origin() != a.origin {
		err = fmt.Errorf("its trail is %s and the key is of %s", a.origin, l.Origin())
	}
	if err != nil {
		return l, fmt.Errorf("the keys of its trail: %w", err)
	}
	switch ok, err := l.From(a.key); {
	case err != nil:
		return l, fmt.Errorf("the key %s: %w", a.key, err)
	case !ok:
		return l, otherKey(l.Present(), a.key)
	}
	a.lines.Store(&l)
	return l, nil
}

// Line is the keys of the trail.
func (a *Archive) Line() (l trail.Line, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		l, err = a.line(tx)
		return err
	})
	if err != nil {
		return l, fault.New("read the trail's keys", a.path, err)
	}
	return l, nil
}

// Successions gives those that follow a key, each with the proof that the head of
// a size adds to the last one of its old key; all of them for "".
func (a *Archive) Successions(since string, size int64) (out []Succeeded, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		out, err = succeeded(tx, since, size)
		return err
	})
	if err != nil {
		return nil, fault.New("read the trail's keys", a.path, err)
	}
	return out, nil
}

func succeeded(tx *bolt.Tx, since string, size int64) (out []Succeeded, err error) {
	notes, err := successions(tx)
	if err != nil {
		return nil, err
	}
	met := since == ""
	for _, n := range notes {
		s := Succeeded{Note: n}
		if s.Succession, err = trail.OpenSuccession(n); err != nil {
			return nil, err
		}
		if met = met || s.Old == since; !met {
			continue
		}
		if s.Last.Size < size {
			if s.Consistency, err = trail.ProveConsistency(s.Last.Size, size, hashReader{tx}); err != nil {
				return nil, err
			}
		}
		out = append(out, s)
	}
	return out, nil
}

// Announce keeps successions that a copy will come by later, so that it can open
// the heads that its source signs now. The copy must not have come further than the
// old keys are to have signed.
func (a *Archive) Announce(notes ...[]byte) error { return a.announce(false, notes) }

// Believe is Announce that also takes a key which follows a lost one on a keeper's
// word or the owner's, because whoever keeps the copy says so.
func (a *Archive) Believe(notes ...[]byte) error { return a.announce(true, notes) }

func (a *Archive) announce(word bool, notes [][]byte) error {
	err := a.change(func(tx *bolt.Tx) error {
		if !a.follows {
			return errors.New("this archive follows nobody")
		}
		for _, n := range notes {
			line, err := a.line(tx)
			if err != nil {
				return err
			}
			s := Succeeded{Note: n}
			if s.Succession, err = trail.OpenSuccession(n); err == nil {
				_, err = line.Follow(s.Succession)
			}
			if err == nil && s.Word != "" && !word {
				err = fmt.Errorf("%w, but %s", trail.ErrOnWord, s.OnWord())
			}
			if err == nil {
				err = a.mayEndIn(tx, s.Last)
			}
			if err == nil {
				err = putSuccession(tx, s)
			}
			if err != nil {
				return err
			}
			if word {
				a.key = s.New // to which a lost one does not lead
			}
		}
		return nil
	})
	if err != nil {
		return fault.New("take the trail's next key", a.path, err)
	}
	return nil
}

// mayEndIn refuses the last head of a key to which the tree cannot come any more: what
// is here and came after it would open to nobody.
func (a *Archive) mayEndIn(tx *bolt.Tx, last trail.Head) error {
	now, err := a.head(tx)
	switch {
	case err != nil:
		return err
	case last.Size < now.Size:
		return fmt.Errorf("%w: %d entries are here, and the old key is to have signed no more than %d", ErrDiffers, now.Size, last.Size)
	case last.Size == now.Size && last != now:
		return fmt.Errorf("%w: the last head of the old key is to be another", ErrDiffers)
	}
	return nil
}

// adoptSuccession holds one that a copy has come by against its tree.
func (a *Archive) adoptSuccession(tx *bolt.Tx, index int64, e Adopting) error {
	s, err := a.successionOf(tx, index, e.Entry, e.Content)
	if err != nil {
		return err
	}
	if had := tx.Bucket(bSuccessions).Get(number(index)); had != nil {
		if !bytes.Equal(had, e.Content) {
			return errors.New("the succession is not the one that was announced")
		}
		return nil
	}
	line, err := a.line(tx)
	if err == nil {
		_, err = line.Follow(s)
	}
	if err != nil {
		return err
	}
	return putSuccession(tx, Succeeded{Succession: s, Note: e.Content})
}

// successionOf holds a succession against its entry, whose place is the size of the
// last head that the old key signs, that head against the tree, and a keeper's word
// against his keys.
func (a *Archive) successionOf(tx *bolt.Tx, index int64, e trail.Entry, content []byte) (trail.Succession, error) {
	s, err := trail.OpenSuccession(content)
	switch {
	case err != nil:
		return s, err
	case e.Kind != trail.KindSuccession || e.Digest != sha256.Sum256(content) || e.Length != int64(len(content)) ||
		e.Subject != a.origin || s.Last.Origin != a.origin || s.Last.Size != index:
		return s, errors.New("the succession is not what its entry is about")
	}
	if err := trail.CheckStore(s.Last, hashReader{tx}); err != nil {
		return s, err
	}
	return s, vouched(tx, s, e)
}

// successions holds what is kept of them against the entries.
func (c *check) successions() {
	n := 0
	c.each(bSuccessions, func(k, v []byte) {
		where := fmt.Sprintf("succession at entry %d", numberOf(k))
		leaf := c.tx.Bucket(bLeaves).Get(k)
		if leaf == nil && c.announced(k, v) {
			return
		}
		n++
		e, err := trail.ParseEntry(leaf)
		if err == nil {
			_, err = c.archive.successionOf(c.tx, numberOf(k), e, v)
		}
		if err != nil {
			c.wrong(where, "%v", err)
		}
	})
	if n != c.succeeded {
		c.wrong("successions", "%d are kept, and %d entries are about one", n, c.succeeded)
	}
}

// announced says whether it is of a head that this copy has not come to.
func (c *check) announced(k, v []byte) bool {
	s, err := trail.OpenSuccession(v)
	head, err2 := c.archive.head(c.tx)
	return err == nil && err2 == nil && len(k) == 8 && numberOf(k) == s.Last.Size && s.Last.Size >= head.Size
}

// vouched holds the word that a succession is on against the keepers of its time. The
// owner's nobody can hold against anything.
func vouched(tx *bolt.Tx, s trail.Succession, e trail.Entry) error {
	name, key, ok := s.Keeper()
	if !ok {
		return nil
	}
	changes, err := keyChanges(tx)
	if err != nil {
		return err
	}
	changes = slices.DeleteFunc(changes, func(k KeyChange) bool { return k.Index > s.Last.Size })
	if _, err := lineageOf(changes).newest(trust.Member{Role: trust.Keeper, Name: name}, key); err != nil {
		return fmt.Errorf("it is on the word of %s: %w", s.OnWord(), err)
	}
	if e.Actor != name {
		return fmt.Errorf("it is on the word of %s, and its entry says %s", s.OnWord(), e.Actor)
	}
	return nil
}

// signer is a key that signs heads, with its verifier key.
type signer struct {
	note.Signer
	key string
}

func signerOf(origin string, key ed25519.PrivateKey) (s signer, err error) {
	if s.Signer, err = trail.NewSigner(origin, key); err != nil {
		return s, err
	}
	s.key, err = trail.VerifierKey(origin, key.Public().(ed25519.PublicKey))
	return s, err
}

// addSigner remembers a key to sign with while the trail is its own.
func (a *Archive) addSigner(s signer) {
	a.signing.Lock()
	defer a.signing.Unlock()
	if !slices.ContainsFunc(a.signers, func(o signer) bool { return o.key == s.key }) {
		a.signers = append(a.signers, s)
	}
}

func (a *Archive) signerWith(key string) note.Signer {
	a.signing.Lock()
	defer a.signing.Unlock()
	for _, s := range a.signers {
		if s.key == key {
			return s
		}
	}
	return nil
}

// signer gives the key that the trail is signed with, as the transaction sees it.
func (a *Archive) signer(tx *bolt.Tx) (note.Signer, error) {
	line, err := a.line(tx)
	if err != nil {
		return nil, err
	}
	if s := a.signerWith(line.Present()); s != nil {
		return s, nil
	}
	return nil, ErrReadOnly
}
