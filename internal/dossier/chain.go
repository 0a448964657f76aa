package dossier

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// keyStory is what the trail tells of the keys of a run's rig, in order.
type keyStory struct {
	admitted    []admission
	certificate *told // of the chain in the file
}

// admission is a key that was admitted for the rig.
type admission struct {
	told
	trust.Admission
	revoked *told
}

// takes gives an entry its part in the story; false when it has none.
func (s *keyStory) takes(e trail.Entry, index int64, p Proof) bool {
	switch e.Kind {
	case trail.KindKey:
		a, err := trust.ParseAdmission(e.Text)
		if err != nil || a.Role != trust.Rig {
			return false
		}
		s.admitted = append(s.admitted, admission{told: told{e, index}, Admission: a})
		return true
	case trail.KindRevocation:
		a := s.of(e.Digest)
		if a == nil || a.revoked != nil {
			return false
		}
		a.revoked = &told{e, index}
		return true
	case trail.KindCertificate:
		if s.certificate != nil || index >= p.Receipt.Index {
			return false
		}
		s.certificate = &told{e, index}
		return true
	}
	return false
}

// of gives the admission of the key with that hash; nil when there is none.
func (s *keyStory) of(key trail.Digest) *admission {
	for i := range s.admitted {
		if s.admitted[i].Digest == key {
			return &s.admitted[i]
		}
	}
	return nil
}

// ownKey gives the admission of the key that signed the record, when it was before the
// record was kept.
func (c Contents) ownKey(s keyStory) *admission {
	if a := s.of(sha256.Sum256(c.Signed.PublicKey)); a != nil && a.index < c.Proof.Receipt.Index {
		return a
	}
	return nil
}

// chained checks the certificates in the file, and says whose the record's key is
// by them and the trail.
func (v *verification) chained() error {
	own := v.ownKey(v.after.keys)
	switch {
	case v.Proof.Chain != nil:
		if err := v.chain(own); err != nil {
			return at(chainName, err)
		}
	case v.after.keys.certificate != nil:
		return at(chainName, fmt.Errorf("it is missing, and entry %d of the trail is about it", v.after.keys.certificate.index))
	case own == nil && len(v.known.Rigs) == 0:
		v.doubt(sigName, "no certificate goes with the key: the run was delivered without one, and is of rig %s by its own word", v.run.Rig)
	case own != nil:
		v.doubt(sigName, "no certificate of the key was kept")
	}
	return v.keyStory(own)
}

// keyStory tells of all the rig's keys, and checks what those before have signed.
func (v *verification) keyStory(own *admission) error {
	for i, a := range v.after.keys.admitted {
		err := a.Check(v.run.Rig, a.Digest)
		if err == nil {
			err = keyStory{admitted: v.after.keys.admitted[:i]}.leadsTo(a)
		}
		if err != nil {
			return entryFault(a.index, err)
		}
		which := "a key"
		if own != nil && a.index == own.index {
			which = "the record's key"
		}
		say := v.holds
		if a.Lost != nil {
			say = v.doubt
		}
		say(entriesName, "entry %d, %s UTC: %s, %x, was admitted for rig %s %s", a.index, screen.At(a.At), which, a.Digest[:8], v.run.Rig, a.word())
		if a.revoked == nil {
			continue
		}
		say = v.holds
		if own != nil && a.index == own.index {
			say = v.doubt
		}
		say(entriesName, "entry %d, %s UTC: %s, %x, was revoked by %s: %s", a.revoked.index, screen.At(a.revoked.At), which, a.Digest[:8], a.revoked.Actor, a.revoked.Text)
	}
	return nil
}

// leadsTo holds an admission against those before it: the key that it came after was
// the rig's then and no other had come after that, and the keys that it says are lost
// were the rig's and were revoked.
func (s keyStory) leadsTo(a admission) error {
	if a.Before != nil {
		before := s.of(sha256.Sum256(a.Before))
		switch {
		case before == nil:
			return fmt.Errorf("the key that signed for it, %s, was not admitted for the rig before", record.Fingerprint(a.Before))
		case before.revoked != nil && before.revoked.index < a.index:
			return fmt.Errorf("the key that signed for it, %s, was revoked before", record.Fingerprint(a.Before))
		case slices.ContainsFunc(s.admitted, func(o admission) bool { return bytes.Equal(o.Before, a.Before) }):
			return fmt.Errorf("the key that signed for it, %s, had signed for another before", record.Fingerprint(a.Before))
		}
	}
	for _, lost := range a.Lost {
		if k := s.of(trail.Digest(lost)); k == nil || k.revoked == nil || k.revoked.index > a.index {
			return fmt.Errorf("the lost key in whose place it is, %x, was not the rig's and revoked before", lost[:8])
		}
	}
	return nil
}

