package archive_test

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
)

// spoilt does random damage of one kind to a file: bbolt's own guards are checksums
// of two pages, and assertions.
func spoilt(r *rand.Rand, whole []byte) (how string, b []byte) {
	const page = 4096
	b = slices.Clone(whole)
	at := r.IntN(len(b)/page) * page
	for binary.NativeEndian.Uint64(b[at:]) != uint64(at/page) || at == 0 { // else nothing is on it
		at = r.IntN(len(b)/page) * page
	}
	other := r.IntN(len(b)/page) * page
	switch how = []string{"cut", "header", "elements", "zeroes", "noise", "exchanged", "renamed"}[r.IntN(7)]; how {
	case "cut":
		b = b[:r.IntN(len(b))]
	case "header":
		binary.NativeEndian.PutUint32(b[at+r.IntN(16):], r.Uint32())
	case "elements":
		binary.NativeEndian.PutUint32(b[at+16+r.IntN(200):], r.Uint32()>>r.IntN(32))
	case "zeroes":
		clear(b[at : at+page])
	case "noise":
		for i := range page {
			b[at+i] = byte(r.Uint32())
		}
	case "exchanged", "renamed":
		copy(b[at:at+page], whole[other:])
		copy(b[other:other+page], whole[at:])
		if how == "renamed" {
			binary.NativeEndian.PutUint64(b[at:], uint64(at/page))
			binary.NativeEndian.PutUint64(b[other:], uint64(other/page))
		}
	}
	return fmt.Sprintf("%s at page %d", how, at/page), b
}

// read reads all of an archive, and gives the errors.
func read(a *archive.Archive) error {
	var errs []error
	err := a.Runs(context.Background(), archive.Query{}, func(row archive.Row) error {
		st, err := a.Run(row.ID)
		if err == nil {
			_, err = a.Entry(st.Receipt.Index)
		}
		errs = append(errs, err)
		return nil
	})
	_, _, head := a.Head()
	return errors.Join(append(errs, err, head)...)
}

// TestDamagedFiles opens files with all kinds of damage, and damages files that are
// open. Whatever bbolt would make of it, it is an error that says so and never a
// panic, and nothing is written from then on.
func TestDamagedFiles(t *testing.T) {
	r := labtest.Rand(t)
	path, _ := sample(t, r)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	opt := options()
	opt.Next = labtest.Key(labtest.Seeded(8))
	g := labtest.NewRig("heron", r)
	tries := 400
	if testing.Short() || labtest.Race {
		tries = 100
	}
	refused, met, opened, endless, dir := 0, 0, 0, 0, t.TempDir()
	for i := range tries {
		path := filepath.Join(dir, fmt.Sprint(i)) // where bbolt is stuck, its lock stays
		how, b := spoilt(r, whole)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		a, err := archive.Open(path, opt)
		if err == nil {
			keep(t, a, keeping(g.Finish(labtest.Shape{Plain: true}))) // what bbolt reads is whole
			a.Close()
		} else if refused++; errors.Is(err, archive.ErrDamaged) && fault.HintOf(err) == "" {
			t.Errorf("%s: no hint with %v", how, err)
		} else if a, e := archive.OpenDamaged(path, err, time.Second); e == nil {
			if read(a); errors.Is(err, archive.ErrDamaged) {
				opened++
				if _, err := a.Keep(context.Background(), keeping(g.Finish(labtest.Shape{Plain: true}))); !errors.Is(err, archive.ErrDamaged) {
					t.Errorf("%s: kept in a damaged file: %v", how, err)
				}
			}
			a.Close()
		}

		if err := os.WriteFile(path, whole, 0o600); err != nil {
			t.Fatal(err)
		}
		if a, err = archive.Open(path, opt); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o600); err != nil { // which bbolt sees at once
			t.Fatal(err)
		}
		if archive.Endless(t, path) { // no reader may be the first to meet it
			endless++
			if err := a.LookOver(t.Context()); !errors.Is(err, archive.ErrDamaged) {
				t.Errorf("%s: looked over with %v", how, err)
			}
		}
		err = read(a)
		if met := a.Damaged(); met != nil && !errors.Is(err, archive.ErrDamaged) {
			t.Errorf("%s: %v is not told (%v)", how, met, err)
		}
		if over := a.LookOver(context.Background()); over != nil && a.Damaged() == nil {
			t.Errorf("%s: %v is not remembered", how, over)
		}
		if a.Damaged() != nil {
			met++
			if _, err := a.Keep(context.Background(), keeping(g.Finish(labtest.Shape{Plain: true}))); !errors.Is(err, archive.ErrDamaged) {
				t.Errorf("%s: kept over damage: %v", how, err)
			}
		}
		a.Close()
		os.Remove(path)
	}
	t.Logf("of %d damaged files %d were not opened, %d of them could be read in part, in %d damage was met, and %d had to be looked over first", tries, refused, opened, met, endless)
	if opened == 0 {
		t.Error("none could be read in part")
	}
	if refused < tries/4 || met < tries/4 {
		t.Errorf("of %d damaged files %d were not opened, and in %d damage was met", tries, refused, met)
	}
}

// TestFirstPagesGone: what tells where the rest is goes while the file is open. A
// look at it ends all the same.
func TestFirstPagesGone(t *testing.T) {
	met := 0
	for page := range int64(3) { // 2: both
		for i, look := range []func(a *archive.Archive) error{
			func(a *archive.Archive) error { return a.LookOver(context.Background()) },
			func(a *archive.Archive) error { _, err := a.Check(context.Background()); return err },
		} {
			path := filepath.Join(t.TempDir(), "archive.db")
			a := open(t, path)
			keep(t, a, keeping(labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true})))
			whole, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			if err != nil {
				t.Fatal(err)
			}
			gone, at := make([]byte, 4096), 4096*page
			if page == 2 {
				gone, at = make([]byte, 8192), 0
			}
			if _, err := f.WriteAt(gone, at); err != nil {
				t.Fatal(err)
			}
			found := look(a)
			if _, err := f.WriteAt(whole, 0); err != nil {
				t.Fatal(err)
			}
			f.Close()
			// The first pages take turns; that of the last transaction is needed.
			if _, err := a.Keep(context.Background(), keeping(labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true}))); (err != nil) != (a.Damaged() != nil) || a.Damaged() != nil && found == nil {
				t.Errorf("page %d: %v is found, then %v", page, found, err)
			}
			if found == nil && i == 1 {
				t.Errorf("page %d: the check finds nothing", page)
			}
			if a.Damaged() != nil {
				met++
			}
			a.Close()
		}
	}
	if met == 0 {
		t.Error("no page was needed")
	}
}

// TestOwnPanicIsNoDamage: a fault of this program is not laid on the file.
func TestOwnPanicIsNoDamage(t *testing.T) {
	a := fresh(t)
	keep(t, a, keeping(labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true})))
	defer func() {
		if recover() == nil || a.Damaged() != nil {
			t.Errorf("a panic became %v", a.Damaged())
		}
	}()
	a.Beats(nil)
	if err := a.SetBeats(map[string][]byte{"heron": {}}, nil); err != nil {
		t.Fatal(err)
	}
	a.Beats(nil) // calls it within a transaction
}
