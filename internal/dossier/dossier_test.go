package dossier_test

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dossier"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// kept is a collector with a run that was held against a mark.
type kept struct {
	*labtest.Collector
	ask    answer.Client
	heron  *labtest.Rig
	marked labtest.Run
	run    labtest.Run
}

func keep(t testing.TB) *kept {
	t.Helper()
	k := &kept{Collector: labtest.NewCollector(t), heron: labtest.NewRig("heron", labtest.Seeded(11))}
	k.ask = answer.NewClient(k)
	k.marked = k.send(t)
	if _, _, err := k.ask.AcceptMark(t.Context(), k.marked.ID, "keeper", "memory checked"); err != nil {
		t.Fatal(err)
	}
	k.run = k.send(t)
	return k
}

func (k *kept) send(t testing.TB) labtest.Run {
	t.Helper()
	run := k.heron.Finish(labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"})
	if _, err := deliver.Send(t.Context(), k, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	return run
}

func (k *kept) dossier(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := k.ask.Dossier(t.Context(), k.run.ID, nil, &b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func (k *kept) keys() dossier.Keys {
	return dossier.Keys{Collectors: []string{k.Archive.VerifierKey()}, Rigs: []string{record.Fingerprint(k.run.Signed.PublicKey)}}
}

func verified(t testing.TB, b []byte, known dossier.Keys) dossier.Report {
	t.Helper()
	r, err := dossier.Verify(b, known)
	if err != nil {
		t.Fatalf("%v; before it held %v", err, r.Lines)
	}
	return r
}

// doubts are the notes of a report but that the run was played, which is up to chance.
func doubts(r dossier.Report) (out []string) {
	for _, l := range r.Lines {
		if l.Doubt && !strings.HasPrefix(l.Holds, "the run was played: ") {
			out = append(out, l.Member+": "+l.Holds)
		}
	}
	return out
}

// TestHolds: with the archive gone and only public keys at hand all holds, and the
// same run gives the same bytes.
func TestHolds(t *testing.T) {
	k := keep(t)
	b := k.dossier(t)
	if !bytes.Equal(b, k.dossier(t)) {
		t.Error("the same run gives other bytes")
	}
	keys := k.keys()
	k.Archive.Close()
	r := verified(t, b, keys)
	if d := doubts(r); len(d) > 0 {
		t.Errorf("with both keys known there is doubt: %q", d)
	}
	if r.Run != k.run.ID || r.Rig != "heron" || r.Standing == "" {
		t.Errorf("%+v", r)
	}
	if d := doubts(verified(t, b, dossier.Keys{})); len(d) != 3 {
		t.Errorf("without keys: %q", d)
	}
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File { // by PKWARE's APPNOTE, months and days count from 1
		if f.Modified.Format(time.DateTime) != "1980-01-01 00:00:00" {
			t.Errorf("%s is dated %v", f.Name, f.Modified)
		}
	}
	raw := membersOf(t, b)
	if i := slices.IndexFunc(raw, func(m member) bool { return strings.HasPrefix(m.name, "files/") }); i < 0 || !bytes.Equal(raw[i].data, k.run.Data[0]) {
		t.Error("the raw log is not in it, byte for byte")
	}
	cover := string(raw[0].data)
	for _, want := range []string{k.run.ID, "key " + keys.Rigs[0], "accepted by keeper", "nothing that this file knows of", "memory-rated", "Flags"} {
		if !strings.Contains(cover, want) {
			t.Errorf("the cover lacks %q:\n%s", want, cover)
		}
	}
}

type member struct {
	name string
	data []byte
}

func membersOf(t testing.TB, b []byte) (out []member) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, member{f.Name, data})
	}
	return out
}

func zipOf(t testing.TB, ms []member) []byte {
	t.Helper()
	return datedZip(t, firstDay, ms)
}

// firstDay is 1980-01-01, in a zip archive.
const firstDay = 0x21

func datedZip(t testing.TB, date uint16, ms []member) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, m := range ms {
		w, err := z.CreateHeader(&zip.FileHeader{Name: m.name, Method: zip.Store, ModifiedDate: date}) //lint:ignore SA1019 a date and no more
		if err == nil {
			_, err = w.Write(m.data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// refused wants a fault of the member.
func refused(t *testing.T, what string, b []byte, known dossier.Keys, names ...string) {
	t.Helper()
	_, err := dossier.Verify(b, known)
	var f *dossier.Fault
	if !errors.As(err, &f) || !errors.Is(err, dossier.ErrNotProved) {
		t.Errorf("%s: %v", what, err)
	} else if !slices.Contains(names, f.Member) {
		t.Errorf("%s: %v, and not of %v", what, err, names)
	}
}

// TestForged: what somebody with keys of his own can make belongs together, and is
// still refused by who knows the right keys.
func TestForged(t *testing.T) {
	k := keep(t)
	stranger := labtest.Key(labtest.Seeded(99))
	signer, err := trail.NewSigner("collector.dome.example/trail", stranger)
	if err != nil {
		t.Fatal(err)
	}
	key, err := trail.VerifierKey("collector.dome.example/trail", stranger.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	ms := membersOf(t, k.dossier(t))
	reseal := func(change func(ms []member)) []byte {
		c := slices.Clone(ms)
		change(c)
		return sealed(t, dossier.Edition, c, stranger)
	}
	mine := reseal(func(c []member) { find(c, "trail/key").data = []byte(key + "\n") })
	refused(t, "the forger's key", mine, k.keys(), "trail/key")
	// Nobody's key is known, all is sealed anew: the head is not the forger's.
	refused(t, "the forger's key, none known", mine, dossier.Keys{}, "trail/head")
	withHead := reseal(func(c []member) {
		find(c, "trail/key").data = []byte(key + "\n")
		h, err := trail.OpenHead(find(c, "trail/head").data, labtest.Verifiers(t, k.Archive.VerifierKey()))
		if err != nil {
			t.Fatal(err)
		}
		if find(c, "trail/head").data, err = trail.SignHead(h, signer); err != nil {
			t.Fatal(err)
		}
	})
	refused(t, "a head signed anew", withHead, dossier.Keys{}, "trail/receipt.json")
	refused(t, "another rig's key", k.dossier(t), dossier.Keys{Rigs: []string{"0123456789abcdef"}}, "record.sig")
}

// TestAfter: a dossier made before a retraction and a restore goes on verifying,
// and a newer one tells of them.
func TestAfter(t *testing.T) {
	k := keep(t)
	before := k.dossier(t)
	if _, _, err := k.ask.Retract(t.Context(), k.run.ID, "keeper", "a lamp shone on the sensor"); err != nil {
		t.Fatal(err)
	}
	retracted := k.dossier(t)
	if _, _, err := k.ask.Reinstate(t.Context(), k.run.ID, "keeper", "it was the other rig"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := k.Archive.Restored("keeper", "the disk died", nil); err != nil {
		t.Fatal(err)
	}
	k.send(t)
	after := k.dossier(t)
	was := verified(t, before, k.keys())
	if r := verified(t, retracted, k.keys()); r.Standing != drift.Voided || len(doubts(r)) != 1 || !strings.Contains(doubts(r)[0], "a lamp shone on the sensor") {
		t.Errorf("retracted: %v %q", r.Standing, doubts(r))
	}
	r := verified(t, after, k.keys())
	d := strings.Join(doubts(r), "\n")
	for _, want := range []string{"retraction by keeper: a lamp", "reinstatement by keeper: it was the other rig", "restored by keeper: the disk died"} {
		if !strings.Contains(d, want) || !strings.Contains(string(membersOf(t, after)[0].data), strings.Split(want, ": ")[1]) {
			t.Errorf("%q is not told in %s", want, d)
		}
	}
	if r.Standing != was.Standing {
		t.Errorf("reinstated it is %v, and was %v", r.Standing, was.Standing)
	}
}

// TestWitnesses: a head that a witness signed with the run in it is in the file,
// and a reader can demand it.
func TestWitnesses(t *testing.T) {
	k := keep(t)
	key := labtest.Key(labtest.Seeded(30))
	s, err := trail.NewCosigner("witness.dome.example/avocet", key, time.Unix(1_930_000_000, 0))
	if err != nil {
		t.Fatal(err)
	}
	witness := s.(interface{ Key() string }).Key()
	keys := k.keys()
	keys.Witnesses = []string{witness}
	if _, err := dossier.Verify(k.dossier(t), keys); !errors.Is(err, trail.ErrNotCosigned) {
		t.Errorf("without one: %v", err)
	}
	_, signed, err := k.Archive.Head()
	if err != nil {
		t.Fatal(err)
	}
	both, err := trail.Cosign(signed, labtest.Verifiers(t, k.Archive.VerifierKey()), s)
	if err == nil {
		err = k.Archive.AddCosigned(witness, both)
	}
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		b := k.dossier(t)
		if d := doubts(verified(t, b, keys)); len(d) > 0 {
			t.Errorf("%q", d)
		}
		if d := doubts(verified(t, b, k.keys())); len(d) != 1 || !strings.Contains(d[0], "2031-02-27") {
			t.Errorf("a witness that nobody named: %q", d)
		}
		if cover := string(membersOf(t, b)[0].data); !strings.Contains(cover, "witness "+witness+" signed the trail of") {
			t.Errorf("the cover does not tell of it:\n%s", cover)
		}
		k.marked = k.send(t) // the trail goes on beyond what was signed
	}
	run := k.run
	k.run = k.marked
	if _, err := dossier.Verify(k.dossier(t), dossier.Keys{Witnesses: keys.Witnesses}); !errors.Is(err, trail.ErrNotCosigned) {
		t.Errorf("a run of after the signature: %v", err)
	}
	k.run = run
}
