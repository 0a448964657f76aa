package archive_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// sample fills an archive with every kind of thing that is kept, and gives the
// file's path and the bytes' places of all pages that hold keys or values.
func sample(t testing.TB, r *rand.Rand) (path string, places []int64) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "archive.db")
	a := open(t, path)
	heron, plover := labtest.NewRig("heron", r), labtest.NewRig("plover", r)
	var runs []labtest.Run
	for i := range 12 {
		g, shape := heron, labtest.Shape{Plain: true, LogBytes: 400, Setup: "memory-rated"}
		if i%4 == 3 {
			g, shape = plover, labtest.Shape{LogBytes: 3000}
		}
		if i == 5 {
			shape.LogBytes = 200 << 10 // chunks, and pages that overflow
		}
		run := g.Finish(shape)
		keep(t, a, declared(run))
		runs = append(runs, run)
	}
	for i, run := range runs[:3] {
		if _, _, err := a.AcceptMark(archive.Mark{Rig: run.Rig, Setup: "memory-rated", RunID: run.ID, By: "keeper", Why: fmt.Sprint("reason ", i)}, run.Signed.Bytes); err != nil {
			t.Fatal(err)
		}
	}
	for _, withdrawn := range []bool{false, true, false} {
		if _, _, err := a.Retract(runs[1].ID, "keeper", "the lamp was on", withdrawn); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := a.Restored("keeper", "the disk was lost", [][]byte{signedHead(t, 99)}); err != nil {
		t.Fatal(err)
	}
	if err := a.SetBeats(map[string][]byte{"heron": bytes.Repeat([]byte("all is as it was"), 20), "avocet": []byte("{}")}, [][]byte{[]byte("memory is at its default"), []byte("{}")}); err != nil {
		t.Fatal(err)
	}
	admit(t, a, trust.Member{Role: trust.Rig, Name: "heron"}, heron.Key.Public().(ed25519.PublicKey))
	admit(t, a, trust.Member{Role: trust.Rig, Name: "plover"}, plover.Key.Public().(ed25519.PublicKey))
	rotate(t, a, trust.Member{Role: trust.Rig, Name: "heron"}, heron.Key, labtest.Key(r))
	if _, err := joinInPlace(t, a, trust.Member{Role: trust.Rig, Name: "plover"}, "the disk broke", newKey(32)); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Revoke("plover", "keeper", "sold"); err != nil {
		t.Fatal(err)
	}
	admit(t, a, trust.Member{Role: trust.Witness, Name: "lark"}, newKey(31))
	if key, head := cosigned(t, a); a.AddCosignedBy("lark", key, head) != nil {
		t.Fatal("a witness's signature is not taken")
	}
	if _, _, err := a.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(8)), By: "keeper", Why: "its year is over"}); err != nil {
		t.Fatal(err)
	}
	after := labtest.NewRig("avocet", r).Finish(labtest.Shape{LogBytes: 400})
	keep(t, a, keeping(after))
	if empty := a.EmptyBuckets(); len(empty) > 0 {
		t.Fatalf("the sample has nothing in %v: add it here, and its part to the examination", empty)
	}
	pages, size, err := a.LivePages()
	if err != nil {
		t.Fatal(err)
	}
	a.Close()
	for id, n := range pages {
		for at := id * size; at < (id+n)*size; at++ {
			places = append(places, int64(at))
		}
	}
	slices.Sort(places)
	return path, places
}

