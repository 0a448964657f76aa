package dossier_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// TestSignedLoss: where a keeper has signed that the rig's key is lost, the file shows
// that, who he was and that he was a keeper then; where nobody has, it says so.
func TestSignedLoss(t *testing.T) {
	h := newHouse(t)
	first, next, last := h.heron.Key, labtest.Key(labtest.Seeded(71)), labtest.Key(labtest.Seeded(72))
	ibis, later := trust.Member{Role: trust.Keeper, Name: "ibis"}, labtest.Key(labtest.Seeded(73))
	h.replace(t, asHeron, first, next, "wren", h.wren)
	h.heron.Key = next
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000})
	b := h.dossier(t, run.ID, nil)
	r := verified(t, b, h.known())
	wren, lost := record.Fingerprint(h.wren.Public().(ed25519.PublicKey)), record.Fingerprint(first.Public().(ed25519.PublicKey))
	for member, all := range map[string][]string{
		"trail/entries.json": {"was admitted for rig heron in place of the lost key " + lost + ", signed by keeper wren's key " + wren + ": the disk broke"},
		"rig/losses.json": {
			"the key of keeper wren has signed that rig heron has lost the keys in whose place it is: the disk broke",
			"keeper wren gave that word, whose key " + wren + " was admitted by operator with entry 0 of the trail",
			"a certificate of authority " + h.authority.Fingerprint().String() + " binds that key to keeper wren, valid from",
		},
	} {
		for _, want := range all {
			if got := told(r, member); !strings.Contains(got, want) {
				t.Errorf("%s does not say %q: %s", member, want, got)
			}
		}
	}
	if cover := string(membersOf(t, b)[0].data); !strings.Contains(cover, "signed by keeper wren's key "+wren) {
		t.Errorf("the cover does not tell of him:\n%s", cover)
	}

	// By another word than a keeper's, and by one whose own key came so.
	h.replace(t, asHeron, next, last, "operator", nil)
	got := told(verified(t, h.dossier(t, run.ID, nil), h.known()), "trail/entries.json")
	if !strings.Contains(got, "on the word of operator by the collector's entry alone, which no key signed: the disk broke") {
		t.Errorf("the owner's word: %s", got)
	}
	h.admit(t, ibis, later)
	renewed := labtest.Key(labtest.Seeded(74))
	h.replace(t, asWren, h.wren, renewed, "ibis", later)
	h.replace(t, ibis, later, labtest.Key(labtest.Seeded(75)), "wren", renewed)
	got = told(verified(t, h.dossier(t, run.ID, nil), h.known()), "rig/losses.json")
	for _, want := range []string{"keeper ibis has signed that keeper wren has lost", "keeper wren has signed that keeper ibis has lost", "that key was revoked since"} {
		if !strings.Contains(got, want) {
			t.Errorf("it does not say %q: %s", want, got)
		}
	}

	honest := contentsOf(t, membersOf(t, b))
	without := func(c *dossier.Contents, kind trail.Kind) {
		c.Proof.Entries = slices.DeleteFunc(slices.Clone(c.Proof.Entries), func(p dossier.ProvedEntry) bool {
			e := entryOf(t, p)
			return e.Kind == kind && e.Subject == "wren"
		})
	}
	for what, x := range map[string]struct {
		change func(c *dossier.Contents)
		say    string
	}{
		"no admission":           {func(c *dossier.Contents) { without(c, trail.KindKey) }, "does not tell that the key of keeper wren was admitted"},
		"no entry of it":         {func(c *dossier.Contents) { without(c, trail.KindCertificate) }, "no entry of the trail in the file binds"},
		"the rig's certificates": {func(c *dossier.Contents) { c.Proof.Losses[0].Certificates = string(c.Proof.Chain) }, "is for rig heron"},
		"another entry":          {func(c *dossier.Contents) { c.Proof.Losses[0].Entry++ }, "not of the entries that keepers have signed for"},
		"once more":              {func(c *dossier.Contents) { c.Proof.Losses = append(c.Proof.Losses, c.Proof.Losses[0]) }, "not of the entries"},
		"none":                   {func(c *dossier.Contents) { c.Proof.Losses = nil }, "not of the entries"},
	} {
		c := honest
		c.Proof.Losses = slices.Clone(honest.Proof.Losses)
		x.change(&c)
		b, err := made(t, c, h.opt.Key)
		if err != nil {
			t.Fatal(err)
		}
		for edition, ms := range map[int][]member{1: asFirst(t, membersOf(t, b)), dossier.Edition: membersOf(t, b)} {
			b := sealed(t, edition, ms, h.opt.Key)
			refused(t, what, b, dossier.Keys{}, "rig/losses.json")
			if _, err := dossier.Verify(b, h.known()); err == nil || !strings.Contains(err.Error(), x.say) {
				t.Errorf("edition %d, %s: %v", edition, what, err)
			}
		}
	}
}

