package trust

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net/url"
	"strings"
	"time"
)

// How long certificates last. They begin a day early, so that a clock that runs
// wrong, or was set back, makes nobody a stranger.
const (
	Life          = 90 * 24 * time.Hour
	early         = 24 * time.Hour
	authorityLife = 30 * 365 * 24 * time.Hour
)

// Fingerprint names an authority: the SHA-256 of its public key (the DER of its
// SubjectPublicKeyInfo), so that its certificate may be made anew.
type Fingerprint [sha256.Size]byte

func (f Fingerprint) String() string { return hex.EncodeToString(f[:]) }

// MarshalText is String.
func (f Fingerprint) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText is ParseFingerprint.
func (f *Fingerprint) UnmarshalText(b []byte) (err error) {
	*f, err = ParseFingerprint(string(b))
	return err
}

// FingerprintOf gives the fingerprint of the authority with that certificate.
func FingerprintOf(c *x509.Certificate) Fingerprint {
	return sha256.Sum256(c.RawSubjectPublicKeyInfo)
}

// Authority certifies members. Its methods may be called at the same time.
type Authority struct {
	cert *x509.Certificate
	key  crypto.Signer
}

// NewAuthority makes an authority with an Ed25519 key, as the PEM file that
// ParseAuthority reads: its certificate and, unencrypted, its key.
func NewAuthority(now time.Time) ([]byte, error) {
	pub, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	spki, err := x509.MarshalPKIXPublicKey(pub)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(spki)
	der, err := certify(&x509.Certificate{
		// Members with several collectors choose their certificate by this name.
		Subject:               pkix.Name{CommonName: fmt.Sprintf("witnessmark authority %x", sum[:8])},
		NotBefore:             now.Add(-early),
		NotAfter:              now.Add(authorityLife),
		IsCA:                  true,
		BasicConstraintsValid: true,
		MaxPathLenZero:        true,
		KeyUsage:              x509.KeyUsageCertSign,
	}, nil, pub, key)
	if err != nil {
		return nil, err
	}
	k, err := keyPEM(key)
	return append(certificatePEM(der), k...), err
}

// certify makes a certificate; without a parent one that certifies itself.
func certify(c, parent *x509.Certificate, pub any, key crypto.Signer) ([]byte, error) {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, err
	}
	c.SerialNumber = serial.Add(serial, big.NewInt(1))
	if parent == nil {
		parent = c
	}
	return x509.CreateCertificate(rand.Reader, c, parent, pub, key)
}

func certificatePEM(der []byte) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
}

func keyPEM(key ed25519.PrivateKey) ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), nil
}

// ParseAuthority reads the certificate and the key (PKCS #8) of an authority,
// one that NewAuthority made or one of the site, be that below another one. A key
// of another kind than Ed25519 is taken, too, if it can sign certificates.
func ParseAuthority(b []byte) (*Authority, error) {
	a := &Authority{}
	for block, rest := pem.Decode(b); block != nil; block, rest = pem.Decode(rest) {
		switch block.Type {
		case "CERTIFICATE":
			if a.cert != nil {
				return nil, errors.New("it holds more than one certificate; it takes the authority's alone")
			}
			c, err := x509.ParseCertificate(block.Bytes)
			if err != nil {
				return nil, err
			}
			a.cert = c
		case "PRIVATE KEY":
			k, err := x509.ParsePKCS8PrivateKey(block.Bytes)
			if err != nil {
				return nil, err
			}
			a.key, _ = k.(crypto.Signer)
		}
	}
	switch {
	case a.cert == nil:
		return nil, errors.New("it holds no certificate")
	case a.key == nil:
		return nil, errors.New("it holds no private key that can sign (PKCS #8)")
	case !a.cert.IsCA || a.cert.KeyUsage != 0 && a.cert.KeyUsage&x509.KeyUsageCertSign == 0:
		return nil, errors.New("its certificate is not one of an authority")
	}
	spki, err := x509.MarshalPKIXPublicKey(a.key.Public())
	if err == nil && !bytes.Equal(spki, a.cert.RawSubjectPublicKeyInfo) {
		err = errors.New("its key and its certificate do not belong together")
	}
	if err == nil {
		err = a.try()
	}
	return a, err
}

