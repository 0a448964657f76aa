package audit_test

import (
	"crypto/ed25519"
	"testing"
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// TestCoversOverAChangeOfKey: what a witness has signed counts with the key of its
// time, and what the key of before signs later counts for nothing, with a witness's
// signature or without.
func TestCoversOverAChangeOfKey(t *testing.T) {
	c, b := labtest.NewCollector(t), newBench(t, t.TempDir())
	const origin = "collector.dome.example/trail"
	key, name := labtest.Key(labtest.Seeded(51)), "witness.dome.example/avocet"
	text, err := trail.WitnessKey(name, key.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	d, err := audit.NewDemand([]string{text}, 0, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	cosign := func(head []byte, by string) []byte {
		t.Helper()
		s, err := trail.NewCosigner(name, key, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		both, err := trail.Cosign(head, labtest.Verifiers(t, by), s)
		if err != nil {
			t.Fatal(err)
		}
		return both
	}
	witness := func() {
		t.Helper()
		_, head, err := c.Archive.Head()
		if err == nil {
			err = c.Archive.AddCosigned(text, cosign(head, c.Archive.VerifierKey()))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	covers := func(want int64, change func(*pb.GetHeadResponse)) {
		t.Helper()
		met, err := b.Meet(t.Context(), evasive{c, change}, address)
		if err != nil {
			t.Fatal(err)
		}
		if got := met.Covers(d); got.Size != want || len(got.Witnesses) != 1 || got.Witnesses[0].Size != want {
			t.Errorf("%+v, and not %d", got, want)
		}
	}
	as := func(*pb.GetHeadResponse) {}
	if _, err := b.deliver(c, 2); err != nil {
		t.Fatal(err)
	}
	covers(0, as)
	witness()
	covers(2, as)
	old := c.Archive.VerifierKey()
	rekey(t, c.Archive, 52)
	if _, err := b.deliver(c, 1); err != nil {
		t.Fatal(err)
	}
	covers(2, as) // by the key of before, up to where that stopped
	now, _, err := c.Archive.Head()
	if err != nil {
		t.Fatal(err)
	}
	found, err := trail.NewSigner(origin, labtest.Key(labtest.Seeded(7)))
	if err != nil {
		t.Fatal(err)
	}
	late, err := trail.SignHead(now, found)
	if err != nil {
		t.Fatal(err)
	}
	forged := cosign(late, old)
	covers(2, func(m *pb.GetHeadResponse) { m.Cosigned = append(m.Cosigned, &pb.CosignedHead{Head: forged}) })
	witness()
	covers(4, as)
	rekey(t, c.Archive, 53)
	covers(4, as)
}
