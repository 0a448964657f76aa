package dossier_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// word is what a forger's trail has of a key that was lost: a keeper's word, at a
// place, for the next key.
type word struct {
	at     int
	by     string
	keeper ed25519.PrivateKey
	next   ed25519.PrivateKey
	early  bool   // it names the head before the last
	chain  string // the keeper's certificates
}

// give enters the word at the head of a tree, and goes on with the next key.
func (f *forger) give(t *testing.T, w word, head trail.Head) {
	t.Helper()
	name, err := trail.KeepersKey(w.by, w.keeper.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	signer := func(of string, key ed25519.PrivateKey) note.Signer {
		s, err := trail.NewSigner(of, key)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	next, err := trail.VerifierKey(head.Origin, w.next.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	s := trail.Succession{Old: f.Proof.VerifierKey, New: next, Last: head, Word: name}
	msg, err := trail.SignSuccession(s, signer("keeper/"+w.by, w.keeper), signer(head.Origin, w.next))
	if err != nil {
		t.Fatal(err)
	}
	e := &f.entries[w.at]
	e.Digest, e.Length = sha256.Sum256(msg), int64(len(msg))
	f.Proof.Keys = []dossier.Succeeded{{Note: string(msg), Certificates: w.chain}}
	f.Proof.VerifierKey, f.key = next, w.next
}

// TestWordOfNoKeeper: whoever has a keeper's key and the disk cannot have his word
// taken where the trail in the file says that he was none then.
func TestWordOfNoKeeper(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	wren := h.wren.Public().(ed25519.PublicKey)
	stranger := labtest.Key(labtest.Seeded(93))
	admitted := func(key ed25519.PublicKey, a trust.Admission) trail.Entry {
		return trail.Entry{Kind: trail.KindKey, At: time.Unix(1_930_000_000, 0), Digest: sha256.Sum256(key), Length: int64(len(key)), Subject: "wren", Actor: "operator", Text: a.Text()}
	}
	of := trust.Admission{Role: trust.Keeper}
	after := func(next ed25519.PublicKey) trail.Entry {
		r := trust.Rotation{Member: asWren, Before: wren, After: sha256.Sum256(next)}
		return admitted(next, trust.Admission{Role: trust.Keeper, Before: wren, Signature: r.Sign(h.wren)})
	}
	revoked := admitted(wren, of)
	revoked.Kind, revoked.Text = trail.KindRevocation, "he left"
	for what, x := range map[string]struct {
		keeper ed25519.PrivateKey
		before []trail.Entry
		actor  string
		say    string // "" holds
	}{
		"a keeper":                {h.wren, []trail.Entry{admitted(wren, of)}, "wren", ""},
		"one who never was":       {h.wren, nil, "wren", "does not tell that the key of keeper wren was admitted before"},
		"another's key":           {stranger, []trail.Entry{admitted(wren, of)}, "wren", "does not tell that the key of keeper wren was admitted before"},
		"one who was revoked":     {h.wren, []trail.Entry{admitted(wren, of), revoked}, "wren", "was revoked before"},
		"by a key of before":      {h.wren, []trail.Entry{admitted(wren, of), after(stranger.Public().(ed25519.PublicKey))}, "wren", "had come after the one that signed it"},
		"under another's name":    {h.wren, []trail.Entry{admitted(wren, of)}, "ibis", "and its entry in the trail says ibis"},
		"an analyst":              {h.wren, []trail.Entry{admitted(wren, trust.Admission{Role: trust.Analyst})}, "wren", "does not belong here"},
		"by a key after nobody's": {stranger, []trail.Entry{after(stranger.Public().(ed25519.PublicKey))}, "wren", "was not admitted for keeper wren before"},
	} {
		f := h.forge(t, run.ID)
		f.entries = append(f.entries, x.before...)
		f.word = &word{at: len(f.entries), by: "wren", keeper: x.keeper, next: labtest.Key(labtest.Seeded(94))}
		f.entries = append(f.entries, trail.Entry{Kind: trail.KindSuccession, At: time.Unix(1_930_000_000, 0), Subject: h.Origin(), Actor: x.actor, Text: "the stick is gone"})
		f.says(t, what, x.say)
	}
	// A certificate of after the word, and a word for another head than the last.
	chain := labtest.Certify(t, h.authority, asWren, wren)
	certified := trail.Entry{Kind: trail.KindCertificate, At: time.Unix(1_930_000_000, 0), Digest: sha256.Sum256(chain.PEM()), Length: int64(len(chain.PEM())), Subject: "wren", Actor: "operator", Text: trust.CertificateText(h.authority.Fingerprint())}
	succeeded := trail.Entry{Kind: trail.KindSuccession, At: time.Unix(1_930_000_000, 0), Subject: h.Origin(), Actor: "wren", Text: "the stick is gone"}
	for what, x := range map[string]struct {
		entries []trail.Entry
		at      int // of the succession among them
		early   bool
		say     string
	}{
		"a certificate of before": {[]trail.Entry{admitted(wren, of), certified, succeeded}, 2, false, ""},
		"a certificate of after":  {[]trail.Entry{admitted(wren, of), succeeded, certified}, 1, false, "the certificate came after it"},
		"another head":            {[]trail.Entry{admitted(wren, of), certified, succeeded}, 2, true, "a succession of"},
	} {
		f := h.forge(t, run.ID)
		f.word = &word{at: len(f.entries) + x.at, by: "wren", keeper: h.wren, next: labtest.Key(labtest.Seeded(94)), early: x.early, chain: string(chain.PEM())}
		f.entries = append(f.entries, x.entries...)
		f.says(t, what, x.say)
	}
}

// says asserts what is said of a forged file; nothing where it holds.
func (f *forger) says(t *testing.T, what, say string) {
	t.Helper()
	b, err := f.made(t)
	if err == nil {
		_, err = dossier.Verify(b, dossier.Keys{Collectors: []string{f.Proof.VerifierKey}})
	}
	if say == "" && err != nil || say != "" && (err == nil || !strings.Contains(err.Error(), say)) {
		t.Errorf("%s: %v, and not %q", what, err, say)
	}
}

// TestMoreSignatures: what others have signed beside a head has no part in a file, and
// a witness stands in it once.
func TestMoreSignatures(t *testing.T) {
	h := newHouse(t)
	older := h.dossier(t, h.run(t, labtest.Shape{Plain: true, Bare: true}).ID, nil)
	s := h.everything(t, older)
	signer, err := trail.NewSigner("somebody.example", labtest.Key(labtest.Seeded(95)))
	if err != nil {
		t.Fatal(err)
	}
	more := func(head []byte) []byte {
		t.Helper()
		text, _, _ := strings.Cut(string(head), "\n\n")
		other, err := note.Sign(&note.Note{Text: text + "\n"}, signer)
		if err != nil {
			t.Fatal(err)
		}
		_, sig, _ := strings.Cut(string(other), "\n\n")
		return append(bytes.Clone(head), sig...)
	}
	for name, change := range map[string]func(c *dossier.Contents){
		"trail/head":           func(c *dossier.Contents) { c.Proof.Head = more(c.Proof.Head) },
		"trail/receipt.json":   func(c *dossier.Contents) { c.Proof.Receipt.Head = more(c.Proof.Receipt.Head) },
		"trail/cosigned.json":  func(c *dossier.Contents) { c.Proof.Cosigned[0].Head = string(more([]byte(c.Proof.Cosigned[0].Head))) },
		"trail/receipt.json ":  func(c *dossier.Contents) { c.Proof.Receipt.SeenSize = 1 },
		"trail/cosigned.json ": func(c *dossier.Contents) { c.Proof.Cosigned = append(c.Proof.Cosigned, c.Proof.Cosigned[0]) },
	} {
		c := contentsOf(t, membersOf(t, s.b))
		change(&c)
		b, err := made(t, c, h.opt.Key)
		if err != nil {
			t.Fatal(err)
		}
		refused(t, "more in "+name, b, s.known, strings.TrimSpace(name))
	}
}

// TestWitnessOfBefore: a head without the run in it vouches for nothing.
func TestWitnessOfBefore(t *testing.T) {
	h := newHouse(t)
	h.run(t, labtest.Shape{Plain: true, Bare: true})
	witness, err := trail.NewCosigner("witness.dome.example/avocet", labtest.Key(labtest.Seeded(18)), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	then, signed, err := h.Head()
	if err == nil {
		signed, err = trail.Cosign(signed, labtest.Verifiers(t, h.VerifierKey()), witness)
	}
	if err != nil {
		t.Fatal(err)
	}
	run := h.run(t, labtest.Shape{Plain: true, Bare: true})
	now, _, err := h.Head()
	if err != nil {
		t.Fatal(err)
	}
	proof, err := h.Consistency(then.Size, now.Size)
	if err != nil {
		t.Fatal(err)
	}
	c := contentsOf(t, membersOf(t, h.dossier(t, run.ID, nil)))
	c.Proof.Cosigned = []dossier.Cosigned{{Witness: witness.(interface{ Key() string }).Key(), Head: string(signed), Consistency: proof}}
	b, err := made(t, c, h.opt.Key)
	if err != nil {
		t.Fatal(err)
	}
	refused(t, "a head of before the run", b, h.known(), "trail/cosigned.json")
}

// TestSealSpelt: a seal has one spelling and one signature.
func TestSealSpelt(t *testing.T) {
	h := newHouse(t)
	ms := membersOf(t, h.dossier(t, h.run(t, labtest.Shape{Plain: true, Bare: true}).ID, nil))
	seal := find(ms, "seal")
	text, _, _ := strings.Cut(string(seal.data), "\n\n")
	text += "\n"
	own, err := trail.NewSigner(h.Origin(), h.opt.Key)
	if err != nil {
		t.Fatal(err)
	}
	other, err := trail.NewSigner("somebody.example", labtest.Key(labtest.Seeded(95)))
	if err != nil {
		t.Fatal(err)
	}
	for what, x := range map[string]struct {
		text    string
		signers []note.Signer
	}{
		"others' signatures": {text, []note.Signer{own, other}},
		"another edition":    {strings.Replace(text, "edition ", "edition 0", 1), []note.Signer{own}},
		"another origin":     {"x" + text, []note.Signer{own}},
		"more of a line":     {strings.Replace(text, " record\n", "  record\n", 1), []note.Signer{own}},
	} {
		if seal.data, err = note.Sign(&note.Note{Text: x.text}, x.signers...); err != nil {
			t.Fatal(err)
		}
		if _, err := dossier.Verify(zipOf(t, ms), h.known()); !errors.Is(err, dossier.ErrNotProved) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// TestWitnessBefore: a witness whose clock says that it saw the run before the
// collector kept it contradicts that, which is told.
func TestWitnessBefore(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, Bare: true})
	h.witness(t, labtest.Key(labtest.Seeded(17)), time.Now().AddDate(0, 0, -1))
	r := verified(t, h.dossier(t, run.ID, nil), h.known())
	if d := strings.Join(doubts(r), "\n"); !strings.Contains(d, "that was before the collector kept the run by its own") {
		t.Errorf("it is not told: %s", d)
	}
}
