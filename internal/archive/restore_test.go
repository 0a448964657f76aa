package archive_test

import (
	"testing"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// TestRestored: heads that a restore gave up are told apart from those that are
// missing without a word.
func TestRestored(t *testing.T) {
	a := fresh(t)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	for range 3 {
		keep(t, a, keeping(heron.Finish(labtest.Shape{Plain: true})))
	}
	_, to, err := a.Head()
	if err != nil {
		t.Fatal(err)
	}
	ask := func(sizes ...int64) []archive.Seen {
		var notes [][]byte
		for _, n := range sizes {
			notes = append(notes, signedHead(t, n))
		}
		_, _, seen, err := a.Extends(notes)
		if err != nil {
			t.Fatal(err)
		}
		return seen
	}
	for _, s := range ask(2, 3, 7) {
		if !s.Signed || s.Ours || s.GivenUp {
			t.Errorf("before: %+v", s)
		}
	}
	r, receipt, err := a.Restored("keeper", "the disk was lost", [][]byte{signedHead(t, 7)})
	if err != nil || r.Index != 3 || r.To != string(to) || len(r.GivenUp) != 1 {
		t.Fatalf("%+v, %v", r, err)
	}
	e, _, err := receipt.Check(labtest.Verifiers(t, a.VerifierKey()), trail.KindRestore, receipt.RecordSHA256)
	if err != nil || e.Actor != "keeper" || e.Text != "the disk was lost" || !e.At.Equal(r.At) {
		t.Errorf("%+v, %v", e, err)
	}
	for i, s := range ask(2, 3, 4, 7, 8) {
		if want := i == 2 || i == 3; !s.Signed || s.Ours || s.GivenUp != want {
			t.Errorf("head over %d: %+v", s.Head.Size, s)
		}
	}
	if _, _, err := a.Restored("keeper", "", nil); err == nil {
		t.Error("without a reason")
	}
	checkAll(t, a, 3, 4)
	// The key stops at fewer entries than it had signed. What it has signed beyond that, and
	// no restore gave up, is of whoever found it.
	if _, _, err := a.Rekey(archive.Rekeying{Next: nextKey, By: "keeper", Why: "its year is over"}); err != nil {
		t.Fatal(err)
	}
	for i, s := range ask(5, 7, 8) {
		if want := i < 2; s.Signed != want || s.Ours || s.GivenUp != want {
			t.Errorf("by the key that stopped, head over %d: %+v", s.Head.Size, s)
		}
	}
	checkAll(t, a, 3, 5)
}
