package dossier_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/answer"
	"witnessmark/internal/dossier"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// forger is who has a trail's key, and not the rig's: he writes a trail of his own
// for a run, with whatever entries he likes, and seals that.
type forger struct {
	dossier.Contents
	entries []trail.Entry
	own     int // the record's
	summary answer.Summary
	key     ed25519.PrivateKey
	word    *word  // by which another key signs the trail; nil for none
	keepers string // the certificates of who has signed that the rig's keys are lost
}

// forge begins with what an honest file has.
func (h *house) forge(t *testing.T, id string) *forger {
	t.Helper()
	f := &forger{Contents: contentsOf(t, membersOf(t, h.dossier(t, id, nil))), key: h.opt.Key}
	var err error
	if f.summary, err = answer.ParseSummary(f.Proof.Summary); err != nil {
		t.Fatal(err)
	}
	for i, p := range f.Proof.Entries {
		e := entryOf(t, p)
		f.entries = append(f.entries, e)
		if e.Kind == trail.KindRecord && e.Subject == id {
			f.own = i
		}
	}
	return f
}

func entryOf(t *testing.T, p dossier.ProvedEntry) trail.Entry {
	t.Helper()
	e, err := trail.ParseEntry(p.Leaf)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// contentsOf is what a file was made of.
func contentsOf(t *testing.T, ms []member) (c dossier.Contents) {
	t.Helper()
	signed := func(name string) *record.Signed {
		m := find(ms, name)
		if m == nil {
			return nil
		}
		var sig struct {
			PublicKey []byte `json:"public_key"`
			Signature []byte `json:"signature"`
		}
		read(t, find(ms, name+".sig"), &sig)
		return &record.Signed{Bytes: m.data, PublicKey: sig.PublicKey, Signature: sig.Signature}
	}
	c.Signed, c.Mark = *signed("record"), signed("mark/record")
	for _, m := range ms {
		switch {
		case strings.HasPrefix(m.name, "files/"):
			c.Files = append(c.Files, m.data)
		case m.name == "rig/chain.pem":
			c.Proof.Chain = m.data
		case m.name == "rig/losses.json":
			read(t, &m, &c.Proof.Losses)
		case m.name == "trail/keys.json":
			read(t, &m, &c.Proof.Keys)
		case m.name == "trail/cosigned.json":
			read(t, &m, &c.Proof.Cosigned)
		case m.name == "trail/after.json":
			read(t, &m, &c.Proof.After)
		}
	}
	read(t, find(ms, "trail/entries.json"), &c.Proof.Entries)
	var r receipt
	read(t, find(ms, "trail/receipt.json"), &r)
	c.Proof.Receipt, c.Proof.Consistency = r.whole(), r.Consistency
	c.Proof.Head, c.Proof.Summary = find(ms, "trail/head").data, find(ms, "trail/summary").data
	c.Proof.VerifierKey = strings.TrimSuffix(string(find(ms, "trail/key").data), "\n")
	return c
}

func read(t *testing.T, m *member, v any) {
	t.Helper()
	if err := json.Unmarshal(m.data, v); err != nil {
		t.Fatal(err)
	}
}

// make grows the forger's tree and seals his file.
func (f *forger) make(t *testing.T) []byte {
	t.Helper()
	b, err := f.made(t)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// made is make; what cannot even be written on a cover is an error.
func (f *forger) made(t *testing.T) ([]byte, error) {
	t.Helper()
	origin, _, _ := strings.Cut(f.Proof.VerifierKey, "+")
	var err error
	if f.Proof.Summary, err = f.summary.Marshal(); err != nil {
		t.Fatal(err)
	}
	own := &f.entries[f.own]
	own.Text = fmt.Sprintf("%s, summary sha256 %x", f.summary.Judgement.Standing, sha256.Sum256(f.Proof.Summary))
	var store trail.Hashes
	head := trail.EmptyHead(origin)
	f.Proof.Entries, f.Proof.Keys, f.Proof.Losses = nil, nil, nil
	var last, before trail.Head // of the key before; of the entry before
	for i := range f.entries {
		if f.word != nil && f.word.at == i {
			last = head
			if f.word.early {
				last = before
			}
			f.give(t, *f.word, last)
		}
		leaf, err := f.entries[i].Marshal()
		if err != nil {
			t.Fatal(err)
		}
		g, err := trail.Append(head, leaf, store)
		if err != nil {
			t.Fatal(err)
		}
		store, before, head = append(store, g.Hashes...), head, g.Head
		f.Proof.Entries = append(f.Proof.Entries, dossier.ProvedEntry{Index: int64(i), Leaf: leaf})
		if a, err := trust.ParseAdmission(f.entries[i].Text); err == nil && a.Word != nil {
			f.Proof.Losses = append(f.Proof.Losses, dossier.Loss{Entry: int64(i), Certificates: f.keepers})
		}
	}
	for i := range f.Proof.Entries {
		if f.Proof.Entries[i].Proof, err = trail.ProveInclusion(head.Size, int64(i), store); err != nil {
			t.Fatal(err)
		}
	}
	for i := range f.Proof.Keys {
		if f.Proof.Keys[i].Consistency, err = trail.ProveConsistency(last.Size, head.Size, store); err != nil {
			t.Fatal(err)
		}
	}
	signer, err := trail.NewSigner(origin, f.key)
	if err == nil {
		f.Proof.Head, err = trail.SignHead(head, signer)
	}
	if err != nil {
		t.Fatal(err)
	}
	if f.Proof.Receipt, err = trail.Issue(f.Proof.Entries[f.own].Leaf, int64(f.own), head, f.Proof.Head, store); err != nil {
		t.Fatal(err)
	}
	if f.Proof.Consistency, err = trail.ProveConsistency(head.Size, head.Size, store); err != nil {
		t.Fatal(err)
	}
	return made(t, f.Contents, f.key)
}

// made seals contents with the trail's key.
func made(t *testing.T, c dossier.Contents, key ed25519.PrivateKey) ([]byte, error) {
	t.Helper()
	origin, _, _ := strings.Cut(c.Proof.VerifierKey, "+")
	signer, err := trail.NewSigner(origin, key)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	err = c.Make(&b, origin, func(text string) ([]byte, error) { return note.Sign(&note.Note{Text: text}, signer) })
	return b.Bytes(), err
}

// insert puts an entry before another.
func (f *forger) insert(at int, e trail.Entry) {
	f.entries = slices.Insert(f.entries, at, e)
	if at <= f.own {
		f.own++
	}
}

// admission finds the entry that admitted a rig's key.
func (f *forger) admission(key ed25519.PublicKey) int {
	return slices.IndexFunc(f.entries, func(e trail.Entry) bool {
		return e.Kind == trail.KindKey && e.Digest == trail.Digest(sha256.Sum256(key))
	})
}

// wants asserts that a forged file is refused at a member, and what is said of it.
func (f *forger) wants(t *testing.T, what, name string, say ...string) {
	t.Helper()
	b, err := f.made(t)
	if err == nil {
		_, err = dossier.Verify(b, dossier.Keys{})
	}
	var bad *dossier.Fault
	if !errors.As(err, &bad) || bad.Member != name {
		t.Errorf("%s: %v, want a fault of %s", what, err, name)
		return
	}
	for _, s := range say {
		if !strings.Contains(err.Error(), s) {
			t.Errorf("%s: it does not say %q: %v", what, s, err)
		}
	}
}

// TestFalseStatistics: what the collector says that a log gives is worked out again,
// and where it is something else both are told.
func TestFalseStatistics(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	f := h.forge(t, run.ID)
	verified(t, f.make(t), h.known())
	honest := f.summary
	for name, change := range map[string]func(s *answer.Summary){
		"statistics.frametime_ms.p95": func(s *answer.Summary) { s.Statistics.P95 = 1.25 },
		"statistics.rate_mean":        func(s *answer.Summary) { s.Statistics.RateMean = math.NaN() },
		"statistics.frames":           func(s *answer.Summary) { s.Statistics.Frames++ },
		"elapsed_seconds":             func(s *answer.Summary) { s.Elapsed += time.Second },
		"workload":                    func(s *answer.Summary) { s.Workload = "another" },
		"setup":                       func(s *answer.Summary) { s.Setup = "memory-rated" },
		"played":                      func(s *answer.Summary) { s.Played += "!" },
		"outcome":                     func(s *answer.Summary) { s.Exit.Outcome = record.TimedOut },
		"configuration_sha256":        func(s *answer.Summary) { s.Configuration[3] ^= 1 },
		"record_sha256":               func(s *answer.Summary) { s.RecordSHA256[3] ^= 1 },
		"started":                     func(s *answer.Summary) { s.Started = s.Started.Add(time.Hour) },
		"judged_standing": func(s *answer.Summary) {
			s.Retraction = &answer.Retraction{History: []answer.Retracting{{At: time.Unix(0, 0), By: "x", Why: "y"}}, Judged: drift.Clean}
		},
	} {
		f.summary = honest
		change(&f.summary)
		f.wants(t, name, "trail/summary", name+": ", "the file says")
	}
	f.summary = honest
	f.summary.Statistics.P95 = 1.25
	f.wants(t, "both values", "trail/summary", `"statistics.frametime_ms.p95: 1.25"`, fmt.Sprintf(`"statistics.frametime_ms.p95: %v"`, honest.Statistics.P95))
}

// TestFalseFlags: a flag that is left out, made up, or says something else.
func TestFalseFlags(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"})
	f := h.forge(t, run.ID)
	honest := slices.Clone(f.summary.Judgement.Flags)
	judged := func(flags ...drift.Flag) {
		f.summary.Judgement.Flags, f.summary.Judgement.Standing = flags, drift.StandingOf(flags)
	}
	judged(honest[1:]...)
	f.wants(t, "left out", "trail/summary", string(honest[0].Fact), "comes out, which the file does not say")
	judged(append(slices.Clone(honest), drift.Flag{Kind: drift.UnreadFact, Fact: "cpu.made_up", Weight: rig.Caution, Evidence: "none"})...)
	f.wants(t, "made up", "trail/summary", "cpu.made_up", "which does not come out")
	changed := slices.Clone(honest)
	changed[0].Evidence = "another"
	judged(changed...)
	f.wants(t, "changed", "trail/summary", "another", honest[0].Evidence)
	judged(honest...)
	f.summary.Judgement.Standing = drift.Voided
	f.wants(t, "another standing", "trail/summary", "its standing is not what its flags make")
	// What nobody can work out from the file is told one by one.
	judged(append(slices.Clone(honest), drift.Flag{Kind: drift.Unlike, Fact: "run.frametime", Weight: rig.Caution, Evidence: "3 runs of before"})...)
	r := verified(t, f.make(t), dossier.Keys{})
	if d := strings.Join(doubts(r), "\n"); !strings.Contains(d, "rests on the rig's earlier runs, which are not in the file: caution unlike run.frametime") {
		t.Errorf("it is not told: %s", d)
	}
}

// TestEditionClaimed: a forger cannot have his page taken by naming another edition.
func TestEditionClaimed(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	ms := membersOf(t, h.dossier(t, run.ID, nil))
	honest := string(ms[0].data)
	ms[0].data = []byte(strings.Replace(honest, "standing", "STANDING", 1))
	for edition, want := range map[int]error{-1: dossier.ErrNotProved, 0: dossier.ErrNotProved, dossier.Edition: dossier.ErrNotProved, dossier.Edition + 1: dossier.ErrNewer} {
		if _, err := dossier.Verify(sealed(t, edition, ms, h.opt.Key), h.known()); !errors.Is(err, want) {
			t.Errorf("edition %d: %v", edition, err)
		}
	}
	// The words of edition 1 are not worked out any more: what differs is told.
	r := verified(t, sealed(t, 1, asFirst(t, ms), h.opt.Key), h.known())
	if d := strings.Join(doubts(r), "\n"); !slices.Equal(r.Otherwise, []string{"cover.txt"}) || !strings.Contains(d, "STANDING") || !strings.Contains(d, "standing  ") {
		t.Errorf("%v: %s", r.Otherwise, d)
	}
	// Statistics and flags of edition 1 are.
	f := h.forge(t, run.ID)
	f.summary.Statistics.P99 = 1
	refused(t, "statistics", sealed(t, 1, asFirst(t, membersOf(t, f.make(t))), h.opt.Key), h.known(), "trail/summary")
}

// TestMarkOfAStranger: a mark that another key signed holds where the trail shows
// that it was the rig's, and is doubtful where it does not.
func TestMarkOfAStranger(t *testing.T) {
	h := newHouse(t)
	shape := labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"}
	marked := h.run(t, shape)
	if _, _, err := h.ask.AcceptMark(t.Context(), marked.ID, "wren", "checked"); err != nil {
		t.Fatal(err)
	}
	h.rotate(t, labtest.Key(labtest.Seeded(64)))
	run := h.run(t, shape)
	if d := doubts(verified(t, h.dossier(t, run.ID, nil), h.known())); len(d) > 0 {
		t.Errorf("by the rig's key of before: %q", d)
	}
	f := h.forge(t, run.ID)
	stranger := record.Sign(f.Mark.Bytes, labtest.Key(labtest.Seeded(91)))
	f.Mark = &stranger
	r := verified(t, f.make(t), h.known())
	if d := doubts(r); len(d) != 1 || !strings.Contains(d[0], "does not show that it was the rig's") {
		t.Errorf("by a stranger's: %q", d)
	}
	f.insert(0, f.entries[slices.IndexFunc(f.entries, func(e trail.Entry) bool { return e.Kind == trail.KindMark })])
	f.wants(t, "accepted before it was kept", "trail/entries.json", "a mark of")
}

// TestMarkMadeUp: the mark that the page names is the one in the file, and none where
// there is none.
func TestMarkMadeUp(t *testing.T) {
	h := newHouse(t)
	shape := labtest.Shape{Plain: true, LogBytes: 3000, Bare: true}
	marked := h.run(t, shape)
	f := h.forge(t, marked.ID)
	f.summary.Judgement.MarkRun = "20310302-094714-aaaaaaaa"
	f.wants(t, "none is in the file", "trail/summary", "mark_run: 20310302-094714-aaaaaaaa")
	if _, _, err := h.ask.AcceptMark(t.Context(), marked.ID, "wren", "checked"); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(s *answer.Summary){
		"another": func(s *answer.Summary) { s.Judgement.MarkRun = "20310302-094714-aaaaaaaa" },
		"none":    func(s *answer.Summary) { s.Judgement.MarkRun = "" },
	} {
		f = h.forge(t, h.run(t, shape).ID)
		change(&f.summary)
		f.wants(t, name, "trail/summary", "mark_run: "+marked.ID)
	}
}

// TestForgedAdmissions: who has the trail's key and not the rig's cannot say of a key
// that the one before it signed for it, nor that a key was lost which was none.
func TestForgedAdmissions(t *testing.T) {
	h := newHouse(t)
	first := h.heron.Key
	next := labtest.Key(labtest.Seeded(65))
	h.rotate(t, next)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	pub := next.Public().(ed25519.PublicKey)
	const where = "trail/entries.json"
	admit := func(what string, change func(a *trust.Admission), say string) {
		t.Helper()
		f := h.forge(t, run.ID)
		e := &f.entries[f.admission(pub)]
		a, err := trust.ParseAdmission(e.Text)
		if err != nil {
			t.Fatal(err)
		}
		change(&a)
		e.Text = a.Text()
		f.wants(t, what, where, say)
	}
	stranger := labtest.Key(labtest.Seeded(92))
	rotation := func(by ed25519.PrivateKey, of string, authority trust.Fingerprint) []byte {
		r := trust.Rotation{Member: trust.Member{Role: trust.Rig, Name: of}, Authority: authority, Before: by.Public().(ed25519.PublicKey), After: sha256.Sum256(pub)}
		return r.Sign(by)
	}
	const unsigned = "the key before has not signed"
	admit("a signature with a bit changed", func(a *trust.Admission) { a.Signature[9] ^= 4 }, unsigned)
	admit("a stranger's signature", func(a *trust.Admission) { a.Signature = rotation(stranger, "heron", a.Authority) }, unsigned)
	admit("a signature for another rig", func(a *trust.Admission) { a.Signature = rotation(first, "plover", a.Authority) }, unsigned)
	admit("a signature under another authority", func(a *trust.Admission) { a.Signature = rotation(first, "heron", trust.Fingerprint{1}) }, unsigned)
	admit("a key before that was never the rig's", func(a *trust.Admission) {
		a.Before, a.Signature = stranger.Public().(ed25519.PublicKey), rotation(stranger, "heron", a.Authority)
	}, "was not admitted for rig heron before")
	admit("a lost key that was never the rig's", func(a *trust.Admission) {
		*a = trust.Admission{Role: a.Role, Authority: a.Authority, Lost: [][]byte{make([]byte, 32)}, Why: "lost"}
	}, "was not one of rig heron and revoked before")
	// The key before was revoked before it signed.
	f := h.forge(t, run.ID)
	was := f.entries[f.admission(first.Public().(ed25519.PublicKey))]
	was.Kind, was.Text = trail.KindRevocation, "sold"
	f.insert(f.admission(pub), was)
	f.wants(t, "a revoked key before", where, "was revoked before")
	// The record's own key was revoked before the record was kept.
	f = h.forge(t, run.ID)
	was = f.entries[f.admission(pub)]
	was.Kind, was.Text = trail.KindRevocation, "sold"
	f.insert(f.own, was)
	b := f.make(t)
	if d := strings.Join(doubts(verified(t, b, h.known())), "\n"); !strings.Contains(d, "the key was revoked before the collector kept the run") {
		t.Errorf("a revoked key: %s", d)
	}
	if cover := string(membersOf(t, b)[0].data); !strings.Contains(cover, "the key was revoked before the collector kept the record") {
		t.Errorf("the cover does not tell of it:\n%s", cover)
	}
	// One key twice, a key of nobody's, an admission after the record.
	f = h.forge(t, run.ID)
	f.insert(f.own, f.entries[f.admission(pub)])
	f.wants(t, "admitted twice", where, "does not belong here")
	f = h.forge(t, run.ID)
	e := f.entries[f.admission(pub)]
	e.Subject = "plover"
	f.insert(f.own, e)
	f.wants(t, "another rig's key", where, "does not belong here")
	f = h.forge(t, run.ID)
	at := f.admission(pub)
	f.entries = append(append(slices.Clone(f.entries[:at]), f.entries[at+1:]...), f.entries[at])
	f.own--
	f.wants(t, "admitted after the record was kept", "rig/chain.pem", "does not tell that the key was admitted before")
}
