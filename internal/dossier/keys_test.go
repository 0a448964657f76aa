package dossier_test

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
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
	path := filepath.Join(t.TempDir(), "archive.db")
	opt := archive.Options{Key: labtest.Key(labtest.Seeded(61)), Origin: "collector.dome.example/trail", Now: time.Now}
	a, err := archive.Open(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true, LogBytes: 3000})
	if _, err := deliver.Send(t.Context(), labtest.Connect(t, collect.New(a, time.Now, labtest.Quiet()).Server(deliver.DefaultLimits)), run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	lost := a.VerifierKey()
	a.Close()
	opt.Key = labtest.Key(labtest.Seeded(62))
	if _, err := archive.Vouch(path, opt, archive.Rekeying{Next: opt.Key, By: "operator", Why: "the stick is gone"}); err != nil {
		t.Fatal(err)
	}
	if a, err = archive.Open(path, opt); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	var b bytes.Buffer
	conn := labtest.Connect(t, collect.New(a, time.Now, labtest.Quiet()).Server(deliver.DefaultLimits))
	if err := answer.NewClient(conn).Dossier(t.Context(), run.ID, nil, &b); err != nil {
		t.Fatal(err)
	}
	r := verified(t, b.Bytes(), dossier.Keys{Collectors: []string{a.VerifierKey()}})
	if d := strings.Join(doubts(r), "\n"); !strings.Contains(d, "on the word of the owner of the collector's folder; the old key did not sign that: the stick is gone") {
		t.Errorf("it does not say so: %s", d)
	}
	if _, err := dossier.Verify(b.Bytes(), dossier.Keys{Collectors: []string{lost}}); !errors.Is(err, trail.ErrOnWord) || !strings.Contains(err.Error(), "trail/keys.json: ") {
		t.Errorf("by the lost key alone: %v", err)
	}
	verified(t, b.Bytes(), dossier.Keys{Collectors: []string{lost, a.VerifierKey()}})
}
