package collect_test

import (
	"bytes"
	"crypto/ed25519"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/enrol"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestKeeperSignsALoss: a token for lost keys that a keeper makes is signed with his
// key, wherever he asks from; nobody gets one in his name, and he gets none unsigned.
func TestKeeperSignsALoss(t *testing.T) {
	w := newWorkshop(t)
	wren := w.ids["wren"]
	heron := trust.Member{Role: trust.Rig, Name: "heron"}
	roll, err := enrol.Members(t.Context(), w.owner, w.address)
	if err != nil {
		t.Fatal(err)
	}
	if got, ok := roll.Keeper([]trust.Identity{w.ids["swift"], wren}); !ok || got.Member != wren.Member {
		t.Errorf("of swift and wren the keeper is %v, %v", got.Member, ok)
	}
	wanted := enrol.Wanted{Member: heron, Life: time.Hour, By: "wren", Lost: "the disk broke"}
	vouch := func(as trust.Identity, roll enrol.Roll, owner bool) error {
		conn := w.owner
		if !owner {
			conn = w.as(t, "wren")
		}
		_, _, err := enrol.VouchLoss(t.Context(), conn, w.address, roll, as, wanted)
		return err
	}
	w.refused(t, "word_missing", "a keeper who says that keys are lost signs that", func() error {
		_, err := enrol.IssueToken(t.Context(), w.as(t, "wren"), w.address, wanted)
		return err
	})
	w.refused(t, "key_not_lost", "a key that is shown is not lost", func() error {
		own := wanted
		own.Member = wren.Member
		_, err := enrol.IssueToken(t.Context(), w.as(t, "wren"), w.address, own)
		return err
	})
	other, analyst, stranger, elsewhere := wren, w.ids["swift"], wren, roll
	other.Name, stranger.Key, elsewhere.Trail = "ibis", labtest.Key(labtest.Seeded(80)), "another.example/trail"
	w.refused(t, "bad_signature", "has not signed that these keys are lost", func() error { return vouch(other, roll, false) })
	w.refused(t, "bad_signature", "has not signed that these keys are lost", func() error { return vouch(wren, elsewhere, false) })
	for _, name := range []string{"", roll.Trail + "\nkeeper ibis"} { // which would say something of its own in what he signs
		elsewhere.Trail = name
		if err := vouch(wren, elsewhere, false); err == nil || !strings.Contains(err.Error(), "it calls its trail") {
			t.Errorf("%q: %v", name, err)
		}
	}
	w.refused(t, "key_revoked", "one of keeper swift", func() error { return vouch(analyst, roll, true) })
	w.refused(t, "key_revoked", "one of keeper wren", func() error { return vouch(stranger, roll, true) })

	for seed, owner := range map[uint64]bool{81: false, 82: true} {
		conn := w.owner
		if !owner {
			conn = w.as(t, "wren")
		}
		issued, loss, err := enrol.VouchLoss(t.Context(), conn, w.address, roll, wren, wanted)
		if err != nil || loss.Trail != roll.Trail || loss.Keeper != "wren" || loss.Member != heron || len(loss.Keys) != 1 || loss.Why != wanted.Lost {
			t.Fatalf("%+v, %v", loss, err)
		}
		token, err := trust.ParseToken(issued.Token)
		if err != nil || token.Authority != trust.FingerprintOf(wren.Authority) || token.Member != heron {
			t.Fatalf("%+v, %v", token, err)
		}
		join, err := collect.DialToJoin(w.address, token.Authority)
		if err != nil {
			t.Fatal(err)
		}
		_, err = enrol.Join(t.Context(), join, w.address, token, labtest.Key(labtest.Seeded(seed)))
		join.Close()
		if err != nil {
			t.Fatal(err)
		}
		if roll, err = enrol.Members(t.Context(), w.owner, w.address); err != nil {
			t.Fatal(err)
		}
		for _, s := range roll.Members {
			if last := s.Keys[len(s.Keys)-1]; s.Member == heron && !bytes.Equal(wren.Key.Public().(ed25519.PublicKey), last.Signer) {
				t.Errorf("by the owner %v: %+v", owner, last)
			}
		}
	}
}
