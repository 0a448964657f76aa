package trust

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"sync"
	"time"
)

// Server gives how a collector talks to its members: TLS 1.3, with a certificate
// of its own that is made now and again before it ends. It asks for the other
// end's certificate and has that prove that it has the key, but lets anybody in:
// who it is says Identify, and what he may do is for the caller to say, who can
// answer in words.
func (a *Authority) Server(name string, now func() time.Time) *tls.Config {
	own := &ownCertificate{authority: a, name: name, now: now}
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	return &tls.Config{
		MinVersion:             tls.VersionTLS13,
		ClientAuth:             tls.RequestClientCert,
		ClientCAs:              pool, // by which members choose among their certificates
		GetCertificate:         func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return own.get() },
		SessionTicketsDisabled: true, // so that nobody comes back on an older word
		Time:                   now,
	}
}

// ownCertificate is the certificate of a collector.
type ownCertificate struct {
	authority *Authority
	name      string
	now       func() time.Time

	mu   sync.Mutex
	cert *tls.Certificate
}

func (o *ownCertificate) get() (*tls.Certificate, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if now := o.now(); o.cert == nil || now.After(o.cert.Leaf.NotAfter.Add(-Life/3)) || now.Before(o.cert.Leaf.NotBefore) {
		made, err := o.make(now)
		if err != nil {
			return nil, err
		}
		o.cert = made
	}
	return o.cert, nil
}

func (o *ownCertificate) make(now time.Time) (*tls.Certificate, error) {
	pub, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	der, err := o.authority.Issue(Member{Collector, o.name}, pub, now)
	if err != nil {
		return nil, err
	}
	leaf, err := x509.ParseCertificate(der)
	// The authority's certificate goes with it for those who join.
	return &tls.Certificate{Certificate: [][]byte{der, o.authority.cert.Raw}, PrivateKey: key, Leaf: leaf}, err
}

// Client gives how a member talks to collectors. Identities is asked at each
// connection, so that what was renewed is used. A collector of an authority that
// none of them is of is refused.
func Client(identities func() []Identity, now func() time.Time) *tls.Config {
	return clientOf(identities, now, nil)
}

// clientOf is Client that takes a witness for a server, too, where met is not nil;
// it is then told whom it has met.
func clientOf(identities func() []Identity, now func() time.Time, met func(Member)) *tls.Config {
	c := client(now, met, func(leaf *x509.Certificate, _ []*x509.Certificate) error {
		err := errors.New("this machine is not enrolled with any collector")
		for _, id := range identities() {
			if _, err = verify(leaf, id.Authority, x509.ExtKeyUsageServerAuth, now()); err == nil {
				return nil
			}
		}
		if why := (*Refusal)(nil); errors.As(err, &why) && why.Reason == OtherAuthority {
			err = fmt.Errorf("%w than was joined here; if that is right, join it with a new token", err)
		}
		return err
	})
	c.GetClientCertificate = func(r *tls.CertificateRequestInfo) (*tls.Certificate, error) {
		for _, id := range identities() {
			if c := id.certificate(); r.SupportsCertificate(&c) == nil {
				return &c, nil
			}
		}
		return &tls.Certificate{}, nil
	}
	return c
}

// Joining gives how a machine that is nobody yet talks to the collector of that
// authority. It never talks to another, so that no other learns a token.
func Joining(authority Fingerprint, now func() time.Time) *tls.Config {
	return client(now, nil, func(leaf *x509.Certificate, shown []*x509.Certificate) error {
		for _, c := range shown {
			if FingerprintOf(c) == authority && c.IsCA {
				_, err := verify(leaf, c, x509.ExtKeyUsageServerAuth, now())
				return err
			}
		}
		return errors.New("the collector there is not the one that the token is from")
	})
}

func client(now func() time.Time, met func(Member), check func(leaf *x509.Certificate, shown []*x509.Certificate) error) *tls.Config {
	return &tls.Config{
		MinVersion:         tls.VersionTLS13,
		InsecureSkipVerify: true, // VerifyConnection verifies: by the authority and the role, not by a host's name
		VerifyConnection: func(s tls.ConnectionState) error {
			leaf := s.PeerCertificates[0] // a server always shows one
			if err := check(leaf, s.PeerCertificates[1:]); err != nil {
				return err
			}
			m, err := Certified(leaf)
			if err != nil || m.Role != Collector && (m.Role != Witness || met == nil) {
				return fmt.Errorf("it is %s, and not a collector", m)
			}
			if met != nil {
				met(m)
			}
			return nil
		},
		Time: now,
	}
}
