package archive_test

import (
	"bytes"
	"context"
	"errors"
	"path/filepath"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// standings lists the runs of a query by id.
func standings(t testing.TB, a *archive.Archive, q archive.Query) map[string]string {
	t.Helper()
	got := map[string]string{}
	err := a.Runs(context.Background(), q, func(r archive.Row) error { got[r.ID] = r.Labels.Standing; return nil })
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestRetract(t *testing.T) {
	path := filepath.Join(t.TempDir(), "archive.db")
	a := open(t, path)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	var runs []labtest.Run
	for range 3 {
		run := heron.Finish(labtest.Shape{Plain: true, Workload: "orrery", Setup: "memory-rated"})
		keep(t, a, keeping(run))
		runs = append(runs, run)
	}
	judged := keeping(runs[0]).Labels.Standing
	known := labtest.Verifiers(t, a.VerifierKey())
	for i, run := range []labtest.Run{runs[0], runs[2]} {
		r, receipt, err := a.Retract(run.ID, "keeper", "the lamp was on", false)
		if err != nil {
			t.Fatal(err)
		}
		e, _, err := receipt.Check(known, trail.KindRetraction, run.Signed.SHA256())
		if err != nil || e.Subject != run.ID || e.Actor != "keeper" || e.Text != "the lamp was on" || receipt.Index != int64(3+i) {
			t.Errorf("%+v at %d, %v", e, receipt.Index, err)
		}
		if r.Judged != judged || !r.At.Equal(e.At) || r.Index != receipt.Index {
			t.Errorf("%+v", r)
		}
	}
	for _, q := range []archive.Query{{}, {Rig: "heron"}, {Workload: runs[0].Workload.Name}, {Setup: "memory-rated"}, {Rig: "heron", Workload: runs[0].Workload.Name}} {
		if got := standings(t, a, q); got[runs[0].ID] != "void" || got[runs[2].ID] != "void" || got[runs[1].ID] != judged {
			t.Errorf("%+v lists %v", q, got)
		}
	}
	if got := standings(t, a, archive.Query{Standing: "void"}); len(got) != 2 {
		t.Errorf("void are %v", got)
	}
	if rigs, err := a.Rigs(); err != nil || rigs[0].LastStanding != "void" {
		t.Errorf("%+v, %v", rigs, err)
	}
	if _, _, err := a.Retract(runs[0].ID, "keeper", "again", false); !errors.Is(err, archive.ErrRetracted) || !strings.Contains(err.Error(), "the lamp was on") {
		t.Errorf("retracted twice: %v", err)
	}
	if _, _, err := a.Retract(runs[1].ID, "keeper", "it was not", true); !errors.Is(err, archive.ErrRetracted) {
		t.Errorf("reinstated what is not retracted: %v", err)
	}
	for _, why := range []string{"", "two\nlines", strings.Repeat("x", 5000)} {
		if _, _, err := a.Retract(runs[1].ID, "keeper", why, false); !errors.Is(err, trail.ErrMalformed) {
			t.Errorf("reason %.9q: %v, want ErrMalformed", why, err)
		}
	}
	if _, _, err := a.Retract("20310302-090312-k7q2m9xd", "keeper", "why", false); !errors.Is(err, archive.ErrNotFound) {
		t.Errorf("no such run: %v", err)
	}
	if _, _, err := a.Retract(runs[2].ID, "keeper", "it was another room", true); err != nil {
		t.Fatal(err)
	}
	a.Close()
	a = open(t, path)
	defer a.Close()
	st, err := a.Run(runs[2].ID)
	if err != nil || archive.InForce(st.Retractions) || len(st.Retractions) != 2 || st.Retractions[1].Why != "it was another room" {
		t.Errorf("%+v, %v", st.Retractions, err)
	}
	if rigs, err := a.Rigs(); err != nil || rigs[0].LastStanding != judged {
		t.Errorf("%+v, %v", rigs, err)
	}
	for _, run := range runs {
		checkRun(t, a, run, keep(t, a, keeping(run)).Receipt)
	}
	checkAll(t, a, 3, 6)
}

// TestExtends: heads of this trail are led to the present one, others are not.
func TestExtends(t *testing.T) {
	a := fresh(t)
	defer a.Close()
	other := fresh(t)
	defer other.Close()
	heron := labtest.NewRig("heron", labtest.Rand(t))
	var heads []trail.Head
	var notes [][]byte
	add := func(a *archive.Archive) []byte {
		keep(t, a, keeping(heron.Finish(labtest.Shape{Plain: true})))
		h, signed, err := a.Head()
		if err != nil {
			t.Fatal(err)
		}
		heads = append(heads, h)
		return signed
	}
	for range 5 {
		notes = append(notes, add(a))
	}
	now, signed, seen, err := a.Extends(notes)
	if err != nil || now != heads[4] || string(signed) != string(notes[4]) {
		t.Fatalf("%+v, %v", now, err)
	}
	for i, s := range seen {
		if err := trail.CheckConsistency(heads[i], now, s.Consistency); err != nil || !s.Signed || !s.Ours || s.Head != heads[i] || s.Instead != nil {
			t.Errorf("head %d: %+v, %v", i, s, err)
		}
	}
	// The other archive has the same key and the same name, and other entries.
	var forked [][]byte
	for range 6 {
		forked = append(forked, add(other))
	}
	forked = append(forked, []byte("no note"))
	if _, _, seen, err = a.Extends(forked); err != nil {
		t.Fatal(err)
	}
	for i, s := range seen {
		if s.Ours || len(s.Consistency) > 0 || s.Signed != (i < 6) {
			t.Errorf("head %d of another tree: %+v", i, s)
		}
		if i >= 5 { // there are not as many entries, or it is no head
			if s.Instead != nil {
				t.Errorf("instead of head %d: %s", i, s.Instead)
			}
		} else if h, err := trail.OpenHead(s.Instead, labtest.Verifiers(t, a.VerifierKey())); err != nil || h != heads[i] {
			t.Errorf("instead of head %d: %v, %v; want %v", i, h, err, heads[i])
		}
	}
	if p, err := a.Consistency(2, 6); p != nil || err != nil {
		t.Errorf("to a size that is not there: %v, %v", p, err)
	}
	if p, err := a.Consistency(2, 4); err != nil || trail.CheckConsistency(heads[1], heads[3], p) != nil {
		t.Errorf("%v, %v", p, err)
	}
	r, err := a.Entry(1)
	if err != nil || r.Size != 5 {
		t.Fatalf("%+v, %v", r, err)
	}
	if _, _, err := r.Check(labtest.Verifiers(t, a.VerifierKey()), trail.KindRecord, r.RecordSHA256); err != nil {
		t.Error(err)
	}
	if _, err := a.Entry(5); !errors.Is(err, archive.ErrNotFound) {
		t.Errorf("entry past the end: %v", err)
	}
	// Of one that is its own no other is signed, whatever the disk has made of the tree.
	if err := a.Damage(func(tx *bolt.Tx) error {
		leaf, tree := make([]byte, 8), tx.Bucket([]byte("trail/hashes")) // that of the first entry
		h := bytes.Clone(tree.Get(leaf))
		h[3] ^= 1
		return tree.Put(leaf, h)
	}); err != nil {
		t.Fatal(err)
	}
	if _, _, seen, err = a.Extends(notes[:1]); !errors.Is(err, archive.ErrDamaged) {
		t.Errorf("with a damaged tree: %+v, %v", seen, err)
	}
	if _, err := a.HeadAt(1); !errors.Is(err, archive.ErrDamaged) {
		t.Errorf("with a damaged tree: %v", err)
	}
}