// TestForgedLoss: who has the trail's key and seals a file of his own cannot make up
// what a keeper has signed of a rig's keys.
func TestForgedLoss(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	wren, stranger := h.wren, labtest.Key(labtest.Seeded(93))
	pub := func(key ed25519.PrivateKey) ed25519.PublicKey { return key.Public().(ed25519.PublicKey) }
	entry := func(kind trail.Kind, subject, actor string, key ed25519.PublicKey, text string) trail.Entry {
		return trail.Entry{Kind: kind, At: time.Unix(1_930_000_000, 0), Digest: sha256.Sum256(key), Length: int64(len(key)), Subject: subject, Actor: actor, Text: text}
	}
	keeper := entry(trail.KindKey, "wren", "operator", pub(wren), trust.Admission{Role: trust.Keeper}.Text())
	gone := entry(trail.KindRevocation, "wren", "operator", pub(wren), "he left")
	turned := trust.Rotation{Member: asWren, Before: pub(wren), After: sha256.Sum256(pub(stranger))}
	after := entry(trail.KindKey, "wren", "wren", pub(stranger), trust.Admission{Role: trust.Keeper, Before: pub(wren), Signature: turned.Sign(wren)}.Text())
	analyst := entry(trail.KindKey, "wren", "operator", pub(wren), trust.Admission{Role: trust.Analyst}.Text())
	lost := sha256.Sum256(pub(h.heron.Key))
	revoked := entry(trail.KindRevocation, "heron", "wren", pub(h.heron.Key), "lost: the disk broke")
	loss := trust.Loss{Trail: h.Origin(), Keeper: "wren", Member: asHeron, Token: [32]byte{4}, Keys: [][]byte{lost[:]}, Why: "the disk broke"}
	// What stands in the place of heron's key, by which word, and what another says.
	replaced := func(l trust.Loss, by ed25519.PrivateKey, changes ...func(a *trust.Admission, actor *string)) trail.Entry {
		a, actor := trust.Admission{Role: trust.Rig, Lost: [][]byte{lost[:]}, Why: "the disk broke", Word: l.Sign(by)}, "wren"
		for _, change := range changes {
			change(&a, &actor)
		}
		return entry(trail.KindKey, "heron", actor, pub(labtest.Key(labtest.Seeded(94))), a.Text())
	}
	again := replaced(loss, wren)
	again.Digest[0] ^= 1
	elsewhere, other := loss, loss
	elsewhere.Trail, other.Keys = "another.example/trail", [][]byte{make([]byte, 32)}
	const no = "has not signed that these keys are lost"
	for what, x := range map[string]struct {
		entries []trail.Entry
		member  string
		say     string // "" holds
	}{
		"a keeper":                  {[]trail.Entry{keeper, revoked, replaced(loss, wren)}, "", ""},
		"a keeper who left since":   {[]trail.Entry{keeper, revoked, replaced(loss, wren), gone}, "", ""},
		"no signature":              {[]trail.Entry{revoked, replaced(loss, wren, func(a *trust.Admission, _ *string) { a.Word = nil })}, "", ""},
		"a forged signature":        {[]trail.Entry{keeper, revoked, replaced(loss, wren, func(a *trust.Admission, _ *string) { a.Word.Signature[3] ^= 1 })}, "rig/losses.json", no},
		"another token":             {[]trail.Entry{keeper, revoked, replaced(loss, wren, func(a *trust.Admission, _ *string) { a.Word.Token[3] ^= 1 })}, "rig/losses.json", no},
		"another reason":            {[]trail.Entry{keeper, revoked, replaced(loss, wren, func(a *trust.Admission, _ *string) { a.Why = "sold" })}, "rig/losses.json", no},
		"of another collector":      {[]trail.Entry{keeper, revoked, replaced(elsewhere, wren)}, "rig/losses.json", no},
		"of other keys":             {[]trail.Entry{keeper, revoked, replaced(other, wren)}, "rig/losses.json", no},
		"under another's name":      {[]trail.Entry{keeper, revoked, replaced(loss, wren, func(_ *trust.Admission, actor *string) { *actor = "ibis" })}, "trail/entries.json", "does not belong here"},
		"another's name, whole":     {[]trail.Entry{revoked, replaced(loss, wren, func(_ *trust.Admission, actor *string) { *actor = "ibis" })}, "rig/losses.json", no},
		"one who never was":         {[]trail.Entry{revoked, replaced(loss, wren)}, "rig/losses.json", "does not tell that the key of keeper wren was admitted before"},
		"a stranger's key":          {[]trail.Entry{keeper, revoked, replaced(loss, stranger)}, "rig/losses.json", "does not tell that the key of keeper wren was admitted before"},
		"one who came later":        {[]trail.Entry{revoked, replaced(loss, wren), keeper}, "rig/losses.json", "does not tell that the key of keeper wren was admitted before"},
		"one who was revoked":       {[]trail.Entry{keeper, gone, revoked, replaced(loss, wren)}, "rig/losses.json", "was revoked before"},
		"by a key of before":        {[]trail.Entry{keeper, after, revoked, replaced(loss, wren)}, "rig/losses.json", "had come after the one that signed it"},
		"an analyst":                {[]trail.Entry{analyst, revoked, replaced(loss, wren)}, "trail/entries.json", "does not belong here"},
		"a key that is good":        {[]trail.Entry{keeper, replaced(loss, wren)}, "trail/entries.json", "was not one of rig heron and revoked before"},
		"once more for a next loss": {[]trail.Entry{keeper, revoked, replaced(loss, wren), again}, "trail/entries.json", "another key stands in the place of the lost one"},
	} {
		f := h.forge(t, run.ID)
		f.entries = append(f.entries, x.entries...)
		if x.say == "" {
			f.says(t, what, "")
			continue
		}
		f.wants(t, what, x.member, x.say)
	}
}
