package trust

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"errors"
	"net/url"
)

// maxRequest is the most bytes that a certificate request has.
const maxRequest = 4 << 10

// Request asks for a certificate of the key for m (PKCS #10, DER). It is signed
// by the key, so that nobody is certified for a key of somebody else.
func Request(m Member, key ed25519.PrivateKey) ([]byte, error) {
	return x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{URIs: []*url.URL{m.uri()}}, key)
}

// ParseRequest reads a certificate request: who asks for which key. The key has
// signed it.
func ParseRequest(der []byte) (Member, ed25519.PublicKey, error) {
	if len(der) > maxRequest {
		return Member{}, nil, errors.New("the certificate request is too long")
	}
	r, err := x509.ParseCertificateRequest(der)
	if err != nil {
		return Member{}, nil, errors.New("that is not a certificate request")
	}
	m, ok, err := memberOf(r.URIs)
	if err != nil || !ok {
		return Member{}, nil, errors.New("the certificate request does not say whom it is for")
	}
	key, ok := r.PublicKey.(ed25519.PublicKey)
	if !ok {
		return Member{}, nil, errors.New("the certificate request is not for an Ed25519 key")
	}
	if Weak(key) {
		return Member{}, nil, errors.New("the certificate request is for a key that anybody can sign for")
	}
	if err := r.CheckSignature(); err != nil {
		return Member{}, nil, errors.New("the certificate request is not signed by its key")
	}
	return m, key, nil
}