// word is on whose word a key was admitted.
func (a admission) word() string {
	if a.Before != nil {
		return "by the signature of key " + record.Fingerprint(a.Before)
	}
	if len(a.Lost) == 1 {
		return fmt.Sprintf("on the word of %s, in place of the lost key %x: %s", a.Actor, a.Lost[0][:8], a.Why)
	}
	if a.Lost != nil {
		return fmt.Sprintf("on the word of %s, in place of %d lost keys: %s", a.Actor, len(a.Lost), a.Why)
	}
	return "by " + a.Actor
}

// chain holds the certificates against the record, its key's admission and the
// entry that binds them.
func (v *verification) chain(own *admission) error {
	c, err := trust.ParseChain(v.Proof.Chain)
	if err != nil {
		return err
	}
	m, key, err := c.Binds()
	authority := trust.FingerprintOf(c.Authority)
	switch bound := v.after.keys.certificate; {
	case err != nil:
		return err
	case m != trust.Member{Role: trust.Rig, Name: v.run.Rig}:
		return fmt.Errorf("the certificate is for %s, and the run is of rig %s", m, v.run.Rig)
	case !key.Equal(ed25519.PublicKey(v.Signed.PublicKey)):
		return errors.New("the certificate is of another key than the one that signed the record")
	case own == nil:
		return errors.New("the trail in the file does not tell that the key was admitted before the record was kept")
	case own.Authority != trust.Fingerprint{} && own.Authority != authority:
		return fmt.Errorf("the certificate is of authority %v, and the key was admitted under %v", authority, own.Authority)
	case bound == nil || bound.Digest != sha256.Sum256(v.Proof.Chain) || bound.Length != int64(len(v.Proof.Chain)):
		return errors.New("no entry of the trail in the file binds these certificates")
	case bound.Text != trust.CertificateText(authority):
		return fmt.Errorf("the certificate is of authority %v, and its entry in the trail says %s", authority, bound.Text)
	}
	span := fmt.Sprintf("valid from %s to %s UTC", screen.At(c.Leaf.NotBefore), screen.At(c.Leaf.NotAfter))
	v.holds(chainName, "a certificate of authority %v binds the key to rig %s, %s; it is entry %d of the trail", authority, m.Name, span, v.after.keys.certificate.index)
	if kept := v.own.At; kept.Before(c.Leaf.NotBefore) || kept.After(c.Leaf.NotAfter) {
		v.doubt(chainName, "it was not valid when the collector kept the run, %s UTC", screen.At(kept))
	}
	return nil
}

// vouched says whether the reader knows the authority in the file; what its chain
// says of the key is checked with the entries.
func (v *verification) vouched() bool {
	c, err := trust.ParseChain(v.Proof.Chain)
	if err != nil {
		return false
	}
	name := trust.FingerprintOf(c.Authority).String()
	return slices.ContainsFunc(v.known.Rigs, func(k string) bool { return len(k) >= 16 && strings.HasPrefix(name, k) })
}

// keyLines tells on the cover whose the key is, and of the rig's other keys.
func (c Contents) keyLines(line func(string, ...any), s keyStory) {
	own := c.ownKey(s)
	if own == nil {
		return
	}
	line("  the key was admitted for the rig %s with entry %d, %s UTC", screen.Clean(own.word()), own.index, screen.At(own.At))
	if chain, err := trust.ParseChain(c.Proof.Chain); err == nil {
		line("  authority %v certified it from %s to %s UTC", trust.FingerprintOf(chain.Authority), day(chain.Leaf.NotBefore), day(chain.Leaf.NotAfter))
	}
}

// after tells on the cover what became of the rig's keys.
func (s keyStory) after(line func(string, ...any), receipt int64) (told int) {
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
