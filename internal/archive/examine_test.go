package archive_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
)

// shelf is an archive with some runs in it.
func shelf(t *testing.T, n int) (a *archive.Archive, g *labtest.Rig, runs []labtest.Run) {
	g = labtest.NewRig("heron", labtest.Rand(t))
	a = fresh(t)
	for range n {
		run := g.Finish(labtest.Shape{Plain: true, Setup: "memory-rated"})
		keep(t, a, declared(run))
		runs = append(runs, run)
	}
	return a, g, runs
}

// examineLive examines an open archive and calls meanwhile with the number of each run
// that was looked at.
func examineLive(t *testing.T, a *archive.Archive, meanwhile func(n int)) (n archive.Checked, found []string) {
	at := 0
	n, err := a.Examine(t.Context(), archive.Examination{
		Found: func(f archive.Finding) { found = append(found, f.String()) },
		Run:   func(archive.Examined) []string { at++; meanwhile(at); return nil },
	})
	if err != nil {
		t.Fatal(err)
	}
	return n, found
}

// TestExaminedWhileInUse: runs that are delivered between, before and behind those that
// are being looked at, retractions, marks and another key of the trail are nothing wrong,
// and what the check says is of the trail that it began with. It ends though each run
// that it looks at brings more.
func TestExaminedWhileInUse(t *testing.T) {
	a, heron, runs := shelf(t, 12)
	plover := labtest.NewRig("plover", labtest.Rand(t)) // begins when heron began
	n, found := examineLive(t, a, func(i int) {
		if i > 12 {
			t.Error("a run is looked at that came meanwhile, and brings more")
			return
		}
		for _, g := range []*labtest.Rig{heron, plover} {
			keep(t, a, declared(g.Finish(labtest.Shape{Plain: true, Setup: "memory-rated"})))
		}
		_, _, err := a.Retract(runs[(5*i)%12].ID, "keeper", "the lamp was on", false)
		if err == nil && i%3 == 0 {
			run := runs[(7*i)%12]
			_, _, err = a.AcceptMark(archive.Mark{Rig: "heron", Setup: "memory-rated", RunID: run.ID, By: "keeper", Why: "checked"}, run.Signed.Bytes)
		}
		if err == nil && i == 6 {
			_, _, err = a.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(68)), By: "wren", Why: "its year is over"})
		}
		if err != nil {
			t.Fatal(err)
		}
	})
	if len(found) > 0 {
		t.Errorf("found %q", found)
	}
	if n.Runs != 12 || n.Entries != 13 { // of the setup, too
		t.Errorf("it is of %d runs and %d entries", n.Runs, n.Entries)
	}
	if n, err := a.Check(t.Context()); err != nil || n.Runs != 36 {
		t.Errorf("afterwards %+v: %v", n, err)
	}
}

// TestExaminationLetsGo: while a run is looked into no transaction is open, so that the
// pages that are written over meanwhile are used again.
func TestExaminationLetsGo(t *testing.T) {
	a, _, _ := shelf(t, 12)
	writes := 0
	write := func() {
		writes++
		if err := a.SetBeats(map[string][]byte{"heron": fmt.Append(nil, writes)}, nil); err != nil {
			t.Fatal(err)
		}
	}
	for range 50 {
		write() // so that there are pages to use again
	}
	before := a.Size()
	_, found := examineLive(t, a, func(int) {
		if n := a.Reading(); n > 0 {
			t.Errorf("%d transactions are open", n)
		}
		for range 20 {
			write()
		}
	})
	if len(found) > 0 {
		t.Errorf("found %q", found)
	}
	if grown := (a.Size() - before) / 4096; grown > 20 {
		t.Errorf("the file grew by %d pages with %d changes", grown, writes-50)
	}
}

// TestDamageWhileExamined: what goes or changes before its run is looked at is found.
func TestDamageWhileExamined(t *testing.T) {
	for _, c := range []struct {
		name, want string
		damage     func(tx *bolt.Tx, id []byte) error
	}{
		{"the run", "it went while the check was under way", func(tx *bolt.Tx, id []byte) error { return tx.Bucket([]byte("runs")).DeleteBucket(id) }},
		{"a row", "its row in by/rig is missing or differs", func(tx *bolt.Tx, id []byte) error {
			c := tx.Bucket([]byte("by/rig")).Cursor()
			for k, _ := c.First(); k != nil; k, _ = c.Next() {
				if strings.HasSuffix(string(k), string(id)) {
					return c.Delete()
				}
			}
			return fmt.Errorf("there is no row of %s", id)
		}},
		{"its record", "what is kept of it was altered", func(tx *bolt.Tx, id []byte) error {
			b := tx.Bucket([]byte("runs")).Bucket(id)
			v := slices.Clone(b.Get([]byte("record")))
			v[len(v)/2] ^= 1
			return b.Put([]byte("record"), v)
		}},
		{"its entry", "", func(tx *bolt.Tx, id []byte) error {
			b := tx.Bucket([]byte("trail/leaves"))
			k, v := b.Cursor().Last()
			v = slices.Clone(v)
			v[len(v)/2] ^= 1
			return b.Put(k, v)
		}},
	} {
		a, _, runs := shelf(t, 8)
		last := runs[7].ID
		n, found := examineLive(t, a, func(n int) {
			if n == 2 {
				if err := a.Damage(func(tx *bolt.Tx) error { return c.damage(tx, []byte(last)) }); err != nil {
					t.Fatal(err)
				}
			}
		})
		if !slices.ContainsFunc(found, func(f string) bool { return strings.HasPrefix(f, "run "+last+": ") && strings.Contains(f, c.want) }) {
			t.Errorf("%s: found %q of %+v", c.name, found, n)
		}
	}
}
