package archive_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"path/filepath"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestForgedLineage: who has the trail's key cannot make up the key that another is
// said to have come after, nor keys that are said to be lost; nor can he have one key
// be two, a name two members, or a key end that was none.
func TestForgedLineage(t *testing.T) {
	heron, plover := trust.Member{Role: trust.Rig, Name: "heron"}, trust.Member{Role: trust.Rig, Name: "plover"}
	key := func(n uint64) ed25519.PrivateKey { return labtest.Key(labtest.Seeded(n)) }
	after := func(before, next ed25519.PrivateKey) archive.KeyChange {
		pub, chain, signature := labtest.Rotated(t, labtest.Authority(t), heron, before, next)
		return archive.KeyChange{Name: "heron", Role: trust.Rig, By: "heron", Authority: trust.FingerprintOf(chain.Authority),
			Key: pub, Before: before.Public().(ed25519.PublicKey), Signature: signature}
	}
	lost := func(k ed25519.PublicKey) archive.KeyChange {
		sum := sha256.Sum256(k)
		return archive.KeyChange{Name: "heron", Role: trust.Rig, By: "wren", Key: newKey(40), Lost: [][]byte{sum[:]}, Why: "the disk broke"}
	}
	for what, forged := range map[string]archive.KeyChange{
		"after a key of nobody":            after(key(30), key(40)),
		"after a key of another":           after(key(3), key(40)),
		"after a key that has a successor": after(key(1), key(40)),
		"after a revoked key":              after(key(5), key(40)),
		"in place of a key of nobody":      lost(newKey(30)),
		"in place of a key of another":     lost(newKey(3)),
		"in place of another's lost key":   lost(newKey(4)),
		"in place of a key that is good":   lost(newKey(2)),
		"a key that is there":              {Name: "heron", Role: trust.Rig, By: "wren", Key: newKey(2)},
		"a key of another":                 {Name: "heron", Role: trust.Rig, By: "wren", Key: newKey(3)},
		"a key that was revoked":           {Name: "heron", Role: trust.Rig, By: "wren", Key: newKey(5)},
		"a second role of a name":          {Name: "plover", Role: trust.Keeper, By: "wren", Key: newKey(40)},
		"the end of a key of nobody":       {Name: "ghost", Revoked: true, By: "wren", Why: "sold", Key: newKey(40)},
		"the end of a key of another":      {Name: "heron", Revoked: true, By: "wren", Why: "sold", Key: newKey(3)},
		"a second end of a key":            {Name: "heron", Revoked: true, By: "wren", Why: "sold", Key: newKey(5)},
	} {
		a := open(t, filepath.Join(t.TempDir(), "archive.db"))
		admit(t, a, heron, newKey(5))
		admit(t, a, plover, newKey(4))
		for _, name := range []string{"heron", "plover"} {
			if _, err := a.Revoke(name, "wren", "sold"); err != nil {
				t.Fatal(err)
			}
		}
		admit(t, a, heron, newKey(1))
		admit(t, a, plover, newKey(3))
		rotate(t, a, heron, key(1), key(2))
		if _, err := a.Check(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := copied(t, a); err != nil {
			t.Fatal(err)
		}
		if err := a.Admit(forged); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Check(t.Context()); err == nil || !strings.Contains(err.Error(), "key at entry ") {
			t.Errorf("%s: the check says %v", what, err)
		}
		if err := copied(t, a); err == nil || !strings.Contains(err.Error(), "adopt entries") {
			t.Errorf("%s: a copy takes it: %v", what, err)
		}
		a.Close()
	}
}

// copied copies a trail of keys, its own among them, and of certificates, whole.
func copied(t *testing.T, a *archive.Archive) error {
	t.Helper()
	empty, err := a.HeadAt(0)
	if err != nil {
		t.Fatal(err)
	}
	all, err := a.Successions("", 0)
	if err != nil {
		t.Fatal(err)
	}
	var notes [][]byte
	for _, s := range all {
		notes = append(notes, s.Note)
	}
	to, err := archive.OpenFollowing(filepath.Join(t.TempDir(), "archive.db"), a.VerifierKey(), empty, archive.Options{Now: time.Now}, notes...)
	if err != nil {
		t.Fatal(err)
	}
	defer to.Close()
	head, signed, err := a.Head()
	if err != nil {
		t.Fatal(err)
	}
	var entries []archive.Adopting
	for i := range head.Size {
		c, err := a.CopyEntry(i)
		if err != nil {
			t.Fatal(err)
		}
		entries = append(entries, archive.Adopting{Copied: c})
	}
	return to.Adopt(signed, entries)
}

// TestNoKeyIsTooOldToBeLost: however often somebody with a rig's key has it go over
// into another, a keeper's word ends all of them, and the trail does not grow without
// bound by it.
func TestNoKeyIsTooOldToBeLost(t *testing.T) {
	now := time.Now()
	opt := options()
	opt.Now = func() time.Time { return now }
	a, err := archive.Open(filepath.Join(t.TempDir(), "archive.db"), opt)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	heron := trust.Member{Role: trust.Rig, Name: "heron"}
	last := labtest.Key(labtest.Seeded(100))
	admit(t, a, heron, last.Public().(ed25519.PublicKey))
	refused := 0
	for n := range uint64(3 * trust.MostLost) {
		next := labtest.Key(labtest.Seeded(101 + n))
		key, chain, signature := labtest.Rotated(t, labtest.Authority(t), heron, last, next)
		_, err := a.Rotate(heron, last.Public().(ed25519.PublicKey), key, signature, chain)
		if trust.ReasonOf(err) == archive.KeyTooOften {
			refused++
			now = now.Add(25 * time.Hour)
			_, err = a.Rotate(heron, last.Public().(ed25519.PublicKey), key, signature, chain)
		}
		if err != nil {
			t.Fatal(err)
		}
		last = next
	}
	if refused == 0 {
		t.Error("a member may have any number of keys in a day")
	}
	if err := a.AddToken(trust.Secret{9}.Hash(), archive.JoinToken{Member: heron, By: "wren", Made: now, Expires: now.Add(time.Hour), Lost: "somebody else has it"}); err != nil {
		t.Fatal(err)
	}
	k, err := a.Join(trust.Secret{9}.Hash(), heron, newKey(9), trust.Chain{})
	sum := sha256.Sum256(last.Public().(ed25519.PublicKey))
	if err != nil || len(k.Lost) != 1 || string(k.Lost[0]) != string(sum[:]) {
		t.Fatalf("%+v, %v", k, err)
	}
	changes, _, err := a.Roll()
	if in := archive.InForceKeys(changes); err != nil || len(in) != 1 || !in[0].Key.Equal(newKey(9)) {
		t.Errorf("%d keys are good, %v", len(in), err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestTokenRevivesNoKey: a key that another came after gets nothing new by a token
// either, as a state folder of before that was put back would have it.
func TestTokenRevivesNoKey(t *testing.T) {
	a := open(t, filepath.Join(t.TempDir(), "archive.db"))
	defer a.Close()
	heron := trust.Member{Role: trust.Rig, Name: "heron"}
	admit(t, a, heron, newKey(1))
	rotate(t, a, heron, labtest.Key(labtest.Seeded(1)), labtest.Key(labtest.Seeded(2)))
	now := time.Now().UTC()
	if err := a.AddToken(trust.Secret{9}.Hash(), archive.JoinToken{Member: heron, By: "wren", Made: now, Expires: now.Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	if k, err := a.Join(trust.Secret{9}.Hash(), heron, newKey(1), trust.Chain{}); trust.ReasonOf(err) != archive.KeySucceeded {
		t.Errorf("%+v, %v", k, err)
	}
	if _, err := a.Join(trust.Secret{9}.Hash(), heron, newKey(2), trust.Chain{}); err != nil {
		t.Errorf("the token is spent by what was refused, or the last key is not taken: %v", err)
	}
}

// TestLostKeeperHandsOutNothing: tokens that somebody with a keeper's lost key has made
// are void when another key takes its place, as they are when he is revoked; those of
// others, and his own, are not.
func TestLostKeeperHandsOutNothing(t *testing.T) {
	a := open(t, filepath.Join(t.TempDir(), "archive.db"))
	defer a.Close()
	wren, mole, heron := trust.Member{Role: trust.Keeper, Name: "wren"}, trust.Member{Role: trust.Keeper, Name: "mole"}, trust.Member{Role: trust.Rig, Name: "heron"}
	admit(t, a, wren, newKey(1))
	add := func(secret byte, m trust.Member, by, lost string) {
		t.Helper()
		now := time.Now().UTC()
		if err := a.AddToken(trust.Secret{secret}.Hash(), archive.JoinToken{Member: m, By: by, Made: now, Expires: now.Add(time.Hour), Lost: lost}); err != nil {
			t.Fatal(err)
		}
	}
	add(2, mole, "wren", "")
	add(3, heron, "ibis", "")
	add(4, wren, "ibis", "the laptop was taken")
	if _, err := a.Join(trust.Secret{4}.Hash(), wren, newKey(4), trust.Chain{}); err != nil {
		t.Fatal(err)
	}
	if k, err := a.Join(trust.Secret{2}.Hash(), mole, newKey(2), trust.Chain{}); trust.ReasonOf(err) != archive.TokenUnknown {
		t.Errorf("%+v, %v", k, err)
	}
	if _, err := a.Join(trust.Secret{3}.Hash(), heron, newKey(3), trust.Chain{}); err != nil {
		t.Error(err)
	}
	if _, err := a.Join(trust.Secret{4}.Hash(), wren, newKey(5), trust.Chain{}); trust.ReasonOf(err) != archive.TokenUsed {
		t.Errorf("spent, it says %v", err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestWordOfAnEarlierKey: a check finds a word for the trail's next key that a keeper's
// earlier key has given, which whoever has that may enter in an archive of his own. No
// copy takes it.
func TestWordOfAnEarlierKey(t *testing.T) {
	path, wren := filepath.Join(t.TempDir(), "archive.db"), trust.Member{Role: trust.Keeper, Name: "wren"}
	first := labtest.Key(labtest.Seeded(1))
	a := open(t, path)
	admit(t, a, wren, first.Public().(ed25519.PublicKey))
	rotate(t, a, wren, first, labtest.Key(labtest.Seeded(2)))
	var k, v []byte
	change := func(f func(*bolt.Bucket) error) {
		t.Helper()
		if err := a.Damage(func(tx *bolt.Tx) error { return f(tx.Bucket([]byte("keys"))) }); err != nil {
			t.Fatal(err)
		}
	}
	change(func(b *bolt.Bucket) error { // as if no other had come after it
		k, v = b.Cursor().Last()
		k, v = bytes.Clone(k), bytes.Clone(v)
		return b.Delete(k)
	})
	a.Close()
	opt := options()
	opt.Key = nil
	if _, err := archive.Vouch(path, opt, archive.Rekeying{Next: nextKey, By: "wren", Why: "the stick was lost", Keeper: first}); err != nil {
		t.Fatal(err)
	}
	opt.Key = nextKey
	a, err := archive.Open(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	change(func(b *bolt.Bucket) error { return b.Put(k, v) })
	const say = "it is on the word of keeper wren: not allowed: another key of keeper wren came after this one"
	if _, err := a.Check(t.Context()); err == nil || !strings.Contains(err.Error(), say) {
		t.Errorf("the check says %v", err)
	}
	if err := copied(t, a); err == nil || !strings.Contains(err.Error(), say) {
		t.Errorf("a copy says %v", err)
	}
}
