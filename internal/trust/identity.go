package trust

import (
	"bytes"
	"crypto/ed25519"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Identity is who a machine is with one collector: its key, and the certificate
// of that collector's authority.
type Identity struct {
	Member
	Key       ed25519.PrivateKey
	Leaf      *x509.Certificate
	Authority *x509.Certificate
	Collector string // the HOST:PORT that it was enrolled at; may be empty
}

// SameCollector says whether two are with one collector: of its authority, which may
// certify the members of several, and enrolled at its address.
func (id Identity) SameCollector(o Identity) bool {
	return id.Collector == o.Collector && FingerprintOf(id.Authority) == FingerprintOf(o.Authority)
}

// NewIdentity joins a key and what an authority certified of it, and refuses
// them when they do not belong together.
func NewIdentity(key ed25519.PrivateKey, leaf, authority []byte, collector string) (Identity, error) {
	c, err := NewChain(leaf, authority)
	if err != nil {
		return Identity{}, err
	}
	m, of, err := c.Binds()
	if err == nil && !of.Equal(key.Public()) {
		err = ErrOtherKey
	}
	return Identity{Member: m, Key: key, Leaf: c.Leaf, Authority: c.Authority, Collector: collector}, err
}

// Due says whether a certificate is to be made anew: there is none, it is to be renewed,
// or the clock was put back to before it begins.
func (id Identity) Due(now time.Time) bool {
	return id.Leaf == nil || now.Before(id.Leaf.NotBefore) || !now.Before(id.RenewAt())
}

// RenewAt is when two thirds of the certificate's life are over. A witness's that
// cannot serve a copy, as a collector of before has made it, is due at once.
func (id Identity) RenewAt() time.Time {
	if id.Role == Witness && !slices.Contains(id.Leaf.ExtKeyUsage, x509.ExtKeyUsageServerAuth) {
		return id.Leaf.NotBefore
	}
	return id.Leaf.NotAfter.Add(-id.Leaf.NotAfter.Sub(id.Leaf.NotBefore) / 3)
}

func (id Identity) certificate() tls.Certificate {
	return tls.Certificate{Certificate: [][]byte{id.Leaf.Raw}, PrivateKey: id.Key, Leaf: id.Leaf}
}

// ErrOtherKey is returned for a certificate of another key.
var ErrOtherKey = errors.New("the certificate is of another key")

const (
	collectorLine  = "collector "
	maxCertificate = 64 << 10
)

// Certificates gives the identity as a file, without its key: a line with the
// collector's address, the member's certificate, the authority's.
func (id Identity) Certificates() []byte {
	b := []byte(collectorLine + id.Collector + "\n")
	return append(append(b, certificatePEM(id.Leaf.Raw)...), certificatePEM(id.Authority.Raw)...)
}

// ParseIdentity reads what Certificates gave for that key.
func ParseIdentity(b []byte, key ed25519.PrivateKey) (Identity, error) {
	if len(b) > maxCertificate {
		return Identity{}, fmt.Errorf("it has %d bytes", len(b))
	}
	line, rest, _ := bytes.Cut(b, []byte("\n"))
	where, ok := strings.CutPrefix(string(line), collectorLine)
	var ders [][]byte
	for block, rest := pem.Decode(rest); block != nil; block, rest = pem.Decode(rest) {
		if block.Type == "CERTIFICATE" {
			ders = append(ders, block.Bytes)
		}
	}
	if !ok || len(ders) != 2 {
		return Identity{}, errors.New("it is not a collector's address and two certificates")
	}
	return NewIdentity(key, ders[0], ders[1], where)
}

// Whole gives the identity as one file with its key.
func (id Identity) Whole() ([]byte, error) {
	k, err := keyPEM(id.Key)
	return append(id.Certificates(), k...), err
}

// ParseWhole reads what Whole gave.
func ParseWhole(b []byte) (Identity, error) {
	for block, rest := pem.Decode(b); block != nil; block, rest = pem.Decode(rest) {
		if block.Type != "PRIVATE KEY" {
			continue
		}
		k, err := x509.ParsePKCS8PrivateKey(block.Bytes)
		if key, ok := k.(ed25519.PrivateKey); ok && err == nil {
			return ParseIdentity(b, key)
		}
	}
	return Identity{}, errors.New("it holds no Ed25519 key")
}
