package archive_test

import (
	"crypto/ed25519"
	"path/filepath"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

func TestCertificates(t *testing.T) {
	a := open(t, filepath.Join(t.TempDir(), "archive.db"))
	defer a.Close()
	by, heron := labtest.Authority(t), trust.Member{Role: trust.Rig, Name: "heron"}
	key, other := newKey(1), newKey(2)
	secret := trust.Secret{1}
	if err := a.AddToken(secret.Hash(), archive.JoinToken{Member: heron, By: "wren", Made: time.Now().UTC(), Expires: time.Now().UTC().Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	// One that is not of the key that joins spends no token.
	if _, err := a.Join(secret.Hash(), heron, key, labtest.Certify(t, by, heron, other)); err == nil {
		t.Error("another key's certificate was kept")
	}
	first := labtest.Certify(t, by, heron, key)
	k, err := a.Join(secret.Hash(), heron, key, first)
	if err != nil || k.Authority != by.Fingerprint() {
		t.Fatalf("%+v, %v", k, err)
	}
	next := labtest.Certify(t, by, heron, key)
	if err := a.AddCertificate(heron, key, next); err != nil {
		t.Fatal(err)
	}
	if err := a.AddCertificate(heron, other, labtest.Certify(t, by, heron, other)); trust.ReasonOf(err) != archive.KeyRevoked {
		t.Errorf("for a key that nobody admitted: %v", err)
	}
	got, err := a.Certificates(key)
	if err != nil || len(got) != 2 || !got[0].Leaf.Equal(next.Leaf) || !got[1].Leaf.Equal(first.Leaf) || got[1].Index != k.Index+1 {
		t.Fatalf("%+v, %v", got, err)
	}
	if _, err := a.Revoke("heron", "wren", "sold"); err != nil {
		t.Fatal(err)
	}
	if err := a.AddCertificate(heron, key, labtest.Certify(t, by, heron, key)); trust.ReasonOf(err) != archive.KeyRevoked {
		t.Errorf("for a key that is revoked: %v", err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestCertificateRows: whole rows that are gone, changed round or of somebody who
// holds another authority's key are found.
func TestCertificateRows(t *testing.T) {
	for what, damage := range map[string]func(b *bolt.Bucket, k, v, k2, v2 []byte) error{
		"gone":          func(b *bolt.Bucket, k, _, _, _ []byte) error { return b.Delete(k) },
		"changed round": func(b *bolt.Bucket, k, v, k2, v2 []byte) error { b.Put(k, v2); return b.Put(k2, v) },
		"twice":         func(b *bolt.Bucket, k, v, _, _ []byte) error { return b.Put([]byte{0, 0, 0, 0, 0, 0, 0, 9}, v) },
		"another's": func(b *bolt.Bucket, k, v, _, _ []byte) error {
			key := ed25519.PublicKey(v[:ed25519.PublicKeySize])
			c := labtest.Certify(t, labtest.Authority(t), trust.Member{Role: trust.Rig, Name: "heron"}, key)
			return b.Put(k, append(append([]byte{}, key...), c.PEM()...))
		},
	} {
		a := open(t, filepath.Join(t.TempDir(), "archive.db"))
		admit(t, a, trust.Member{Role: trust.Rig, Name: "heron"}, newKey(1))
		admit(t, a, trust.Member{Role: trust.Rig, Name: "plover"}, newKey(2))
		err := a.Damage(func(tx *bolt.Tx) error {
			b := tx.Bucket([]byte("certificates"))
			k, v := b.Cursor().First()
			k2, v2 := b.Cursor().Last()
			clone := func(b []byte) []byte { return append([]byte{}, b...) }
			return damage(b, clone(k), clone(v), clone(k2), clone(v2))
		})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := a.Check(t.Context()); err == nil || !strings.Contains(err.Error(), "certificate") {
			t.Errorf("%s: %v", what, err)
		}
		a.Close()
	}
}

// TestCertificateOfNobody: who has the trail's key can enter a certificate that the
// authority has made of any key, and a check finds it where the key was not admitted
// before for who it says.
func TestCertificateOfNobody(t *testing.T) {
	heron, plover := trust.Member{Role: trust.Rig, Name: "heron"}, trust.Member{Role: trust.Rig, Name: "plover"}
	for what, c := range map[string]struct {
		of    trust.Member
		key   ed25519.PublicKey
		then  bool // it is admitted afterwards
		found bool
	}{
		"a key of nobody":          {heron, newKey(9), false, true},
		"a key of another":         {plover, newKey(1), false, true},
		"a key that is not yet in": {plover, newKey(2), true, true},
		"one of its own":           {heron, newKey(1), false, false},
	} {
		a := open(t, filepath.Join(t.TempDir(), "archive.db"))
		admit(t, a, heron, newKey(1))
		if err := a.Certify(c.of, c.key, labtest.Certify(t, labtest.Authority(t), c.of, c.key)); err != nil {
			t.Fatal(err)
		}
		if c.then {
			admit(t, a, c.of, c.key)
		}
		if _, err := a.Check(t.Context()); (err != nil) != c.found || c.found && !strings.Contains(err.Error(), "was admitted before") {
			t.Errorf("%s: %v", what, err)
		}
		a.Close()
	}
}
