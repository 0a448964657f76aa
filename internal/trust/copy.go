package trust

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"time"
)

// A witness may serve the copy that it has, to be read: its certificate is good for
// that, and says that it is a witness. Who delivers, beats, joins or decides talks
// to a collector alone; who reads may talk to either, and is told to which.

// ClientToRead is Client that talks to witnesses, too. Met is told at each
// connection whom it has met.
func ClientToRead(identities func() []Identity, now func() time.Time, met func(Member)) *tls.Config {
	return clientOf(identities, now, met)
}

// Serves says why the identity cannot serve a copy; nil when it can.
func (id Identity) Serves(now time.Time) error {
	if id.Role != Witness {
		return errors.New("it is " + id.Member.String() + ", and copies are served by witnesses")
	}
	_, err := verify(id.Leaf, id.Authority, x509.ExtKeyUsageServerAuth, now)
	return err
}

// CopyServer gives how a witness serves its copy to the members of the collector
// that it follows. Identity is asked at each connection.
func CopyServer(authority *x509.Certificate, identity func() (Identity, bool), now func() time.Time) *tls.Config {
	pool := x509.NewCertPool()
	pool.AddCert(authority)
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		ClientAuth: tls.RequestClientCert,
		ClientCAs:  pool,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			id, ok := identity()
			if !ok {
				return nil, errors.New("this copy has no certificate any more")
			}
			c := id.certificate()
			return &c, nil
		},
		SessionTicketsDisabled: true,
		Time:                   now,
	}
}

// IdentifyBy is Authority.Identify where only the authority's certificate is known.
func IdentifyBy(authority *x509.Certificate, shown []*x509.Certificate, now time.Time) (Peer, error) {
	return identify(authority, shown, now)
}
