package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// Certified is a certificate that was issued for a key, with its authority's.
type Certified struct {
	trust.Chain
	At    time.Time // when it was kept
	Index int64     // of its entry in the trail
}

// A value of bCertificates is the key and then the chain, whose hash the entry has.

func authorityOf(c trust.Chain) trust.Fingerprint {
	if c.None() {
		return trust.Fingerprint{}
	}
	return trust.FingerprintOf(c.Authority)
}

// AddCertificate keeps what an authority certified anew of a member's key, with
// an entry in the trail. A key that is not good gets none: the error that refuses
// it has a Reason.
func (a *Archive) AddCertificate(m trust.Member, key ed25519.PublicKey, c trust.Chain) error {
	err := a.update(func(tx *bolt.Tx) error {
		changes, err := keyChanges(tx)
		if err != nil {
			return err
		}
		if _, err := lineageOf(changes).newest(m, key); err != nil {
			return err
		}
		return a.putCertificate(tx, m, key, c, m.Name)
	})
	if err != nil {
		return fault.New("keep certificate", m.String(), err)
	}
	return nil
}

func (a *Archive) putCertificate(tx *bolt.Tx, m trust.Member, key ed25519.PublicKey, c trust.Chain, by string) error {
	of, certified, err := c.Binds()
	if err == nil && (of != m || !certified.Equal(key)) {
		err = fmt.Errorf("the certificate is for %s", of)
	}
	if err != nil {
		return err
	}
	b := c.PEM()
	r, err := a.enter(tx, trail.KindCertificate, sha256.Sum256(b), len(b), m.Name, by, trust.CertificateText(authorityOf(c)))
	if err != nil {
		return err
	}
	return tx.Bucket(bCertificates).Put(number(r.Index), append(bytes.Clone(key), b...))
}

// Certificates gives the certificates of a key, the latest first.
func (a *Archive) Certificates(key ed25519.PublicKey) (out []Certified, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		return certificates(tx, key, func(c Certified) bool { out = append(out, c); return true })
	})
	if err != nil {
		return nil, fault.New("read certificates", "", err)
	}
	return out, nil
}

// certificates yields those of a key from the latest on.
func certificates(tx *bolt.Tx, key ed25519.PublicKey, yield func(Certified) bool) error {
	b := tx.Bucket(bCertificates)
	if b == nil {
		return nil
	}
	c := b.Cursor()
	for k, v := c.Last(); k != nil; k, v = c.Prev() {
		if !bytes.HasPrefix(v, key) {
			continue
		}
		x := Certified{Index: numberOf(k)}
		e, err := trail.ParseEntry(tx.Bucket(bLeaves).Get(k))
		if err == nil {
			x.At = e.At
			x.Chain, err = trust.ParseChain(v[len(key):])
		}
		if err != nil {
			return fmt.Errorf("certificate at entry %d: %w", x.Index, err)
		}
		if !yield(x) {
			return nil
		}
	}
	return nil
}

// certificateOf gives the latest that a key had before an entry of the trail; its
// Index is -1 when it had none.
func certificateOf(tx *bolt.Tx, key ed25519.PublicKey, before int64) (found Certified, err error) {
	found.Index = -1
	err = certificates(tx, key, func(c Certified) bool {
		if c.Index < before {
			found = c
		}
		return c.Index >= before
	})
	return found, err
}

// member is whose the certificate is; nobody's where there is none.
func (c Certified) member() (m trust.Member) {
	if !c.None() {
		m, _, _ = c.Binds() // as it did when it was read
	}
	return m
}

func adoptCertificate(tx *bolt.Tx, index int64, e Adopting) error {
	c, err := trust.ParseChain(e.Content)
	if err != nil {
		return err
	}
	m, key, err := c.Binds()
	switch {
	case err != nil:
		return err
	case sha256.Sum256(e.Content) != e.Entry.Digest || int64(len(e.Content)) != e.Entry.Length || m.Name != e.Entry.Subject:
		return errors.New("the certificate is not what it is about")
	}
	return tx.Bucket(bCertificates).Put(number(index), append(bytes.Clone(key), e.Content...))
}

// certificates holds each certificate against its entry and the admission of its
// key.
func (c *check) certificates() {
	changes, _ := keyChanges(c.tx) // what is wrong with them is told of
	l, n := lineageOf(changes), 0
	c.each(bCertificates, func(k, v []byte) {
		n++
		if err := c.certificate(k, v, l); err != nil {
			c.wrong(fmt.Sprintf("certificate at entry %d", numberOf(k)), "%v", err)
		}
	})
	if n != c.certified {
		c.wrong("certificates", "%d are kept, and %d entries are about one", n, c.certified)
	}
}

func (c *check) certificate(k, v []byte, l lineage) error {
	if len(v) < ed25519.PublicKeySize {
		return errors.New("it is cut off")
	}
	pem := v[ed25519.PublicKeySize:]
	e, err := trail.ParseEntry(c.tx.Bucket(bLeaves).Get(k))
	if err != nil || e.Kind != trail.KindCertificate || e.Digest != sha256.Sum256(pem) || e.Length != int64(len(pem)) {
		return errors.New("its entry is not about it")
	}
	chain, err := trust.ParseChain(pem)
	if err != nil {
		return err
	}
	m, key, err := chain.Binds()
	switch {
	case err != nil:
		return err
	case !bytes.Equal(key, v[:ed25519.PublicKeySize]) || m.Name != e.Subject || e.Text != trust.CertificateText(authorityOf(chain)):
		return errors.New("its entry says otherwise than it")
	}
	if a := l.of(key).admitted; a == nil || a.Member() != m || a.Index >= numberOf(k) {
		return fmt.Errorf("no key of %s that it is of was admitted before", m)
	}
	return nil
}
