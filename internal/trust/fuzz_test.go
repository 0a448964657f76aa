package trust_test

import (
	"crypto/ed25519"
	"testing"

	"witnessmark/internal/trust"
)

func FuzzParseToken(f *testing.F) {
	for _, m := range []trust.Member{{Role: trust.Rig, Name: "heron"}, {Role: trust.Keeper, Name: "w"}} {
		tok, err := trust.NewToken(m, trust.Fingerprint{7})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(tok.String())
	}
	f.Add("wmt1_")
	f.Fuzz(func(t *testing.T, s string) {
		tok, err := trust.ParseToken(s)
		if err != nil {
			if err.Error() != trust.ErrToken.Error() || tok != (trust.Token{}) {
				t.Errorf("%v, %v", tok, err)
			}
			return
		}
		if tok.String() != s || !tok.Role.Joins() || !trust.ValidName(tok.Name) {
			t.Errorf("%q comes back as %q", s, tok)
		}
	})
}

func FuzzParseRequest(f *testing.F) {
	k := ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))
	for _, m := range []trust.Member{{Role: trust.Rig, Name: "heron"}, {Role: "", Name: ""}, {Role: trust.Owner, Name: "a b/c%"}} {
		der, err := trust.Request(m, k)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(der)
	}
	f.Fuzz(func(t *testing.T, der []byte) {
		m, pub, err := trust.ParseRequest(der)
		if err != nil {
			if m != (trust.Member{}) || pub != nil {
				t.Errorf("%v, %x with %v", m, pub, err)
			}
			return
		}
		if !trust.ValidName(m.Name) || len(pub) != ed25519.PublicKeySize {
			t.Errorf("%q of %x", m, pub)
		}
	})
}

func FuzzParseIdentity(f *testing.F) {
	b, err := trust.NewAuthority(noon)
	if err != nil {
		f.Fatal(err)
	}
	a, err := trust.ParseAuthority(b)
	if err != nil {
		f.Fatal(err)
	}
	id := enrol(f, a, trust.Member{Role: trust.Rig, Name: "heron"}, noon)
	f.Add(id.Certificates())
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := trust.ParseIdentity(b, id.Key)
		if err != nil {
			return
		}
		if again, err := trust.ParseIdentity(got.Certificates(), id.Key); err != nil || again.Member != got.Member || again.Collector != got.Collector {
			t.Errorf("it does not come back: %v", err)
		}
		trust.ParseAuthority(b) // must not crash
	})
}
