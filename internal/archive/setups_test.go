package archive_test

import (
	"context"
	"crypto/sha256"
	"sync"
	"testing"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// TestSetupsInForce: each setup file of a rig is an entry of the trail once, before
// the first record that was judged by it, also when records come at the same time.
func TestSetupsInForce(t *testing.T) {
	a := fresh(t)
	heron, plover := labtest.NewRig("heron", labtest.Seeded(2)), labtest.NewRig("plover", labtest.Seeded(4))
	files := []string{"label = \"memory-rated\"\n", "label = \"memory-rated\" # again\n"}
	var kept []archive.Kept
	var ks []archive.Keeping
	for i, g := range []*labtest.Rig{heron, heron, heron, plover, heron} {
		run := g.Finish(labtest.Shape{Plain: true, LogBytes: 300, Setup: "memory-rated"})
		k := declared(run)
		k.Setup = &record.Setup{Label: "memory-rated", Source: []byte(files[[]int{0, 0, 1, 0, 0}[i]])}
		ks = append(ks, k)
	}
	kept = append(kept, keep(t, a, ks[0]), keep(t, a, ks[0]))
	var all sync.WaitGroup
	for _, k := range ks[1:] {
		all.Go(func() {
			if _, err := a.Keep(context.Background(), k); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if kept[0].Receipt.Index != 1 || kept[1].Receipt.Index != 1 {
		t.Errorf("the first record is entry %d", kept[0].Receipt.Index)
	}
	known := labtest.Verifiers(t, a.VerifierKey())
	for i, k := range ks {
		s, ok, err := a.SetupInForce(k.Labels.Rig, "memory-rated", k.Setup.Source)
		st, err2 := a.Run(k.ID)
		if err != nil || err2 != nil || !ok || s.Index >= st.Receipt.Index {
			t.Fatalf("record %d: %+v, %v, %v, %v", i, s, ok, err, err2)
		}
		r, err := a.Entry(s.Index)
		if err != nil {
			t.Fatal(err)
		}
		e, _, err := r.Check(known, trail.KindSetup, sha256.Sum256(k.Setup.Source))
		if err != nil || e.Subject != k.Labels.Rig+"/memory-rated" || e.Actor != k.Labels.Rig || e.Length != int64(len(k.Setup.Source)) || !e.At.Equal(s.At) {
			t.Errorf("%+v, %v", e, err)
		}
		p, err := a.Prove(k.ID, "", k.Setup, nil)
		if err != nil || len(p.Entries) != 2 || p.Entries[0].Index != s.Index {
			t.Errorf("%+v, %v", p.Entries, err)
		}
	}
	if n, err := a.Check(context.Background()); err != nil || n.Runs != 5 || n.Entries != 8 {
		t.Errorf("%+v, %v", n, err)
	}
	if _, ok, err := a.SetupInForce("avocet", "memory-rated", []byte(files[0])); ok || err != nil {
		t.Error("a rig has a setup that it never brought", err)
	}
}

// TestNews: pieces come in order, the oldest go, and a changed one is found.
func TestNews(t *testing.T) {
	a := fresh(t)
	if page, next, err := a.News(0); err != nil || len(page) != 0 || next != 1 {
		t.Fatalf("%v, %d, %v", page, next, err)
	}
	for i := range 3 {
		many := make([][]byte, archive.MostNews/2)
		for n := range many {
			many[n] = []byte{byte(i), byte(n)}
		}
		if err := a.SetBeats(nil, many); err != nil {
			t.Fatal(err)
		}
	}
	from, seen := int64(1), 0
	for {
		page, next, err := a.News(from)
		if err != nil || next != 3*archive.MostNews/2+1 {
			t.Fatal(next, err)
		}
		if len(page) == 0 {
			break
		}
		if seen == 0 && page[0].Number != archive.MostNews/2+1 {
			t.Errorf("the first kept is number %d", page[0].Number)
		}
		for _, p := range page {
			n := (p.Number - 1) % (archive.MostNews / 2)
			if want := []byte{byte((p.Number - 1) / (archive.MostNews / 2)), byte(n)}; string(p.Data) != string(want) {
				t.Fatalf("number %d is %v, want %v", p.Number, p.Data, want)
			}
		}
		seen += len(page)
		from = page[len(page)-1].Number + 1
	}
	if seen != archive.MostNews {
		t.Errorf("%d are kept", seen)
	}
	if _, err := a.Check(context.Background()); err != nil {
		t.Error(err)
	}
}
