package trust_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"net/url"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/internal/trust"
)

var noon = time.Date(2031, 3, 2, 12, 0, 0, 0, time.UTC)

func at(t time.Time) func() time.Time { return func() time.Time { return t } }

func authority(t testing.TB) *trust.Authority {
	b, err := trust.NewAuthority(noon)
	if err != nil {
		t.Fatal(err)
	}
	a, err := trust.ParseAuthority(b)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func key(t testing.TB) ed25519.PrivateKey {
	_, k, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// enrol certifies a new key for m.
func enrol(t testing.TB, a *trust.Authority, m trust.Member, now time.Time) trust.Identity {
	k := key(t)
	der, err := a.Issue(m, k.Public().(ed25519.PublicKey), now)
	if err != nil {
		t.Fatal(err)
	}
	id, err := trust.NewIdentity(k, der, a.Certificate(), "127.0.0.1:7410")
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func only(ids ...trust.Identity) func() []trust.Identity {
	return func() []trust.Identity { return ids }
}

// shake has both ends shake hands and the client send a word, and gives what the
// server saw and how both ends fared.
func shake(server, client *tls.Config) (shown []*x509.Certificate, served, called error) {
	near, far := net.Pipe()
	deadline := time.Now().Add(time.Minute)
	near.SetDeadline(deadline)
	far.SetDeadline(deadline)
	ended := make(chan error, 1)
	s := tls.Server(far, server)
	go func() {
		err := s.Handshake()
		if err == nil {
			_, err = s.Read(make([]byte, 1))
		}
		far.Close()
		ended <- err
	}()
	c := tls.Client(near, client)
	called = c.Handshake()
	if called == nil {
		_, called = c.Write([]byte{1})
	}
	near.Close()
	served = <-ended
	return s.ConnectionState().PeerCertificates, served, called
}

func TestHandshake(t *testing.T) {
	a, other := authority(t), authority(t)
	heron := trust.Member{Role: trust.Rig, Name: "heron"}
	id, foreign := enrol(t, a, heron, noon), enrol(t, other, heron, noon)
	server := a.Server("dome", at(noon))

	// Of several certificates the one of this authority is shown.
	shown, served, called := shake(server, trust.Client(only(foreign, id), at(noon)))
	p, err := a.Identify(shown, noon)
	if served != nil || called != nil || err != nil || p.Member != heron || !p.Key.Equal(id.Key.Public()) {
		t.Errorf("%v, %v, %v, %v", p, err, served, called)
	}
	for what, c := range map[string]struct {
		client *tls.Config
		want   string
	}{
		"enrolled nowhere":              {trust.Client(only(), at(noon)), "not enrolled with any collector"},
		"of another authority":          {trust.Client(only(foreign), at(noon)), "of another authority"},
		"with a token of another":       {trust.Joining(other.Fingerprint(), at(noon)), "not the one that the token is from"},
		"with an old protocol":          {&tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS12}, "protocol version"},
		"whose clock is years ahead":    {trust.Client(only(id), at(noon.AddDate(1, 0, 0))), "is valid from"},
		"that takes a rig for no rig":   {trust.Client(only(id), at(noon)), ""},
		"that joins by the right token": {trust.Joining(a.Fingerprint(), at(noon)), ""},
	} {
		_, _, err := shake(server, c.client)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", what, err)
		}
	}

	// A member cannot play the collector.
	rig := tls.Certificate{Certificate: [][]byte{id.Leaf.Raw, a.Certificate()}, PrivateKey: id.Key}
	if _, _, err := shake(&tls.Config{Certificates: []tls.Certificate{rig}}, trust.Client(only(id), at(noon))); err == nil {
		t.Error("a rig was taken for a collector")
	}
	if _, _, err := shake(&tls.Config{Certificates: []tls.Certificate{rig}}, trust.Joining(a.Fingerprint(), at(noon))); err == nil {
		t.Error("a rig was taken for a collector by one who joins")
	}
}

func TestIdentifyRefuses(t *testing.T) {
	a, other := authority(t), authority(t)
	heron := trust.Member{Role: trust.Rig, Name: "heron"}
	id, foreign := enrol(t, a, heron, noon), enrol(t, other, heron, noon)
	collector := func() *x509.Certificate {
		der, err := a.Issue(trust.Member{Role: trust.Collector, Name: "dome"}, key(t).Public().(ed25519.PublicKey), noon)
		if err != nil {
			t.Fatal(err)
		}
		c, err := x509.ParseCertificate(der)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}()
	authorityItself, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	for what, c := range map[string]struct {
		shown []*x509.Certificate
		now   time.Time
		want  string
	}{
		"nothing":                {nil, noon, "without a certificate"},
		"of another authority":   {[]*x509.Certificate{foreign.Leaf}, noon, "of another authority"},
		"that with its chain":    {[]*x509.Certificate{foreign.Leaf, foreign.Authority, authorityItself}, noon, "of another authority"},
		"one that ended":         {[]*x509.Certificate{id.Leaf}, noon.Add(trust.Life + time.Second), "is valid from"},
		"one of later":           {[]*x509.Certificate{id.Leaf}, noon.AddDate(0, 0, -2), "is valid from"},
		"the collector's own":    {[]*x509.Certificate{collector}, noon, "usage"},
		"the authority's":        {[]*x509.Certificate{authorityItself}, noon, "who it is for"},
		"itself, in good order":  {[]*x509.Certificate{id.Leaf}, noon.Add(trust.Life - time.Second), ""},
		"itself, clock set back": {[]*x509.Certificate{id.Leaf}, noon.Add(-time.Hour), ""},
	} {
		p, err := a.Identify(c.shown, c.now)
		if (err == nil) != (c.want == "") || err != nil && (!errors.Is(err, trust.ErrUnknown) || !strings.Contains(err.Error(), c.want) || p.Name != "") {
			t.Errorf("%s: %v, %v", what, p, err)
		}
	}
}

// TestLongRoleIsNotRepeated: what a stranger shows is not carried into logs.
func TestLongRoleIsNotRepeated(t *testing.T) {
	k := key(t)
	c := &x509.Certificate{
		SerialNumber: big.NewInt(6), NotBefore: noon, NotAfter: noon.Add(time.Hour),
		URIs: []*url.URL{{Scheme: "witnessmark", Opaque: strings.Repeat("r", 200_000) + "/heron"}},
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, k.Public(), k)
	if err != nil {
		t.Fatal(err)
	}
	shown, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := authority(t).Identify([]*x509.Certificate{shown}, noon); err == nil || len(err.Error()) > 1000 {
		t.Errorf("%.100v", err)
	}
}

// TestSiteAuthority has an authority of another kind of key certify members.
func TestSiteAuthority(t *testing.T) {
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(5), Subject: pkix.Name{CommonName: "dome workshop"}, NotBefore: noon.AddDate(-1, 0, 0), NotAfter: noon.AddDate(0, 0, 30),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, k.Public(), k)
	if err != nil {
		t.Fatal(err)
	}
	kder, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	cert := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	priv := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: kder})
	a, err := trust.ParseAuthority(append(priv, cert...))
	if err != nil {
		t.Fatal(err)
	}
	id := enrol(t, a, trust.Member{Role: trust.Keeper, Name: "wren"}, noon)
	if !id.Leaf.NotAfter.Equal(noon.AddDate(0, 0, 30)) {
		t.Errorf("it outlives its authority: %v", id.Leaf.NotAfter)
	}
	if shown, served, called := shake(a.Server("dome", at(noon)), trust.Client(only(id), at(noon))); served != nil || called != nil || len(shown) != 1 {
		t.Errorf("%v, %v", served, called)
	}
	if _, err := a.Issue(id.Member, id.Key.Public().(ed25519.PublicKey), noon.AddDate(0, 2, 0)); err == nil {
		t.Error("an authority whose time is over certified")
	}
	c.NotBefore = noon.Add(-time.Minute)
	youngDER, err := x509.CreateCertificate(rand.Reader, c, c, k.Public(), k)
	if err != nil {
		t.Fatal(err)
	}
	young, err := trust.ParseAuthority(append(bytes.Clone(priv), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: youngDER})...))
	if err != nil {
		t.Fatal(err)
	}
	if id := enrol(t, young, trust.Member{Role: trust.Keeper, Name: "wren"}, noon); !id.Leaf.NotBefore.Equal(c.NotBefore) {
		t.Errorf("it is valid from %v, and its authority from %v", id.Leaf.NotBefore, c.NotBefore)
	}
	own, err := trust.NewAuthority(noon)
	if err != nil {
		t.Fatal(err)
	}
	leaf := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: id.Leaf.Raw})
	whole, err := id.Whole()
	if err != nil {
		t.Fatal(err)
	}
	for what, b := range map[string][]byte{
		"nothing": nil, "no key": cert, "no certificate": priv, "the key of another": append(bytes.Clone(cert), own[bytes.Index(own, []byte("-----BEGIN PRIVATE")):]...),
		"two certificates": append(bytes.Clone(cert), own...), "no authority": append(leaf, priv...), "a member's": whole,
	} {
		if _, err := trust.ParseAuthority(b); err == nil {
			t.Errorf("%s: taken", what)
		}
	}
}

