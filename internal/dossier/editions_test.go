package dossier_test

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

var update = flag.Bool("update", false, "write dossiers of this edition anew")

// plainFile and wholeFile are dossiers of this edition: of a run held against a mark,
// and of one with all that a dossier can hold.
var (
	plainFile = fmt.Sprintf("testdata/edition-%d.zip", dossier.Edition)
	wholeFile = fmt.Sprintf("testdata/edition-%d-whole.zip", dossier.Edition)
)

// TestEditions: dossiers made by earlier versions go on verifying, also of keys that
// changed, were lost or were admitted once more after a restore. One of the
// present edition that does not says that Edition must go up, and files be added.
func TestEditions(t *testing.T) {
	if *update {
		h := newHouse(t)
		older := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
		for name, b := range map[string][]byte{plainFile: keep(t).dossier(t), wholeFile: h.everything(t, h.dossier(t, older.ID, nil)).b} {
			if err := os.WriteFile(name, b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	files, err := filepath.Glob("testdata/edition-*.zip")
	if err != nil || !slices.Contains(files, plainFile) || !slices.Contains(files, wholeFile) {
		t.Fatalf("%v: no %s or %s", err, plainFile, wholeFile)
	}
	for _, f := range files {
		r, err := dossier.Verify(readFile(t, f), dossier.Keys{})
		if err != nil || r.Rig != "heron" {
			t.Errorf("%s: %v", f, err)
		}
		if own := strings.HasPrefix(f, strings.TrimSuffix(plainFile, ".zip")); own && len(r.Otherwise) > 0 {
			t.Errorf("%s: it says otherwise in %v", f, r.Otherwise)
		}
	}
}

// TestSummaryOfBefore: a file that is made now of a run that was kept and judged by the
// rules of edition 1 holds.
func TestSummaryOfBefore(t *testing.T) {
	c := contentsOf(t, asNow(t, membersOf(t, readFile(t, "testdata/edition-1.zip"))))
	b, err := made(t, c, labtest.Key(labtest.Seeded(7))) // the trail's of labtest.NewCollector
	if err != nil {
		t.Fatal(err)
	}
	if r, err := dossier.Verify(b, dossier.Keys{}); err != nil || len(r.Otherwise) > 0 {
		t.Errorf("what was judged by edition 1 is held against other rules: %v, otherwise in %v", err, r.Otherwise)
	}
	if dossier.JudgedSince != 1 {
		t.Error("statistics or flags come out otherwise than before: let summaries say by which edition they were made, before this test goes on to ask for a file of a run of each")
	}
}

// TestFirstSpelling: what members of edition 1 have in another spelling is taken in
// files of that edition alone, and those of now in no other.
func TestFirstSpelling(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	now := membersOf(t, h.dossier(t, run.ID, nil))
	first := asFirst(t, now)
	verified(t, sealed(t, 1, first, h.opt.Key), h.known())
	refused(t, "the first spelling now", sealed(t, dossier.Edition, first, h.opt.Key), h.known(), "trail/receipt.json")
	refused(t, "the spelling of now in a first file", sealed(t, 1, now, h.opt.Key), h.known(), "trail/receipt.json")
	dated := datedZip(t, firstDay, membersOf(t, sealed(t, 1, first, h.opt.Key)))
	refused(t, "a date in a first file", dated, h.known(), "the file itself")
}

func readFile(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// FuzzVerify: what is not a dossier is a fault, and what is one is spelt in one way.
func FuzzVerify(f *testing.F) {
	known := [][]byte{readFile(f, plainFile), readFile(f, wholeFile), readFile(f, "testdata/edition-1.zip")}
	for _, b := range known {
		f.Add(b)
		f.Add(b[:len(b)/2])
		f.Add(append(bytes.Clone(b), b...))
	}
	f.Fuzz(func(t *testing.T, c []byte) {
		_, err := dossier.Verify(c, dossier.Keys{})
		if err == nil && !slices.ContainsFunc(known, func(b []byte) bool { return bytes.Equal(b, c) }) {
			t.Fatal("accepted in another spelling")
		}
		if err != nil && !errors.Is(err, dossier.ErrNotProved) {
			t.Fatal(err)
		}
	})
}

// FuzzSealed: whatever who has the trail's key puts in the place of a member and
// seals, or writes into the seal, it is a fault, and never another file that holds.
func FuzzSealed(f *testing.F) {
	key := labtest.Key(labtest.Seeded(62)) // of the whole file's trail
	signer, err := trail.NewSigner("collector.dome.example/trail", key)
	if err != nil {
		f.Fatal(err)
	}
	whole := readFile(f, wholeFile)
	ms := membersOf(f, whole)
	if !bytes.Equal(sealed(f, dossier.Edition, ms, key), whole) {
		f.Fatal("the test's seal is not the one that is made")
	}
	last := len(ms) - 1
	text, _, _ := strings.Cut(string(ms[last].data), "\n\n")
	for i, m := range ms {
		f.Add(uint8(i), m.data)
		f.Add(uint8(i), bytes.Replace(m.data, []byte("\n"), []byte("\n\n"), 1))
	}
	f.Add(uint8(last), []byte(text+"\n"))
	f.Fuzz(func(t *testing.T, i uint8, data []byte) {
		at := int(i) % len(ms)
		changed := slices.Clone(ms)
		var b []byte
		if at == last {
			// The note package signs no text that it would not open.
			if changed[at].data, err = note.Sign(&note.Note{Text: string(data)}, signer); err != nil {
				t.Skip()
			}
			b = zipOf(t, changed)
		} else {
			changed[at].data = data
			b = sealed(t, dossier.Edition, changed, key)
		}
		_, err := dossier.Verify(b, dossier.Keys{})
		if err == nil && !bytes.Equal(b, whole) {
			t.Fatalf("another %s is accepted", ms[at].name)
		}
		if err != nil && !errors.Is(err, dossier.ErrNotProved) {
			t.Fatal(err)
		}
	})
}
