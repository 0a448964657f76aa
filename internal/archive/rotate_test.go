package archive_test

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestRotationIsExamined: a rotation that the key before has not signed is found,
// even where row, entry and tree all say it.
func TestRotationIsExamined(t *testing.T) {
	a := open(t, filepath.Join(t.TempDir(), "archive.db"))
	defer a.Close()
	heron := trust.Member{Role: trust.Rig, Name: "heron"}
	first, second, third := labtest.Key(labtest.Seeded(1)), labtest.Key(labtest.Seeded(2)), labtest.Key(labtest.Seeded(3))
	admit(t, a, heron, newKey(1))
	rotate(t, a, heron, first, second)
	rotate(t, a, heron, second, third)
	for what, pair := range map[string][2]byte{"the first and last": {1, 3}, "the last and first": {3, 1}, "neighbours": {2, 3}} {
		if yes, err := a.Succeeds("heron", newKey(pair[0]), newKey(pair[1])); err != nil || !yes {
			t.Errorf("%s are not of one machine: %v", what, err)
		}
	}
	if yes, err := a.Succeeds("heron", newKey(1), newKey(9)); err != nil || yes {
		t.Errorf("a stranger's key is: %v", err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Fatal(err)
	}
	err := a.Damage(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte("keys"))
		k, v := b.Cursor().Last()
		var c archive.KeyChange
		if err := json.Unmarshal(v, &c); err != nil {
			return err
		}
		c.Signature[0] ^= 1
		row, err := json.Marshal(c)
		if err == nil {
			err = b.Put(append([]byte{}, k...), row)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.Check(t.Context()); err == nil || !strings.Contains(err.Error(), "the key before has not signed") {
		t.Errorf("%v", err)
	}
}