func TestRenewedCertificateOfCollector(t *testing.T) {
	a := authority(t)
	now := noon
	c := a.Server("dome", func() time.Time { return now })
	first, err := c.GetCertificate(nil)
	if err != nil {
		t.Fatal(err)
	}
	now = noon.Add(trust.Life / 2)
	if same, err := c.GetCertificate(nil); err != nil || same != first {
		t.Errorf("made anew in the middle of its life: %v", err)
	}
	now = noon.Add(trust.Life * 3 / 4)
	if next, err := c.GetCertificate(nil); err != nil || next == first {
		t.Errorf("not made anew: %v", err)
	}
}

func TestRenewAt(t *testing.T) {
	id := enrol(t, authority(t), trust.Member{Role: trust.Rig, Name: "heron"}, noon)
	if got := id.RenewAt().Sub(noon); got < trust.Life*6/10 || got > trust.Life*7/10 {
		t.Errorf("%v of %v", got, trust.Life)
	}
	for at, want := range map[time.Time]bool{noon: false, id.RenewAt(): true, noon.AddDate(0, 0, -2): true} {
		if id.Due(at) != want {
			t.Errorf("on %v it is due: %v", at, !want)
		}
	}
	if !(trust.Identity{}).Due(noon) {
		t.Error("where there is none it is not due")
	}
	lark := enrol(t, authority(t), trust.Member{Role: trust.Witness, Name: "lark"}, noon)
	if got := lark.RenewAt().Sub(noon); got < trust.Life*6/10 {
		t.Errorf("a witness's: %v of %v", got, trust.Life)
	}
	lark.Leaf.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
	if got := lark.RenewAt(); got.After(noon) {
		t.Errorf("one that cannot serve a copy waits until %v", got)
	}
}

