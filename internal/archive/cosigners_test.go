package archive_test

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// TestCosigners: a witness has one key, which nobody else can sign with; another
// takes its place, and a revocation frees it.
func TestCosigners(t *testing.T) {
	a, err := archive.Open(filepath.Join(t.TempDir(), "archive.db"), options())
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	var names []string
	for n := range archive.MostWitnesses + 1 {
		names = append(names, fmt.Sprint("lark-", n))
		admit(t, a, trust.Member{Role: trust.Witness, Name: names[n]}, newKey(byte(40+n)))
	}
	_, signed, err := a.Head()
	if err != nil {
		t.Fatal(err)
	}
	sign := func(by string, seed uint64) error {
		t.Helper()
		key := labtest.Key(labtest.Seeded(seed))
		s, err := trail.NewCosigner(fmt.Sprint("witness.dome.example/", seed), key, time.Unix(1e9, 0))
		if err != nil {
			t.Fatal(err)
		}
		both, err := trail.Cosign(signed, labtest.Verifiers(t, a.VerifierKey()), s)
		if err != nil {
			t.Fatal(err)
		}
		text, err := trail.WitnessKey(s.Name(), key.Public().(ed25519.PublicKey))
		if err != nil {
			t.Fatal(err)
		}
		return a.AddCosignedBy(by, text, both)
	}
	handedOut := func() int {
		t.Helper()
		now, _, err := a.Head()
		if err != nil {
			t.Fatal(err)
		}
		all, err := a.Cosigned(now.Size)
		if err != nil {
			t.Fatal(err)
		}
		return len(all)
	}
	take := func(by string, seed uint64, want int) {
		t.Helper()
		if err := sign(by, seed); err != nil {
			t.Error(err)
		}
		if n := handedOut(); n != want {
			t.Errorf("%d heads are handed out, not %d", n, want)
		}
	}
	refuse := func(by string, seed uint64) {
		t.Helper()
		if err := sign(by, seed); !errors.Is(err, archive.ErrWitness) {
			t.Errorf("%s with %d: %v", by, seed, err)
		}
	}
	take(names[0], 100, 1)
	take(names[0], 200, 1) // another key
	take(names[0], 200, 1)
	refuse(names[1], 200)
	take(names[1], 100, 2) // free again
	for n := 2; n < archive.MostWitnesses; n++ {
		take(names[n], uint64(100+n), n+1)
	}
	last := names[archive.MostWitnesses]
	refuse(last, 150)
	refuse("", 150)
	if _, err := a.Revoke(names[3], "wren", "sold"); err != nil {
		t.Fatal(err)
	}
	if n := handedOut(); n != archive.MostWitnesses-1 {
		t.Errorf("after the revocation %d heads are handed out", n)
	}
	take(last, 150, archive.MostWitnesses)
	// Who has a witness's lost key has signed with it, too.
	if _, err := joinInPlace(t, a, trust.Member{Role: trust.Witness, Name: last}, "it was taken", newKey(90)); err != nil {
		t.Fatal(err)
	}
	if n := handedOut(); n != archive.MostWitnesses-1 {
		t.Errorf("after the loss %d heads are handed out", n)
	}
	take(last, 151, archive.MostWitnesses)
	if _, err := a.Check(t.Context()); err != nil {
		t.Error(err)
	}
}
