package archive_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// joinInPlace spends a token of a lost key on another one.
func joinInPlace(t testing.TB, a *archive.Archive, m trust.Member, why string, key ed25519.PublicKey) (archive.KeyChange, error) {
	t.Helper()
	secret := trust.Secret{77, key[0], key[1]}
	token := archive.JoinToken{Member: m, By: "wren", Made: time.Now().UTC(), Expires: time.Now().UTC().Add(time.Hour), Lost: why}
	if err := a.AddToken(secret.Hash(), token); err != nil {
		return archive.KeyChange{}, err
	}
	return a.Join(secret.Hash(), m, key, labtest.Certify(t, labtest.Authority(t), m, key))
}

// TestLostKey: a keeper's word puts a key in the place of all that a member has; they
// are revoked with it or not at all, and the trail says on whose word.
func TestLostKey(t *testing.T) {
	a := open(t, filepath.Join(t.TempDir(), "archive.db"))
	defer a.Close()
	heron, plover := trust.Member{Role: trust.Rig, Name: "heron"}, trust.Member{Role: trust.Rig, Name: "plover"}
	if _, err := joinInPlace(t, a, heron, "the disk broke", newKey(9)); trust.ReasonOf(err) != archive.KeyNotLost {
		t.Errorf("a rig that has no key loses one: %v", err)
	}
	for _, k := range []byte{1, 2} {
		admit(t, a, heron, newKey(k))
	}
	admit(t, a, plover, newKey(3))

	if _, err := joinInPlace(t, a, heron, "the disk broke", newKey(2)); trust.ReasonOf(err) != archive.KeyNotLost {
		t.Errorf("a key in its own place: %v", err)
	}
	if got := good(t, a, "heron"); len(got) != 2 {
		t.Fatalf("what was refused has left heron %d keys", len(got))
	}
	k, err := joinInPlace(t, a, heron, "the disk broke: twice", newKey(4))
	if err != nil || len(k.Lost) != 2 || k.Why != "the disk broke: twice" || k.By != "wren" {
		t.Fatalf("%+v, %v", k, err)
	}
	if got := good(t, a, "heron"); len(got) != 1 || !got[0].Key.Equal(newKey(4)) {
		t.Errorf("heron has %+v", got)
	}
	if got := good(t, a, "plover"); len(got) != 1 {
		t.Errorf("plover has %+v", got)
	}
	e := entryAt(t, a, k.Index)
	said, err := trust.ParseAdmission(e.Text)
	one := sha256.Sum256(newKey(1))
	if err != nil || e.Actor != "wren" || len(said.Lost) != 2 || string(said.Lost[0]) != string(one[:]) || said.Why != k.Why {
		t.Errorf("the trail says %q by %s, %v", e.Text, e.Actor, err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Fatal(err)
	}

	// What the row says of the loss is held against the entry.
	err = a.Damage(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte("keys"))
		key, v := b.Cursor().Last()
		var c archive.KeyChange
		if err := json.Unmarshal(v, &c); err != nil {
			return err
		}
		c.Lost = c.Lost[:1]
		row, err := json.Marshal(c)
		if err == nil {
			err = b.Put(append([]byte{}, key...), row)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.Check(t.Context()); err == nil || !strings.Contains(err.Error(), "its entry is not about it") {
		t.Errorf("%v", err)
	}
}

func good(t testing.TB, a *archive.Archive, name string) (out []archive.KeyChange) {
	t.Helper()
	changes, _, err := a.Roll()
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range archive.InForceKeys(changes) {
		if k.Name == name {
			out = append(out, k)
		}
	}
	return out
}

func entryAt(t testing.TB, a *archive.Archive, index int64) (e trail.Entry) {
	t.Helper()
	err := a.Damage(func(tx *bolt.Tx) (err error) {
		key := make([]byte, 8)
		for i := range key {
			key[i] = byte(index >> (56 - 8*i))
		}
		e, err = trail.ParseEntry(tx.Bucket([]byte("trail/leaves")).Get(key))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return e
}