func TestOwns(t *testing.T) {
	ctx := context.Background()
	as := func(m trust.Member) context.Context { return trust.WithPeer(ctx, trust.Peer{Member: m}) }
	heron := trust.Member{Role: trust.Rig, Name: "heron"}
	for what, c := range map[string]struct {
		ctx context.Context
		ok  bool
	}{
		"this process": {ctx, true}, "the owner": {as(trust.Member{Role: trust.Owner, Name: "owner"}), true},
		"the rig": {as(heron), true}, "another rig": {as(trust.Member{Role: trust.Rig, Name: "plover"}), false},
	} {
		if err := trust.Owns(c.ctx, "heron", "a record"); (err == nil) != c.ok || err != nil && !errors.Is(err, trust.ErrDenied) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// members draws a member of any role that joins, under any valid name.
var members = rapid.Custom(func(t *rapid.T) trust.Member {
	role := rapid.SampledFrom([]trust.Role{trust.Rig, trust.Analyst, trust.Keeper, trust.Witness}).Draw(t, "role")
	name := rapid.StringN(1, 60, trust.MaxName).Filter(trust.ValidName).Draw(t, "name")
	return trust.Member{Role: role, Name: name}
})

func TestEveryNameComesBack(t *testing.T) {
	a, k := authority(t), key(t)
	rapid.Check(t, func(t *rapid.T) {
		m := members.Draw(t, "member")
		tok, err := trust.NewToken(m, a.Fingerprint())
		if err != nil {
			t.Fatal(err)
		}
		if got, err := trust.ParseToken(tok.String()); err != nil || got != tok {
			t.Fatalf("token of %q: %v, %v", m, got, err)
		}
		der, err := trust.Request(m, k)
		if err != nil {
			t.Fatal(err)
		}
		if got, pub, err := trust.ParseRequest(der); err != nil || got != m || !pub.Equal(k.Public()) {
			t.Fatalf("request of %q: %v, %v", m, got, err)
		}
		if der, err = a.Issue(m, k.Public().(ed25519.PublicKey), noon); err != nil {
			t.Fatal(err)
		}
		id, err := trust.NewIdentity(k, der, a.Certificate(), "dome.example:7410")
		if err != nil || id.Member != m {
			t.Fatalf("certificate of %q: %v, %v", m, id.Member, err)
		}
		whole, err := id.Whole()
		if err != nil {
			t.Fatal(err)
		}
		if got, err := trust.ParseWhole(whole); err != nil || got.Member != m || got.Collector != id.Collector || !got.Key.Equal(k) {
			t.Fatalf("identity of %q: %v, %v", m, got.Member, err)
		}
	})
}

// TestTokenBearsNoSlip changes one letter of a token.
func TestTokenBearsNoSlip(t *testing.T) {
	tok, err := trust.NewToken(trust.Member{Role: trust.Rig, Name: "heron"}, trust.Fingerprint{1})
	if err != nil {
		t.Fatal(err)
	}
	s := tok.String()
	for i := range s {
		for _, c := range "aZ0_-\n " {
			if b := []byte(s); b[i] != byte(c) {
				b[i] = byte(c)
				if _, err := trust.ParseToken(string(b)); !errors.Is(err, trust.ErrToken) {
					t.Errorf("%q at %d is taken: %v", c, i, err)
				}
			}
		}
		if _, err := trust.ParseToken(s[:i]); err == nil {
			t.Errorf("its first %d letters are taken", i)
		}
	}
}
