package dossier_test

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/archive"
	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// TestKeysOfTheTrail: a file proves its run to whoever knows any key that the trail
// had, and names the member when the way from one to the other is not whole.
func TestKeysOfTheTrail(t *testing.T) {
	k := keep(t)
	before, keys := k.dossier(t), []string{k.Archive.VerifierKey()}
	for seed := range uint64(2) {
		if _, _, err := k.Archive.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(51 + seed)), By: "wren", Why: "its year is over"}); err != nil {
			t.Fatal(err)
		}
		keys = append(keys, k.Archive.VerifierKey())
	}
	after := k.dossier(t)
	rigs := k.keys().Rigs
	for _, key := range keys {
		known := dossier.Keys{Collectors: []string{key}, Rigs: rigs}
		if d := doubts(verified(t, after, known)); len(d) > 1 { // one of the rig's key, which was never admitted
			t.Errorf("by key %s: %q", key, d)
		}
	}
	verified(t, before, dossier.Keys{Collectors: keys[:1]})
	if _, err := dossier.Verify(before, dossier.Keys{Collectors: keys[1:]}); !errors.Is(err, dossier.ErrNotProved) {
		t.Errorf("a file of before by the keys of after: %v", err)
	}
	other, err := trail.VerifierKey(k.Archive.Origin(), labtest.Key(labtest.Seeded(77)).Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	refusedAt(t, after, dossier.Keys{Collectors: []string{other}}, "trail/key")
	cover := string(membersOf(t, after)[0].data)
	if !strings.Contains(cover, "they are signed with the key after "+keys[0]+", which signed that itself: its year is over") {
		t.Errorf("the cover does not tell of the keys:\n%s", cover)
	}
	raw := membersOf(t, after)
	for i, m := range raw {
		if m.name != "trail/keys.json" {
			continue
		}
		changed := bytes.Clone(m.data)
		changed[len(changed)/3] ^= 1
		with := append([]member{}, raw...)
		with[i].data = changed
		refusedAt(t, zipOf(t, with), dossier.Keys{}, "trail/keys.json")
		with = append(append([]member{}, raw[:i]...), raw[i+1:]...)
		if _, err := dossier.Verify(zipOf(t, with), dossier.Keys{}); !errors.Is(err, dossier.ErrNotProved) || !strings.Contains(err.Error(), "trail/keys.json") {
			t.Errorf("without it: %v", err)
		}
		return
	}
	t.Error("the keys are not in the file")
}

func refusedAt(t testing.TB, b []byte, known dossier.Keys, member string) {
	t.Helper()
	_, err := dossier.Verify(b, known)
	var f *dossier.Fault
	if !errors.As(err, &f) || f.Member != member {
		t.Errorf("%v, want a fault of %s", err, member)
	}
}

// TestKeyOnAWordInAFile: it says on whose word a key followed a lost one, and who
// knows the lost one alone is not led on.
func TestKeyOnAWordInAFile(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000})
	lost := h.VerifierKey()
	h.lose(t, "operator", nil, labtest.Key(labtest.Seeded(66)))
	b := h.dossier(t, run.ID, nil)
	r := verified(t, b, h.known())
	if d := strings.Join(doubts(r), "\n"); !strings.Contains(d, "on the word of the owner of the collector's folder; the old key did not sign that: the stick is gone") {
		t.Errorf("it does not say so: %s", d)
	}
	if _, err := dossier.Verify(b, dossier.Keys{Collectors: []string{lost}}); !errors.Is(err, trail.ErrOnWord) || !strings.Contains(err.Error(), "trail/keys.json: ") {
		t.Errorf("by the lost key alone: %v", err)
	}
	verified(t, b, dossier.Keys{Collectors: []string{lost, h.VerifierKey()}})
	c := contentsOf(t, membersOf(t, b))
	c.Proof.Keys[0].Certificates = string(c.Proof.Chain)
	b, err := made(t, c, h.opt.Key)
	if err != nil {
		t.Fatal(err)
	}
	refused(t, "certificates of nobody's word", b, dossier.Keys{}, "trail/keys.json")
}

