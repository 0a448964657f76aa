package trust_test

import (
	"bytes"
	"crypto/ed25519"
	"testing"

	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

func FuzzParseChain(f *testing.F) {
	b, err := trust.NewAuthority(noon)
	if err != nil {
		f.Fatal(err)
	}
	a, err := trust.ParseAuthority(b)
	if err != nil {
		f.Fatal(err)
	}
	id := enrol(f, a, trust.Member{Role: trust.Rig, Name: "heron"}, noon)
	whole := trust.Chain{Leaf: id.Leaf, Authority: id.Authority}.PEM()
	if c, err := trust.ParseChain(whole); err != nil || !c.Leaf.Equal(id.Leaf) || c.None() {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Add(id.Certificates())
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := trust.ParseChain(b)
		if err != nil {
			if !c.None() {
				t.Error("a chain came with an error")
			}
			return
		}
		if m, key, err := c.Binds(); !bytes.Equal(c.PEM(), b) || err != nil || !trust.ValidName(m.Name) || key == nil {
			t.Errorf("accepted in another spelling, or of nobody: %v", err)
		}
	})
}

func FuzzParseAdmission(f *testing.F) {
	for _, a := range []trust.Admission{
		{Role: trust.Rig}, {Role: trust.Keeper, Authority: trust.Fingerprint{1}},
		{Role: trust.Rig, Authority: trust.Fingerprint{1}, Before: make([]byte, 32), Signature: make([]byte, 64)},
		{Role: trust.Rig, Authority: trust.Fingerprint{1}, Lost: [][]byte{make([]byte, 32), make([]byte, 32)}, Why: "it fell: after key and of authority"},
	} {
		f.Add(a.Text())
	}
	f.Add(trust.Admission{Role: trust.Rig, Before: make([]byte, 32), Signature: make([]byte, 64)}.Text()) // a key that anybody can sign for
	f.Add("owner")
	f.Add("rig of authority 00")
	f.Fuzz(func(t *testing.T, s string) {
		a, err := trust.ParseAdmission(s)
		if err != nil {
			return
		}
		if a.Text() != s || !a.Role.Joins() || a.Lost != nil && !trust.ValidWhy(a.Why) {
			t.Errorf("%q is read as %q", s, a.Text())
		}
		// Nobody has signed it: only what says that nobody had to holds.
		if err := a.Check("heron", [32]byte{1}); (err == nil) != (a.Before == nil) {
			t.Errorf("%q: its signature holds: %v", s, err)
		}
	})
}

// TestRotation: a signature is good for one member, authority and pair of keys.
func TestRotation(t *testing.T) {
	before, other := labtest.Key(labtest.Seeded(1)), labtest.Key(labtest.Seeded(2))
	key := before.Public().(ed25519.PublicKey)
	r := trust.Rotation{Member: trust.Member{Role: trust.Rig, Name: "heron"}, Authority: trust.Fingerprint{1}, Before: key, After: [32]byte{2}}
	sig := r.Sign(before)
	if err := r.Check(sig); err != nil {
		t.Fatal(err)
	}
	a := trust.Admission{Role: trust.Rig, Authority: r.Authority, Before: key, Signature: sig}
	if err := a.Check("heron", r.After); err != nil {
		t.Error(err)
	}
	for what, r := range map[string]trust.Rotation{
		"another name":      {Member: trust.Member{Role: trust.Rig, Name: "plover"}, Authority: r.Authority, Before: key, After: r.After},
		"another role":      {Member: trust.Member{Role: trust.Keeper, Name: "heron"}, Authority: r.Authority, Before: key, After: r.After},
		"another authority": {Member: r.Member, Before: key, After: r.After},
		"another new key":   {Member: r.Member, Authority: r.Authority, Before: key, After: [32]byte{3}},
		"another key":       {Member: r.Member, Authority: r.Authority, Before: other.Public().(ed25519.PublicKey), After: r.After},
		"no key":            {Member: r.Member, Authority: r.Authority, After: r.After},
	} {
		if r.Check(sig) == nil {
			t.Errorf("the signature is good for %s", what)
		}
	}
}
