package trust

import (
	"bytes"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
)

// Chain is a member's certificate and that of the authority which it is of. The
// zero value is none.
type Chain struct{ Leaf, Authority *x509.Certificate }

// NewChain takes what an authority certified, as DER, and refuses certificates
// that do not belong together.
func NewChain(leaf, authority []byte) (c Chain, err error) {
	if c.Leaf, err = x509.ParseCertificate(leaf); err != nil {
		return Chain{}, err
	}
	if c.Authority, err = x509.ParseCertificate(authority); err != nil {
		return Chain{}, err
	}
	if _, _, err := c.Binds(); err != nil {
		return Chain{}, err
	}
	return c, nil
}

// Binds says which key the chain certifies, and for whom. Whether it was valid at
// a time is another question.
func (c Chain) Binds() (Member, ed25519.PublicKey, error) {
	if !c.Authority.IsCA {
		return Member{}, nil, errors.New("the second certificate is not one of an authority")
	}
	m, err := verify(c.Leaf, c.Authority, x509.ExtKeyUsageClientAuth, c.Leaf.NotBefore)
	if err != nil {
		return m, nil, err
	}
	key, ok := c.Leaf.PublicKey.(ed25519.PublicKey)
	if !ok {
		return m, nil, fmt.Errorf("the certificate of %s is of a %T", m, c.Leaf.PublicKey)
	}
	return m, key, nil
}

// None says whether there is no chain.
func (c Chain) None() bool { return c.Leaf == nil || c.Authority == nil }

// PEM gives the chain as text: the member's certificate, then the authority's.
func (c Chain) PEM() []byte {
	return append(certificatePEM(c.Leaf.Raw), certificatePEM(c.Authority.Raw)...)
}

// ParseChain reads what PEM gave, in that spelling alone.
func ParseChain(b []byte) (Chain, error) {
	if len(b) > maxCertificate {
		return Chain{}, fmt.Errorf("it has %d bytes", len(b))
	}
	var ders [][]byte
	for block, rest := pem.Decode(b); block != nil; block, rest = pem.Decode(rest) {
		ders = append(ders, block.Bytes)
	}
	if len(ders) != 2 {
		return Chain{}, errors.New("it is not a member's certificate and its authority's")
	}
	c, err := NewChain(ders[0], ders[1])
	if err == nil && !bytes.Equal(c.PEM(), b) {
		err = errors.New("it is not spelt as it is written")
	}
	if err != nil {
		return Chain{}, err
	}
	return c, nil
}
