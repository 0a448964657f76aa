package archive_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// admit has a new key join as m.
func admit(t testing.TB, a *archive.Archive, m trust.Member, key ed25519.PublicKey) archive.KeyChange {
	t.Helper()
	secret := trust.Secret{byte(len(m.Name)), key[0], key[1]}
	if err := a.AddToken(secret.Hash(), archive.JoinToken{Member: m, By: "wren", Made: time.Now().UTC(), Expires: time.Now().UTC().Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	k, err := a.Join(secret.Hash(), m, key, labtest.Certify(t, labtest.Authority(t), m, key))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// rotate has a key come after another.
func rotate(t testing.TB, a *archive.Archive, m trust.Member, before, next ed25519.PrivateKey) {
	t.Helper()
	key, chain, signature := labtest.Rotated(t, labtest.Authority(t), m, before, next)
	if _, err := a.Rotate(m, before.Public().(ed25519.PublicKey), key, signature, chain); err != nil {
		t.Fatal(err)
	}
}

func newKey(r byte) ed25519.PublicKey {
	return labtest.Key(labtest.Seeded(uint64(r))).Public().(ed25519.PublicKey)
}

func TestRoll(t *testing.T) {
	path := filepath.Join(t.TempDir(), "archive.db")
	now := time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC)
	opt := options()
	opt.Now = func() time.Time { return now }
	a, err := archive.Open(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	heron, plover := trust.Member{Role: trust.Rig, Name: "heron"}, trust.Member{Role: trust.Rig, Name: "plover"}
	add := func(secret byte, m trust.Member, life time.Duration) [sha256.Size]byte {
		t.Helper()
		hash := trust.Secret{secret}.Hash()
		if err := a.AddToken(hash, archive.JoinToken{Member: m, By: "wren", Made: now, Expires: now.Add(life)}); err != nil {
			t.Fatal(err)
		}
		return hash
	}
	refused := func(reason string, hash [sha256.Size]byte, m trust.Member, key ed25519.PublicKey) {
		t.Helper()
		if k, err := a.Join(hash, m, key, trust.Chain{}); trust.ReasonOf(err) != reason || !errors.Is(err, trust.ErrDenied) || k.Name != "" {
			t.Errorf("%v, %v; it should be refused as %s", k, err, reason)
		}
	}
	one, two, three := add(1, heron, time.Hour), add(2, heron, 3*time.Hour), add(3, plover, 3*time.Hour)

	refused(archive.TokenUnknown, trust.Secret{9}.Hash(), heron, newKey(1))
	refused(archive.TokenOther, one, plover, newKey(1))
	refused(archive.TokenOther, one, trust.Member{Role: trust.Keeper, Name: "heron"}, newKey(1))
	k, err := a.Join(one, heron, newKey(1), trust.Chain{})
	if err != nil || k.Member() != heron || k.By != "wren" || k.Index != 0 || !k.At.Equal(now) {
		t.Fatalf("%+v, %v", k, err)
	}
	refused(archive.TokenUsed, one, heron, newKey(2))
	refused(archive.TokenUsed, one, heron, newKey(1))
	refused(archive.KeyOther, three, plover, newKey(1))
	if again, err := a.Join(two, heron, newKey(1), trust.Chain{}); err != nil || !cmp.Equal(again, k) {
		t.Errorf("the same key once more: %+v, %v", again, err)
	}
	now = now.Add(4 * time.Hour)
	refused(archive.TokenExpired, three, plover, newKey(3))
	if err := a.AddToken(trust.Secret{4}.Hash(), archive.JoinToken{Member: trust.Member{Role: trust.Analyst, Name: "heron"}}); trust.ReasonOf(err) != archive.NameTaken {
		t.Errorf("a rig's name for an analyst: %v", err)
	}
	if _, err := a.Revoke("avocet", "wren", "who?"); !errors.Is(err, archive.ErrNotFound) {
		t.Error(err)
	}

	// Revoking takes the keys and what waits, and holds for the keys for ever.
	second, waits := add(5, heron, time.Hour), add(6, heron, time.Hour)
	if _, err := a.Join(second, heron, newKey(5), trust.Chain{}); err != nil {
		t.Fatal(err)
	}
	gone, err := a.Revoke("heron", "wren", "sold")
	if err != nil || len(gone) != 2 || !gone[0].Revoked || gone[0].Why != "sold" {
		t.Fatalf("%+v, %v", gone, err)
	}
	refused(archive.TokenUnknown, waits, heron, newKey(6))
	refused(archive.KeyRevoked, add(7, heron, time.Hour), heron, newKey(1))
	back := add(8, heron, time.Hour)
	a.Close()
	if a, err = archive.Open(path, opt); err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if _, err := a.Join(back, heron, newKey(8), trust.Chain{}); err != nil {
		t.Errorf("a new key after all: %v", err)
	}
	changes, _, err := a.Roll()
	if err != nil || len(changes) != 5 {
		t.Fatalf("%+v, %v", changes, err)
	}
	if in := archive.InForceKeys(changes); len(in) != 1 || !in[0].Key.Equal(newKey(8)) {
		t.Errorf("%+v", in)
	}
	for i, c := range changes {
		r, err := a.Entry(int64(i))
		if err != nil {
			t.Fatal(err)
		}
		e, err := trail.ParseEntry(r.Leaf)
		if err != nil || c.Index != int64(i) || e.Subject != c.Name || e.Digest != sha256.Sum256(c.Key) {
			t.Errorf("entry %d is %+v, and the roll says %+v: %v", i, e, c, err)
		}
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Error(err)
	}
	// Tokens that ended long ago are forgotten.
	now = now.Add(60 * 24 * time.Hour)
	add(10, plover, time.Hour)
	if _, tokens, err := a.Roll(); err != nil || len(tokens) != 1 {
		t.Errorf("%d tokens are known, %v", len(tokens), err)
	}
}
