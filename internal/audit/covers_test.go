package audit_test

import (
	"crypto/ed25519"
	"errors"
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

// TestTwoOfThree: as many as are needed must have signed, each with its own key and
// for itself, and who goes takes his signature along.
func TestTwoOfThree(t *testing.T) {
	c, b := labtest.NewCollector(t), newBench(t, t.TempDir())
	var texts []string
	notes := map[string][]byte{}
	sign := func(name string, seed uint64) (text string) {
		t.Helper()
		key := labtest.Key(labtest.Seeded(seed))
		text, err := trail.WitnessKey(name, key.Public().(ed25519.PublicKey))
		if err != nil {
			t.Fatal(err)
		}
		s, err := trail.NewCosigner(name, key, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		_, head, err := c.Archive.Head()
		if err == nil {
			notes[text], err = trail.Cosign(head, labtest.Verifiers(t, c.Archive.VerifierKey()), s)
		}
		if err == nil {
			err = c.Archive.AddCosigned(text, notes[text])
		}
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	c.Fill(t, 3, 1)
	texts = append(texts, sign("witness.dome.example/lark", 61))
	pretender := sign("witness.dome.example/ibis", 63) // of the name that another bears
	c.Fill(t, 2, 2)
	texts = append(texts, sign("witness.dome.example/avocet", 62))
	ibis, err := trail.WitnessKey("witness.dome.example/ibis", labtest.Key(labtest.Seeded(64)).Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	texts = append(texts, ibis) // who has signed nothing
	without := func(gone string) func(m *pb.GetHeadResponse) {
		return func(m *pb.GetHeadResponse) {
			var left []*pb.CosignedHead
			for _, h := range m.Cosigned {
				if string(h.Head) != string(notes[gone]) {
					left = append(left, h)
				}
			}
			m.Cosigned = append(left, left...) // each twice
		}
	}
	for _, x := range []struct {
		need int
		gone string
		want int64
	}{{1, "", 5}, {2, "", 3}, {3, "", 0}, {2, texts[0], 0}, {1, texts[0], 5}, {1, texts[1], 3}, {2, pretender, 3}} {
		d, err := audit.NewDemand(texts, x.need, time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		met, err := b.Meet(t.Context(), evasive{c, without(x.gone)}, address)
		if err != nil {
			t.Fatal(err)
		}
		got := met.Covers(d)
		if u, waits := got.Unwitnessed(3, d, time.Now(), time.Now()); got.Size != x.want || waits != (x.want <= 3) || u.Of != 3 {
			t.Errorf("%d needed, %q gone: %+v, waits %v", x.need, x.gone, got, waits)
		}
	}
	if _, err := audit.NewDemand(append(texts, texts[0]), 2, time.Hour); err == nil {
		t.Error("one key counts twice")
	}
	for n, ok := range map[int]bool{audit.MostWitnesses: true, audit.MostWitnesses + 1: false} {
		var many []string
		for i := range n {
			text, err := trail.WitnessKey("witness.dome.example/ibis", labtest.Key(labtest.Seeded(uint64(100+i))).Public().(ed25519.PublicKey))
			if err != nil {
				t.Fatal(err)
			}
			many = append(many, text)
		}
		if _, err := audit.NewDemand(many, 1, time.Hour); (err == nil) != ok {
			t.Errorf("%d witnesses: %v", n, err)
		}
	}
}

// TestOneHeadOfManySignatures: the head that a witness has signed is one, whenever he has
// signed it, so that an alarm over it is not raised with each signature.
func TestOneHeadOfManySignatures(t *testing.T) {
	b, s := metScribe(t, t.TempDir())
	past, err := s.sign(12, 'a')
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		lark, err := trail.NewCosigner("lark", labtest.Key(labtest.Seeded(6)), time.Unix(int64(1+i), 0))
		var signed []byte
		if err == nil {
			signed, err = trail.Cosign(past, labtest.Verifiers(t, s.key), lark)
		}
		if err != nil {
			t.Fatal(err)
		}
		s.cosigned = []*pb.CosignedHead{{Head: signed, Consistency: &pb.Consistency{}}}
		if _, err := b.Meet(t.Context(), s, address); !errors.Is(err, audit.ErrAlarm) {
			t.Fatal(err)
		}
	}
	if open, err := b.Open(); err != nil || len(open) != 1 || open[0].Seen.Size != 12 {
		t.Errorf("%v, %v", open, err)
	}
}
