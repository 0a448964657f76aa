package dossier_test

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/archive"
	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// TestSameBytes: the same run gives the same file after a restart and a year later.
func TestSameBytes(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"})
	b := string(h.dossier(t, run.ID, nil))
	h.Archive.Close()
	h.opt.Now = func() time.Time { return time.Now().AddDate(1, 1, 1) }
	h.open(t)
	if string(h.dossier(t, run.ID, nil)) != b {
		t.Error("the same run gives other bytes")
	}
}

// later verifies two files of a run, the newer of which says what came after.
func later(older, newer []byte, known dossier.Keys) (old, now dossier.Report, lines []dossier.Line, err error) {
	b := slices.Clone(older)
	o, err := dossier.VerifyOlder(b, known)
	clear(b) // of which nothing is kept
	if err == nil {
		now, lines, err = o.Later(newer)
	}
	return o.Report, now, lines, err
}

// TestLaterOfAnother: a newer file that leads on from another head than the older one's
// says nothing of the older.
func TestLaterOfAnother(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, Bare: true})
	older := h.dossier(t, run.ID, nil)
	h.run(t, labtest.Shape{Plain: true, Bare: true})
	head, err := dossier.HeadOf(h.dossier(t, run.ID, nil))
	if err != nil {
		t.Fatal(err)
	}
	h.run(t, labtest.Shape{Plain: true, Bare: true})
	var f *dossier.Fault
	if _, _, _, err := later(older, h.dossier(t, run.ID, head), h.known()); !errors.As(err, &f) || f.Member != "newer file, trail/after.json" {
		t.Errorf("%v", err)
	}
}

// TestLaterByAnotherKey: who has the trail's key and not the rig's cannot put another
// key in the place of the one that signed the older file's record.
func TestLaterByAnotherKey(t *testing.T) {
	k := keep(t) // a rig without a certificate
	older := k.dossier(t)
	c := contentsOf(t, membersOf(t, older))
	c.Signed = record.Sign(c.Signed.Bytes, labtest.Key(labtest.Seeded(93)))
	newer, err := made(t, c, labtest.Key(labtest.Seeded(7))) // the trail's of labtest.NewCollector
	if err != nil {
		t.Fatal(err)
	}
	verified(t, newer, dossier.Keys{})
	var f *dossier.Fault
	if _, _, _, err := later(older, newer, dossier.Keys{}); !errors.As(err, &f) || f.Member != "newer file, record.sig" {
		t.Errorf("%v", err)
	}
}

