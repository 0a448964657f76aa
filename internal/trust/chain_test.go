package trust_test

import (
	"bytes"
	"testing"

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
	for _, a := range []trust.Admission{{Role: trust.Rig}, {Role: trust.Keeper, Authority: trust.Fingerprint{1}}} {
		f.Add(a.Text())
	}
	f.Add("owner")
	f.Add("rig of authority 00")
	f.Fuzz(func(t *testing.T, s string) {
		a, err := trust.ParseAdmission(s)
		if err == nil && (a.Text() != s || !a.Role.Joins()) {
			t.Errorf("%q is read as %q", s, a.Text())
		}
	})
}
