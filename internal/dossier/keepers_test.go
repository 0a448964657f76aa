package dossier_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

var asIbis = trust.Member{Role: trust.Keeper, Name: "ibis"}

func public(key ed25519.PrivateKey) ed25519.PublicKey { return key.Public().(ed25519.PublicKey) }

// join admits a member's key with a certificate of some time.
func (h *house) join(t *testing.T, m trust.Member, key ed25519.PrivateKey, at time.Time) {
	t.Helper()
	b, err := trust.NewAuthority(at)
	if err != nil {
		t.Fatal(err)
	}
	a := labtest.ReadAuthority(t, b)
	der, err := a.Issue(m, public(key), at)
	if err != nil {
		t.Fatal(err)
	}
	chain, err := trust.NewChain(der, a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	h.secrets++
	secret, now := trust.Secret{h.secrets}, time.Now().UTC()
	err = h.AddToken(secret.Hash(), archive.JoinToken{Member: m, By: "operator", Made: now, Expires: now.Add(time.Hour)})
	if err == nil {
		_, err = h.Join(secret.Hash(), m, public(key), chain)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestKeepersCertificateThen: that a keeper's certificate had ended when his word came
// into the trail, or had not begun, is told, of the rig's keys and of the trail's. His
// key was good, so the word is.
func TestKeepersCertificateThen(t *testing.T) {
	const say = "it was not valid when that entry was made"
	for what, x := range map[string]struct {
		at   time.Time
		told bool
	}{
		"it had ended":     {time.Now().Add(-2 * trust.Life), true},
		"it had not begun": {time.Now().Add(trust.Life), true},
		"it was valid":     {time.Now(), false},
	} {
		h := newHouse(t)
		ibis := labtest.Key(labtest.Seeded(73))
		h.join(t, asIbis, ibis, x.at)
		run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
		h.replace(t, asHeron, h.heron.Key, labtest.Key(labtest.Seeded(71)), "ibis", ibis)
		h.lose(t, "ibis", ibis, labtest.Key(labtest.Seeded(67)))
		r := verified(t, h.dossier(t, run.ID, nil), h.known())
		for _, member := range []string{"rig/losses.json", "trail/keys.json"} {
			if got := told(r, member); strings.Contains(got, say) != x.told {
				t.Errorf("%s: %s says %s", what, member, got)
			}
			doubted := slices.ContainsFunc(r.Lines, func(l dossier.Line) bool { return l.Member == member && l.Doubt && strings.Contains(l.Holds, say) })
			if doubted != x.told {
				t.Errorf("%s: of %s that is a doubt: %v", what, member, doubted)
			}
		}
	}
}

// TestKeeperOfAnotherAuthority: where a keeper's key was certified by another authority
// than it was admitted under, that is told as of a rig's.
func TestKeeperOfAnotherAuthority(t *testing.T) {
	h := newHouse(t)
	was := h.authority.Fingerprint().String()
	h.authority = labtest.Authority(t)
	h.admit(t, asWren, h.wren)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	h.replace(t, asHeron, h.heron.Key, labtest.Key(labtest.Seeded(71)), "wren", h.wren)
	got := told(verified(t, h.dossier(t, run.ID, nil), dossier.Keys{}), "rig/losses.json")
	if !strings.Contains(got, "that key was admitted under another authority, "+was+", and certified anew since") {
		t.Errorf("it says %s", got)
	}
}

// TestKeeperBehindAnother: who has the disk may put a key of his own in the place of a
// keeper's by an entry alone, and have that sign for the next one, which gives the word.
// The file tells of each key of the keeper on whose word it came.
func TestKeeperBehindAnother(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	stolen, next := labtest.Key(labtest.Seeded(75)), labtest.Key(labtest.Seeded(76))
	h.replace(t, asWren, h.wren, stolen, "operator", nil)
	key, chain, signature := labtest.Rotated(t, h.authority, asWren, stolen, next)
	if _, err := h.Rotate(asWren, public(stolen), key, signature, chain); err != nil {
		t.Fatal(err)
	}
	h.replace(t, asHeron, h.heron.Key, labtest.Key(labtest.Seeded(71)), "wren", next)
	r := verified(t, h.dossier(t, run.ID, nil), h.known())
	if got, want := told(r, "rig/losses.json"), "keeper wren gave that word, whose key "+record.Fingerprint(public(next))+" was admitted by the signature of key "+record.Fingerprint(public(stolen)); !strings.Contains(got, want) {
		t.Errorf("it does not say %q: %s", want, got)
	}
	want := "a key, " + record.Fingerprint(public(stolen)) + ", was admitted for keeper wren in place of the lost key " +
		record.Fingerprint(public(h.wren)) + ", on the word of operator by the collector's entry alone, which no key signed: the disk broke"
	if d := strings.Join(doubts(r), "\n"); !strings.Contains(d, want) {
		t.Errorf("no doubt says %q: %s", want, d)
	}
}

// TestRigOfAKeepersName: a rig whose runs are kept in process has its name by its own
// word, which may be a keeper's. What the file tells of that keeper, whose word the
// trail's key is on, is none of the rig's.
func TestRigOfAKeepersName(t *testing.T) {
	h := newHouse(t)
	run := labtest.NewRig("wren", labtest.Seeded(16)).Finish(labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	if err := h.send(run); err != nil {
		t.Fatal(err)
	}
	h.lose(t, "wren", h.wren, labtest.Key(labtest.Seeded(67)))
	if _, err := h.Revoke("wren", "operator", "he left"); err != nil {
		t.Fatal(err)
	}
	r := verified(t, h.dossier(t, run.ID, nil), dossier.Keys{})
	if got := told(r, "record.sig"); !strings.Contains(got, "the run was delivered without one, and is of rig wren by its own word") {
		t.Errorf("of the rig's key it says %s", got)
	}
	if got := told(r, "trail/keys.json"); !strings.Contains(got, "binds that key to keeper wren") || !strings.Contains(got, "that key was revoked since by operator: he left") {
		t.Errorf("of the keeper it says %s", got)
	}
	if got := told(r, "trail/entries.json"); strings.Contains(got, "for rig wren") {
		t.Errorf("the keeper's key is the rig's: %s", got)
	}
}

// TestCostOfWords: what a file costs to verify grows with its words and the keys of who
// gave them, not with their product: who has a trail's key may put in many of both.
func TestCostOfWords(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	cost := func(n uint64) float64 {
		b := h.words(t, run.ID, n)
		return testing.AllocsPerRun(1, func() {
			if r := verified(t, b, dossier.Keys{}); strings.Count(told(r, "rig/losses.json"), "keeper wren gave that word") != int(n) {
				t.Errorf("not %d words are told", n)
			}
		})
	}
	none, some, twice := cost(1), cost(60), cost(120)
	if ratio := (twice - none) / (some - none); ratio > 2.5 {
		t.Errorf("with twice as many of both it allocates %.1f times as much", ratio)
	}
}

// words is a forged file in which the keeper wren has had n keys more, and the last of
// them has signed n times that heron's key is lost.
func (h *house) words(t *testing.T, id string, n uint64) []byte {
	t.Helper()
	f := h.forge(t, id)
	add := func(kind trail.Kind, of trust.Member, key ed25519.PrivateKey, text string) {
		f.entries = append(f.entries, trail.Entry{Kind: kind, At: time.Unix(1_930_000_000, 0), Digest: sha256.Sum256(public(key)),
			Length: ed25519.PublicKeySize, Subject: of.Name, Actor: "wren", Text: text})
	}
	last := h.wren
	add(trail.KindKey, asWren, last, trust.Admission{Role: trust.Keeper}.Text())
	for i := range n {
		next := labtest.Key(labtest.Seeded(10_000 + i))
		r := trust.Rotation{Member: asWren, Before: public(last), After: sha256.Sum256(public(next))}
		add(trail.KindKey, asWren, next, trust.Admission{Role: trust.Keeper, Before: r.Before, Signature: r.Sign(last)}.Text())
		last = next
	}
	had := h.heron.Key
	for i := range n {
		next, lost := labtest.Key(labtest.Seeded(20_000+i)), sha256.Sum256(public(had))
		l := trust.Loss{Trail: h.Origin(), Keeper: "wren", Member: asHeron, Keys: [][]byte{lost[:]}, Why: "the disk broke"}
		add(trail.KindRevocation, asHeron, had, "lost: the disk broke")
		add(trail.KindKey, asHeron, next, trust.Admission{Role: trust.Rig, Lost: l.Keys, Why: l.Why, Word: l.Sign(last)}.Text())
		had = next
	}
	return f.make(t)
}
