package dossier_test

import (
	"crypto/ed25519"
	"slices"
	"testing"

	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// TestForgedEntries: each entry in a file has its part in the story of the run, at its
// place. Who has the trail's key cannot have others taken for it.
func TestForgedEntries(t *testing.T) {
	h := newHouse(t)
	shape := labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"}
	marked := h.run(t, shape)
	if _, _, err := h.ask.AcceptMark(t.Context(), marked.ID, "wren", "checked"); err != nil {
		t.Fatal(err)
	}
	run := h.run(t, shape)
	const entries, receipt, chain, mark = "trail/entries.json", "trail/receipt.json", "rig/chain.pem", "mark/record"
	key := h.heron.Key.Public().(ed25519.PublicKey)
	at := func(f *forger, kind trail.Kind) int {
		return slices.IndexFunc(f.entries, func(e trail.Entry) bool { return e.Kind == kind })
	}
	own := func(f *forger) *trail.Entry { return &f.entries[f.own] }
	// after moves an entry behind the record's.
	after := func(f *forger, i int) {
		e := f.entries[i]
		f.entries = append(slices.Delete(f.entries, i, i+1), e)
		f.own--
	}
	of := func(f *forger, kind trail.Kind) trail.Entry {
		e := *own(f)
		e.Kind, e.Actor, e.Text = kind, "wren", "for a reason"
		return e
	}
	revoked := func(f *forger) trail.Entry {
		e := f.entries[f.admission(key)]
		e.Kind, e.Text = trail.KindRevocation, "sold"
		return e
	}
	another := trust.Fingerprint{7}
	for what, x := range map[string]struct {
		change func(f *forger)
		member string // "" where it holds
	}{
		"as it is":                       {func(*forger) {}, ""},
		"another rig's record":           {func(f *forger) { own(f).Actor = "plover" }, receipt},
		"another run's record":           {func(f *forger) { own(f).Subject += "x" }, receipt},
		"a record of another length":     {func(f *forger) { own(f).Length++ }, receipt},
		"a mark accepted after the run":  {func(f *forger) { after(f, at(f, trail.KindMark)) }, entries},
		"a mark accepted twice":          {func(f *forger) { f.insert(f.own, f.entries[at(f, trail.KindMark)]) }, entries},
		"a mark of another rig":          {func(f *forger) { f.entries[at(f, trail.KindRecord)].Actor = "plover" }, mark},
		"a mark of another run":          {func(f *forger) { f.entries[at(f, trail.KindRecord)].Subject += "x" }, mark},
		"a mark of another length":       {func(f *forger) { f.entries[at(f, trail.KindRecord)].Length++ }, mark},
		"a setup in force after the run": {func(f *forger) { after(f, at(f, trail.KindSetup)) }, entries},
		"a retraction":                   {func(f *forger) { f.entries = append(f.entries, of(f, trail.KindRetraction)) }, ""},
		"two retractions": {func(f *forger) {
			f.entries = append(f.entries, of(f, trail.KindRetraction), of(f, trail.KindRetraction))
		}, entries},
		"a withdrawal of nothing":     {func(f *forger) { f.entries = append(f.entries, of(f, trail.KindReinstatement)) }, entries},
		"a retraction of another run": {func(f *forger) { e := of(f, trail.KindRetraction); e.Subject += "x"; f.entries = append(f.entries, e) }, entries},
		"a restore after the run":     {func(f *forger) { f.entries = append(f.entries, of(f, trail.KindRestore)) }, ""},
		"a restore before the run":    {func(f *forger) { f.insert(0, of(f, trail.KindRestore)) }, entries},
		"a revocation":                {func(f *forger) { f.entries = append(f.entries, revoked(f)) }, ""},
		"two revocations":             {func(f *forger) { f.entries = append(f.entries, revoked(f), revoked(f)) }, entries},
		"a certificate after the run": {func(f *forger) { after(f, at(f, trail.KindCertificate)) }, chain},
		"two certificates":            {func(f *forger) { f.insert(f.own, f.entries[at(f, trail.KindCertificate)]) }, chain},
		"another authority admitted": {func(f *forger) {
			f.entries[f.admission(key)].Text = trust.Admission{Role: trust.Rig, Authority: another}.Text()
		}, ""}, // told, since members join again where there is another
		"another authority certified":  {func(f *forger) { f.entries[at(f, trail.KindCertificate)].Text = trust.CertificateText(another) }, chain},
		"a certificate of other bytes": {func(f *forger) { f.entries[at(f, trail.KindCertificate)].Length++ }, chain},
		"a succession of nothing":      {func(f *forger) { f.entries = append(f.entries, of(f, trail.KindSuccession)) }, entries},
	} {
		f := h.forge(t, run.ID)
		x.change(f)
		if x.member != "" {
			f.wants(t, what, x.member)
		} else if _, err := dossier.Verify(f.make(t), h.known()); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// TestEmptyLists: where there is nothing to list there is no member, so that a file has
// one spelling.
func TestEmptyLists(t *testing.T) {
	h := newHouse(t)
	s := h.sample(t, "plain", h.run(t, labtest.Shape{Plain: true, Bare: true}).ID, nil)
	for name, before := range map[string]string{"trail/keys.json": "trail/receipt.json", "trail/cosigned.json": "seal", "trail/after.json": "seal"} {
		for _, empty := range []string{"[]\n", "null\n", "{}\n", ""} {
			ms := membersOf(t, s.b)
			i := slices.IndexFunc(ms, func(m member) bool { return m.name == before })
			refused(t, name+" "+empty, s.seal(t, slices.Insert(ms, i, member{name, []byte(empty)})), s.known, name)
		}
	}
}