// try certifies somebody of either end, so that an authority whose own certificate
// is bound to other uses or names is refused at once, and not by each who joins.
func (a *Authority) try() error {
	at := a.cert.NotBefore.Add(time.Second)
	for m, usage := range map[Member]x509.ExtKeyUsage{
		{Rig, "heron"}: x509.ExtKeyUsageClientAuth, {Collector, "collector"}: x509.ExtKeyUsageServerAuth,
	} {
		pub, _, err := ed25519.GenerateKey(rand.Reader)
		if err != nil {
			return err
		}
		der, err := a.Issue(m, pub, at)
		if err != nil {
			return err
		}
		leaf, err := x509.ParseCertificate(der)
		if err == nil {
			_, err = verify(leaf, a.cert, usage, at)
		}
		var why *Refusal
		if errors.As(err, &why) {
			return fmt.Errorf("its certificate does not let it certify a %s: %s", m.Role, why.Why)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// Fingerprint names the authority.
func (a *Authority) Fingerprint() Fingerprint { return FingerprintOf(a.cert) }

// Certificate is the authority's own, as DER.
func (a *Authority) Certificate() []byte { return a.cert.Raw }

// Issue certifies that a member has the key, from now on for Life, or as long as
// the authority lasts. It gives the certificate as DER.
func (a *Authority) Issue(m Member, key ed25519.PublicKey, now time.Time) ([]byte, error) {
	usages := []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
	switch m.Role {
	case Collector:
		usages[0] = x509.ExtKeyUsageServerAuth
	case Witness: // serves its copy to be read
		usages = append(usages, x509.ExtKeyUsageServerAuth)
	}
	until := now.Add(Life)
	if a.cert.NotAfter.Before(until) {
		until = a.cert.NotAfter
	}
	from := now.Add(-early)
	if from.Before(a.cert.NotBefore) {
		from = a.cert.NotBefore // before that nothing of its is valid
	}
	if !until.After(now) {
		return nil, fmt.Errorf("the authority's certificate ended on %s", a.cert.NotAfter.Format(time.DateOnly))
	}
	return certify(&x509.Certificate{
		Subject:     pkix.Name{CommonName: commonName(m)},
		URIs:        []*url.URL{m.uri()},
		NotBefore:   from,
		NotAfter:    until,
		KeyUsage:    x509.KeyUsageDigitalSignature,
		ExtKeyUsage: usages,
	}, a.cert, key, a.key)
}

// commonName is for those who look at a certificate with other tools; X.520
// allows it 64 characters.
func commonName(m Member) string {
	s := m.String()
	return strings.ToValidUTF8(s[:min(64, len(s))], "")
}

// Identify says whose certificate it is that the other end of a connection has
// shown and has the key of. The error is ErrUnknown.
func (a *Authority) Identify(shown []*x509.Certificate, now time.Time) (Peer, error) {
	return identify(a.cert, shown, now)
}

func identify(authority *x509.Certificate, shown []*x509.Certificate, now time.Time) (Peer, error) {
	if len(shown) == 0 {
		return Peer{}, stranger(NoCertificate, "it came without a certificate")
	}
	leaf := shown[0]
	m, err := verify(leaf, authority, x509.ExtKeyUsageClientAuth, now)
	if err != nil {
		return Peer{}, err
	}
	key, ok := leaf.PublicKey.(ed25519.PublicKey)
	if !ok {
		return Peer{}, stranger(BadCertificate, "the certificate of %s is of a %T", m, leaf.PublicKey)
	}
	return Peer{Member: m, Key: key, Until: leaf.NotAfter}, nil
}

// verify holds a certificate against the authority that it should be of, and
// says whom it is for. Its errors are ErrUnknown.
func verify(leaf, authority *x509.Certificate, usage x509.ExtKeyUsage, now time.Time) (Member, error) {
	roots := x509.NewCertPool()
	roots.AddCert(authority)
	m, err := Certified(leaf)
	if err != nil {
		return m, stranger(BadCertificate, "its certificate: %v", err)
	}
	_, err = leaf.Verify(x509.VerifyOptions{Roots: roots, Intermediates: x509.NewCertPool(), CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{usage}})
	var invalid x509.CertificateInvalidError
	switch {
	case err == nil:
		return m, nil
	case errors.As(err, new(x509.UnknownAuthorityError)):
		return m, stranger(OtherAuthority, "the certificate of %s is of another authority", m)
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return m, stranger(CertificateEnded, "the certificate of %s is valid from %s to %s, and it is %s", m,
			leaf.NotBefore.UTC().Format(time.RFC3339), leaf.NotAfter.UTC().Format(time.RFC3339), now.UTC().Format(time.RFC3339))
	}
	return m, stranger(BadCertificate, "the certificate of %s: %v", m, err)
}