// TestKeepersWord: where a key followed a lost one on a keeper's word, the file shows
// by his key's admission and certificate who he was, and that he was a keeper then.
func TestKeepersWord(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000})
	h.lose(t, "wren", h.wren, labtest.Key(labtest.Seeded(67)))
	b := h.dossier(t, run.ID, nil)
	got := told(verified(t, b, h.known()), "trail/keys.json")
	wren := record.Fingerprint(h.wren.Public().(ed25519.PublicKey))
	for _, want := range []string{
		"on the word of keeper wren; the old key did not sign that: the stick is gone",
		"keeper wren gave that word, whose key " + wren + " was admitted by operator with entry 0 of the trail",
		"a certificate of authority " + h.authority.Fingerprint().String() + " binds that key to keeper wren, valid from",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("it does not say %q: %s", want, got)
		}
	}
	if cover := string(membersOf(t, b)[0].data); !strings.Contains(cover, "the keeper's key was admitted by operator with entry 0") {
		t.Errorf("the cover does not tell of him:\n%s", cover)
	}
	honest := contentsOf(t, membersOf(t, b))
	other := labtest.Certify(t, h.authority, asWren, h.wren.Public().(ed25519.PublicKey))
	without := func(c *dossier.Contents, kind trail.Kind) {
		c.Proof.Entries = slices.DeleteFunc(slices.Clone(c.Proof.Entries), func(p dossier.ProvedEntry) bool {
			e := entryOf(t, p)
			return e.Kind == kind && e.Subject == "wren"
		})
	}
	for what, x := range map[string]struct {
		change func(c *dossier.Contents)
		member string
		say    string
	}{
		"no admission":           {func(c *dossier.Contents) { without(c, trail.KindKey) }, "trail/keys.json", "does not tell that the key of keeper wren was admitted"},
		"the rig's certificates": {func(c *dossier.Contents) { c.Proof.Keys[0].Certificates = string(c.Proof.Chain) }, "trail/keys.json", "is for rig heron"},
		"others of his":          {func(c *dossier.Contents) { c.Proof.Keys[0].Certificates = string(other.PEM()) }, "trail/keys.json", "no entry of the trail in the file binds"},
		"no certificates":        {func(c *dossier.Contents) { c.Proof.Keys[0].Certificates = "" }, "trail/entries.json", "are not in the file"},
		"no entry of them":       {func(c *dossier.Contents) { without(c, trail.KindCertificate) }, "trail/keys.json", "no entry of the trail in the file binds"},
		"what is none":           {func(c *dossier.Contents) { c.Proof.Keys[0].Certificates = "x" }, "trail/keys.json", ""},
	} {
		c := honest
		c.Proof.Keys = slices.Clone(honest.Proof.Keys)
		x.change(&c)
		b, err := made(t, c, h.opt.Key)
		if err != nil {
			t.Fatal(err)
		}
		refused(t, what, b, h.known(), x.member)
		if _, err := dossier.Verify(b, h.known()); err == nil || !strings.Contains(err.Error(), x.say) {
			t.Errorf("%s: %v", what, err)
		}
	}
	// A file of edition 1 had nothing of him, and says less.
	c := honest
	c.Proof.Keys = slices.Clone(honest.Proof.Keys)
	c.Proof.Keys[0].Certificates = ""
	without(&c, trail.KindCertificate)
	without(&c, trail.KindKey)
	b, err := made(t, c, h.opt.Key)
	if err != nil {
		t.Fatal(err)
	}
	if d := strings.Join(doubts(verified(t, sealed(t, 1, asFirst(t, membersOf(t, b)), h.opt.Key), h.known())), "\n"); !strings.Contains(d, "that the key of keeper wren was admitted is not in the file") {
		t.Errorf("of edition 1: %s", d)
	}
	// Revoked before, he was no keeper any more.
	if _, err := h.Revoke("wren", "operator", "he left"); err != nil {
		t.Fatal(err)
	}
	r := verified(t, h.dossier(t, run.ID, nil), h.known())
	if got := told(r, "trail/keys.json"); !strings.Contains(got, "keeper wren gave that word") || !strings.Contains(got, "that key was revoked since by operator: he left") {
		t.Errorf("revoked since, it says %s", got)
	}
}