// cosigned is the present head with the signature of a witness.
func cosigned(t testing.TB, a *archive.Archive) (key string, msg []byte) {
	t.Helper()
	s, err := trail.NewCosigner("witness.example/"+"avocet", labtest.Key(labtest.Seeded(9)), time.Unix(1e9, 0))
	if err != nil {
		t.Fatal(err)
	}
	_, signed, err := a.Head()
	if err == nil {
		msg, err = trail.Cosign(signed, labtest.Verifiers(t, a.VerifierKey()), s)
	}
	if err != nil {
		t.Fatal(err)
	}
	key, err = trail.WitnessKey(s.Name(), labtest.Key(labtest.Seeded(9)).Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	return key, msg
}

// signedHead is a head that the archives here could have signed.
func signedHead(t testing.TB, size int64) []byte {
	s, err := trail.NewSigner(origin, options().Key)
	if err != nil {
		t.Fatal(err)
	}
	msg, err := trail.SignHead(trail.Head{Origin: origin, Size: size, Root: trail.Hash{1}}, s)
	if err != nil {
		t.Fatal(err)
	}
	return msg
}

// examine gives what is wrong with a file.
func examine(t testing.TB, path string) []string {
	t.Helper()
	var found []string
	_, err := archive.ExamineFile(context.Background(), path, "", archive.Examination{Found: func(f archive.Finding) { found = append(found, f.String()) }})
	if err != nil {
		t.Error(err)
	}
	return found
}

// TestEveryChangedByteIsFound changes one byte at a time, at random, in the pages
// that hold keys or values: in keys, values, headers and the room behind them.
func TestEveryChangedByteIsFound(t *testing.T) {
	path, places := sample(t, labtest.Rand(t))
	if found := examine(t, path); len(found) > 0 {
		t.Fatalf("untouched: %s", strings.Join(found, "\n"))
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	tries := 2000
	if labtest.Race {
		tries = 200
	}
	r := labtest.Rand(t)
	type change struct {
		at int64
		to byte
	}
	changes := make(chan change, tries)
	for range tries {
		at := places[r.IntN(len(places))]
		changes <- change{at, whole[at] ^ byte(1+r.IntN(255))}
	}
	close(changes)
	var tried, found atomic.Int64
	var wg sync.WaitGroup
	for w := range 2 {
		file := filepath.Join(t.TempDir(), fmt.Sprint("copy", w))
		if err := os.WriteFile(file, whole, 0o600); err != nil {
			t.Fatal(err)
		}
		wg.Go(func() {
			f, err := os.OpenFile(file, os.O_RDWR, 0)
			if err != nil {
				t.Error(err)
				return
			}
			defer f.Close()
			for c := range changes {
				if _, err := f.WriteAt([]byte{c.to}, c.at); err != nil {
					t.Error(err)
				}
				tried.Add(1)
				if len(examine(t, file)) > 0 {
					found.Add(1)
				} else {
					t.Errorf("byte %d: %#x for %#x is not found, in %q", c.at, c.to, whole[c.at], whole[max(0, c.at-40):min(int64(len(whole)), c.at+40)])
				}
				if _, err := f.WriteAt(whole[c.at:c.at+1], c.at); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	t.Logf("found %d of %d changed bytes, in pages of %d bytes together", found.Load(), tried.Load(), len(places))
	if found.Load() != tried.Load() || tried.Load() != int64(tries) {
		t.Errorf("found %d of %d", found.Load(), tried.Load())
	}
}

// FuzzDamage writes any bytes anywhere over an archive. Looking at it never
// crashes, and finds whatever has changed in pages that hold keys or values.
func FuzzDamage(f *testing.F) {
	path, places := sample(f, labtest.Seeded(1))
	whole, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	live := map[int64]bool{}
	for _, at := range places {
		live[at] = true
	}
	f.Add(uint32(16), []byte{1, 2, 3})                             // the first page
	f.Add(uint32(places[8]), []byte{1, 0, 0, 0, 0xff, 0xff, 0xff}) // a page's header
	f.Add(uint32(places[20]), []byte{0xff, 0xff, 0xff, 0x7f})      // where its first element lies
	f.Add(uint32(places[32]), make([]byte, 4000))
	f.Fuzz(func(t *testing.T, at uint32, b []byte) {
		damaged := slices.Clone(whole)
		at %= uint32(len(whole))
		copy(damaged[at:], b)
		changed := false
		for i := range damaged {
			changed = changed || damaged[i] != whole[i] && live[int64(i)]
		}
		file := filepath.Join(t.TempDir(), "archive.db")
		if err := os.WriteFile(file, damaged, 0o600); err != nil {
			t.Fatal(err)
		}
		if found := examine(t, file); changed && len(found) == 0 {
			t.Errorf("%d bytes at %d are not found", len(b), at)
		}
	})
}
