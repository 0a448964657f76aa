package dossier

import (
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"time"

	"witnessmark/internal/screen"
	"witnessmark/internal/trust"
)

// ownKey gives the admission of the key that signed the record, when it was before the
// record was kept.
func (c Contents) ownKey(s *keyStory) *admission {
	return s.before(c.Signed.PublicKey, c.Proof.Receipt.Index)
}

// chained checks the certificates in the file, and says whose the record's key is
// by them and the trail.
func (v *verification) chained() error {
	keys, own := v.after.keys, v.ownKey(v.after.keys)
	switch {
	case v.Proof.Chain != nil:
		if err := v.chain(own); err != nil {
			return at(chainName, err)
		}
	case len(keys.certificates) > 0:
		return at(chainName, fmt.Errorf("it is missing, and entry %d of the trail is about it", keys.certificates[0].index))
	case own == nil && len(v.known.Rigs) == 0:
		v.doubt(sigName, "no certificate goes with the key: the run was delivered without one, and is of rig %s by its own word", v.run.Rig)
	case own != nil:
		v.doubt(sigName, "no certificate of the key was kept")
	}
	if own.revokedBefore(v.Proof.Receipt.Index) {
		v.doubt(sigName, "the key was revoked before the collector kept the run, with entry %d of the trail, %s UTC", own.revoked.index, screen.At(own.revoked.At))
	}
	return v.keyStory(own)
}

// keyStory tells of all the rig's keys, and checks what those before have signed.
func (v *verification) keyStory(own *admission) error {
	if err := v.after.keys.check(); err != nil {
		return err
	}
	for _, a := range v.after.keys.admitted {
		which := "a key"
		if own != nil && a.index == own.index {
			which = "the record's key"
		}
		v.admitted(which, v.after.keys.of, a)
		if a.revoked == nil {
			continue
		}
		say := v.holds
		if own != nil && a.index == own.index {
			say = v.doubt
		}
		say(entriesName, "entry %d, %s UTC: %s, %x, was revoked by %s: %s", a.revoked.index, screen.At(a.revoked.At), which, a.Digest[:8], a.revoked.Actor, a.revoked.Text)
	}
	return nil
}

// admitted tells of a member's key on whose word it was admitted.
func (v *verification) admitted(which string, of trust.Member, a admission) {
	say := v.holds
	if a.Lost != nil {
		say = v.doubt
	}
	say(entriesName, "entry %d, %s UTC: %s, %x, was admitted for %s %s", a.index, screen.At(a.At), which, a.Digest[:8], of, a.word())
}

// chain holds the certificates against the record, its key's admission and the
// entry that binds them.
func (v *verification) chain(own *admission) error {
	c, bound, err := v.after.keys.certified(v.Proof.Chain, v.Signed.PublicKey, own)
	if err != nil {
		return err
	}
	if len(v.after.keys.certificates) != 1 || bound.index >= v.Proof.Receipt.Index {
		return errors.New("the trail in the file tells of other certificates, or of this one after the record was kept")
	}
	v.bound(chainName, "the key", v.after.keys.of, c, bound, own)
	if !validAt(c, v.own.At) {
		v.doubt(chainName, "it was not valid when the collector kept the run, %s UTC", screen.At(v.own.At))
	}
	return nil
}

// bound tells by which certificate a key is whose, and where its admission was under
// another authority.
func (v *verification) bound(where, key string, of trust.Member, c trust.Chain, bound told, own *admission) {
	authority := trust.FingerprintOf(c.Authority)
	v.holds(where, "a certificate of authority %v binds %s to %s, %s; it is entry %d of the trail", authority, key, of, validity(c), bound.index)
	if own.Authority != (trust.Fingerprint{}) && own.Authority != authority {
		v.doubt(where, "%s was admitted under another authority, %v, and certified anew since", key, own.Authority)
	}
}

// certified reads a member's certificate with its authority's, and holds it against
// the key, that key's admission and the entry that binds it, which is given back.
func (s *keyStory) certified(pem []byte, key ed25519.PublicKey, own *admission) (trust.Chain, told, error) {
	c, err := trust.ParseChain(pem)
	if err != nil {
		return c, told{}, err
	}
	m, certified, err := c.Binds()
	authority := trust.FingerprintOf(c.Authority)
	bound := slices.IndexFunc(s.certificates, func(x told) bool {
		return x.Digest == sha256.Sum256(pem) && x.Length == int64(len(pem))
	})
	switch {
	case err != nil:
		return c, told{}, err
	case m != s.of:
		return c, told{}, fmt.Errorf("the certificate is for %s, and not for %s", m, s.of)
	case !certified.Equal(key):
		return c, told{}, errors.New("the certificate is of another key than the one that signed")
	case own == nil:
		return c, told{}, errors.New("the trail in the file does not tell that the key was admitted before it signed")
	case bound < 0:
		return c, told{}, errors.New("no entry of the trail in the file binds these certificates")
	case s.certificates[bound].Text != trust.CertificateText(authority):
		return c, told{}, fmt.Errorf("the certificate is of authority %v, and its entry in the trail says %s", authority, s.certificates[bound].Text)
	}
	return c, s.certificates[bound], nil
}

func validity(c trust.Chain) string {
	return fmt.Sprintf("valid from %s to %s UTC", screen.At(c.Leaf.NotBefore), screen.At(c.Leaf.NotAfter))
}

func validAt(c trust.Chain, t time.Time) bool {
	return !t.Before(c.Leaf.NotBefore) && !t.After(c.Leaf.NotAfter)
}

// vouched says whether the reader knows the authority in the file; what its chain
// says of the key is checked with the entries.
func (v *verification) vouched() (bool, error) {
	if v.Proof.Chain == nil {
		return false, nil
	}
	c, err := trust.ParseChain(v.Proof.Chain)
	if err != nil {
		return false, err
	}
	return v.known.rig(trust.FingerprintOf(c.Authority).String()), nil
}

// keyLines tells on the cover whose the key is, and of the rig's other keys.
func (c Contents) keyLines(line func(string, ...any), s *keyStory) {
	own := c.ownKey(s)
	if own == nil {
		return
	}
	line("  the key was admitted for the rig %s with entry %d, %s UTC", screen.Clean(own.word()), own.index, screen.At(own.At))
	if chain, err := trust.ParseChain(c.Proof.Chain); err == nil {
		line("  authority %v certified it from %s to %s UTC", trust.FingerprintOf(chain.Authority), day(chain.Leaf.NotBefore), day(chain.Leaf.NotAfter))
	}
	if own.revokedBefore(c.Proof.Receipt.Index) {
		line("  the key was revoked before the collector kept the record, %s UTC, entry %d, by %s: %s",
			screen.At(own.revoked.At), own.revoked.index, screen.Clean(own.revoked.Actor), screen.Clean(own.revoked.Text))
	}
}

// after tells on the cover what became of the rig's keys.
func (s *keyStory) after(line func(string, ...any), receipt int64) (told int) {
	for _, a := range s.admitted {
		if a.index > receipt {
			line("  %s UTC, entry %d: another key was admitted for the rig %s", screen.At(a.At), a.index, screen.Clean(a.word()))
			told++
		}
		if r := a.revoked; r != nil && r.index > receipt {
			line("  %s UTC, entry %d: a key of the rig was revoked by %s: %s", screen.At(r.At), r.index, screen.Clean(r.Actor), screen.Clean(r.Text))
			told++
		}
	}
	return told
}

func day(t time.Time) string { return t.UTC().Format(time.DateOnly) }