// TestRestoredBehind: where a restore went back behind the run itself and the rig
// delivered it once more, the older file holds, and the newer says what happened.
func TestRestoredBehind(t *testing.T) {
	h := newHouse(t)
	h.Archive.Close()
	backup, err := os.ReadFile(h.path)
	if err != nil {
		t.Fatal(err)
	}
	h.open(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	older := h.dossier(t, run.ID, nil)
	head, err := dossier.HeadOf(older)
	if err != nil {
		t.Fatal(err)
	}
	back := func(givenUp ...[]byte) []byte {
		h.Archive.Close()
		if err := os.WriteFile(h.path, backup, 0o600); err != nil {
			t.Fatal(err)
		}
		h.open(t)
		if len(givenUp) > 0 {
			if _, _, err := h.Restored("wren", "the disk was lost", givenUp); err != nil {
				t.Fatal(err)
			}
		}
		h.run(t, labtest.Shape{Plain: true, Bare: true})
		if err := h.send(run); err != nil {
			t.Fatal(err)
		}
		if _, _, err := h.ask.Retract(t.Context(), run.ID, "wren", "a lamp shone on it"); err != nil {
			t.Fatal(err)
		}
		return h.dossier(t, run.ID, nil)
	}
	alone := back(head)
	newer := h.dossier(t, run.ID, head)
	old, now, lines, err := later(older, newer, h.known())
	if err != nil || old.Run != now.Run || len(lines) != 3 {
		t.Fatalf("%v: %+v", err, lines)
	}
	for i, want := range []string{"the archive was restored, behind the head of the older file by wren: the disk was lost", "the run was delivered and kept once more", "retraction of the run by wren: a lamp"} {
		if !strings.Contains(lines[i].Holds, want) {
			t.Errorf("line %d: %q", i, lines[i].Holds)
		}
	}
	wants := func(newer []byte, member string) {
		t.Helper()
		var f *dossier.Fault
		if _, _, _, err := later(older, newer, h.known()); !errors.As(err, &f) || f.Member != "newer file, "+member {
			t.Errorf("%v, want a fault of %s", err, member)
		}
	}
	wants(alone, "trail/receipt.json") // it does not tell of the restore
	wants(back(), "trail/receipt.json")
	// Somebody with the trail's key who claims a restore and has no entry of it.
	c := contentsOf(t, membersOf(t, h.dossier(t, run.ID, nil)))
	c.Proof.After = &dossier.After{Head: string(head)}
	b, err := made(t, c, h.opt.Key)
	if err != nil {
		t.Fatal(err)
	}
	refused(t, "a restore that was none", b, h.known(), "trail/after.json")
}

// TestRestoredBehindAKey: the head of an older file may be of a size at which the key
// that signed it had stopped by now, because a restore went back behind it. It opens by
// that key all the same, and by no stranger's.
func TestRestoredBehindAKey(t *testing.T) {
	h := newHouse(t)
	h.Archive.Close()
	backup, err := os.ReadFile(h.path)
	if err != nil {
		t.Fatal(err)
	}
	h.open(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	for range 3 {
		h.run(t, labtest.Shape{Plain: true, Bare: true})
	}
	older := h.dossier(t, run.ID, nil)
	head, err := dossier.HeadOf(older)
	if err != nil {
		t.Fatal(err)
	}
	h.Archive.Close()
	if err := os.WriteFile(h.path, backup, 0o600); err != nil {
		t.Fatal(err)
	}
	h.open(t)
	if _, _, err := h.Restored("wren", "the disk was lost", [][]byte{head}); err != nil {
		t.Fatal(err)
	}
	if err := h.send(run); err != nil {
		t.Fatal(err)
	}
	_, receipt, err := h.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(68)), By: "wren", Why: "its year is over"})
	if err != nil {
		t.Fatal(err)
	}
	then, err := trail.OpenHead(head, labtest.Verifiers(t, first(t, older)))
	if err != nil || then.Size <= receipt.Index {
		t.Fatalf("the older head is of %d entries, and its key stopped at %d: %v", then.Size, receipt.Index, err)
	}
	newer := h.dossier(t, run.ID, head)
	if d := strings.Join(doubts(verified(t, newer, h.known())), "\n"); !strings.Contains(d, "the trail went back behind the 8 entries of an older file") {
		t.Errorf("it is not told: %s", d)
	}
	_, _, lines, err := later(older, newer, dossier.Keys{Collectors: []string{first(t, older), h.VerifierKey()}, Rigs: h.known().Rigs})
	if err != nil || len(lines) != 3 {
		t.Errorf("%v: %+v", err, lines)
	}
	// One of a key that the trail never had.
	text, _, _ := strings.Cut(string(head), "\n\n")
	stranger, err := trail.NewSigner(h.Origin(), labtest.Key(labtest.Seeded(96)))
	if err != nil {
		t.Fatal(err)
	}
	c := contentsOf(t, membersOf(t, newer))
	forged, err := note.Sign(&note.Note{Text: text + "\n"}, stranger)
	if err != nil {
		t.Fatal(err)
	}
	c.Proof.After.Head = string(forged)
	b, err := made(t, c, labtest.Key(labtest.Seeded(68)))
	if err != nil {
		t.Fatal(err)
	}
	refused(t, "a stranger's head", b, h.known(), "trail/after.json")
}

// first gives the verifier key that a file is sealed with.
func first(t *testing.T, b []byte) string {
	t.Helper()
	return strings.TrimSpace(string(find(membersOf(t, b), "trail/key").data))
}

// TestLaterOfALostKey: where nothing but a word leads from the older file's key to that
// of the newer, and no key is known, that is told; and so are keys of the rig since.
func TestLaterOfALostKey(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	older := h.dossier(t, run.ID, nil)
	head, err := dossier.HeadOf(older)
	if err != nil {
		t.Fatal(err)
	}
	was := h.VerifierKey()
	h.lose(t, "wren", h.wren, labtest.Key(labtest.Seeded(66)))
	h.rotate(t, labtest.Key(labtest.Seeded(67)))
	if _, err := h.Revoke("heron", "wren", "sold"); err != nil {
		t.Fatal(err)
	}
	_, now, lines, err := later(older, h.dossier(t, run.ID, head), dossier.Keys{})
	if err != nil {
		t.Fatal(err)
	}
	if d := strings.Join(doubts(now), "\n"); !strings.Contains(d, "the older file is signed with "+was) {
		t.Errorf("it is not told: %s", d)
	}
	var after []string
	for _, l := range lines {
		after = append(after, l.Holds)
	}
	for _, want := range []string{"another key signs the trail, on the word of ", "another key was admitted for the rig by the signature of key ", "a key of the rig was revoked by wren: sold"} {
		if !strings.Contains(strings.Join(after, "\n"), want) {
			t.Errorf("%q is not among %q", want, after)
		}
	}
}
