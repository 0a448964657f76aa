package trust_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"strings"
	"testing"

	"witnessmark/internal/trust"
)

// below gives the PEM file of an authority that the site's own root certified,
// changed as a site may bind it.
func below(t *testing.T, bind func(*x509.Certificate)) []byte {
	t.Helper()
	key := func() *ecdsa.PrivateKey {
		k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	root := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "dome root"}, NotBefore: noon.AddDate(-1, 0, 0), NotAfter: noon.AddDate(9, 0, 0),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	c := *root
	c.SerialNumber, c.Subject, c.MaxPathLenZero = big.NewInt(2), pkix.Name{CommonName: "dome benches"}, true
	bind(&c)
	k := key()
	der, err := x509.CreateCertificate(rand.Reader, &c, root, k.Public(), key())
	if err != nil {
		t.Fatal(err)
	}
	kder, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: kder})...)
}

// TestAuthorityBelowTheSites certifies members by an authority that the site's
// root certified, whose own key stays where it is.
func TestAuthorityBelowTheSites(t *testing.T) {
	a, err := trust.ParseAuthority(below(t, func(*x509.Certificate) {}))
	if err != nil {
		t.Fatal(err)
	}
	id := enrol(t, a, trust.Member{Role: trust.Rig, Name: "heron"}, noon)
	if shown, served, called := shake(a.Server("dome", at(noon)), trust.Client(only(id), at(noon))); served != nil || called != nil || len(shown) != 1 {
		t.Errorf("a member: %v, %v", served, called)
	}
	if _, served, called := shake(a.Server("dome", at(noon)), trust.Joining(a.Fingerprint(), at(noon))); served != nil || called != nil {
		t.Errorf("one who joins: %v, %v", served, called)
	}
}

// TestBoundAuthority refuses authorities that could certify nobody for us.
func TestBoundAuthority(t *testing.T) {
	for name, bind := range map[string]func(*x509.Certificate){
		"servers alone": func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth} },
		"clients alone": func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth} },
		"other names": func(c *x509.Certificate) {
			c.PermittedURIDomains, c.PermittedDNSDomainsCritical = []string{".dome.example"}, true
		},
		"no time": func(c *x509.Certificate) { c.NotAfter = c.NotBefore },
	} {
		if _, err := trust.ParseAuthority(below(t, bind)); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		} else {
			t.Log(err)
		}
	}
}
