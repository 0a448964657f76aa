package archive_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
)

// grown lets the sample's archive grow, and gives its file as it was on the way and
// as it is, with its live pages by their ids.
func grown(t *testing.T, r *rand.Rand) (older [][]byte, whole []byte, pages map[int]int, size int) {
	t.Helper()
	path, _ := sample(t, r)
	opt := options()
	opt.Next = labtest.Key(labtest.Seeded(8))
	a, err := archive.Open(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	read := func() []byte {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	heron := labtest.NewRig("heron", r)
	for i := range 40 {
		older = append(older, read())
		run := heron.Finish(labtest.Shape{Plain: true, LogBytes: 400, Setup: fmt.Sprint("memory-", i%3)})
		keep(t, a, declared(run))
		switch i % 4 {
		case 0:
			_, _, err = a.Retract(run.ID, "keeper", "the lamp was on", false)
		case 1:
			_, _, err = a.AcceptMark(archive.Mark{Rig: run.Rig, Setup: "memory-rated", RunID: run.ID, By: "keeper", Why: fmt.Sprint("reason ", i)}, run.Signed.Bytes)
		case 2:
			err = a.SetBeats(map[string][]byte{"heron": fmt.Append(nil, "beat ", i)}, [][]byte{fmt.Append(nil, "news ", i)})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if pages, size, err = a.LivePages(); err != nil {
		t.Fatal(err)
	}
	a.Close()
	return older, read(), pages, size
}

// TestPagesPutBack puts single pages back to what they were before, and exchanges
// pages, each with the number that it should have: all of them are whole, and what
// they say is true or was.
func TestPagesPutBack(t *testing.T) {
	r := labtest.Rand(t)
	older, whole, pages, size := grown(t, r)
	file := filepath.Join(t.TempDir(), "archive.db")
	tried, found := 0, 0
	try := func(what string, b []byte) {
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if tried++; len(examine(t, file)) > 0 {
			found++
		} else {
			t.Errorf("%s is not found", what)
		}
	}
	ids := make([]int, 0, len(pages))
	for id, n := range pages {
		ids = append(ids, id)
		from, to := id*size, (id+n)*size
		for i, old := range older {
			if labtest.Race && i%4 > 0 {
				continue
			}
			if to > len(old) || bytes.Equal(old[from:to], whole[from:to]) || binary.NativeEndian.Uint64(old[from:]) != uint64(id) {
				continue // it was not there yet, or was the same
			}
			if i > 0 && to <= len(older[i-1]) && bytes.Equal(old[from:to], older[i-1][from:to]) {
				continue
			}
			b := bytes.Clone(whole)
			copy(b[from:to], old[from:to])
			try(fmt.Sprintf("page %d as it was before step %d", id, i), b)
		}
	}
	back := tried
	slices.Sort(ids)
	for range 300 {
		x, y := ids[r.IntN(len(ids))], ids[r.IntN(len(ids))]
		n := pages[x] * size
		if x == y || pages[x] != pages[y] {
			continue
		}
		b := bytes.Clone(whole)
		copy(b[x*size:x*size+n], whole[y*size:])
		copy(b[y*size:y*size+n], whole[x*size:])
		binary.NativeEndian.PutUint64(b[x*size:], uint64(x))
		binary.NativeEndian.PutUint64(b[y*size:], uint64(y))
		try(fmt.Sprintf("page %d in the place of page %d", x, y), b)
	}
	t.Logf("found %d of %d: %d pages put back, %d exchanged", found, tried, back, tried-back)
	if found != tried || back < 100 || tried-back < 100 {
		t.Errorf("found %d of %d, %d of them put back", found, tried, back)
	}
}

// TestFilesThatAreNone cuts an archive at every page and in between, and looks at
// what never was one.
func TestFilesThatAreNone(t *testing.T) {
	path, places := sample(t, labtest.Rand(t))
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	foreign := filepath.Join(dir, "foreign.db")
	db, err := bolt.Open(foreign, 0o600, nil)
	if err == nil {
		err = db.Update(func(tx *bolt.Tx) error { _, err := tx.CreateBucket([]byte("songs")); return err })
	}
	if err != nil {
		t.Fatal(err)
	}
	db.Close()
	songs, err := os.ReadFile(foreign)
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{"empty": nil, "another program's": songs, "of zeroes": make([]byte, 1<<16), "of text": bytes.Repeat([]byte("orrery,16.7\n"), 9999)}
	pages := slices.Clone(whole)
	for _, m := range [][]byte{pages[16:], pages[4096+16:]} {
		binary.NativeEndian.PutUint32(m[8:], 1<<30)
		sum := fnv.New64a()
		sum.Write(m[:56])
		binary.NativeEndian.PutUint64(m[56:], sum.Sum64())
	}
	files["with pages of a gibibyte"] = pages
	for at := 0; at < int(places[len(places)-1]); at += 2048 {
		files[fmt.Sprintf("cut after %d bytes", at)] = whole[:at]
	}
	found := 0
	for name, b := range files {
		file := filepath.Join(dir, "archive.db")
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if len(examine(t, file)) > 0 {
			found++
		} else {
			t.Errorf("a file %s passes for an archive", name)
		}
		if len(b) > 0 {
			if _, err := archive.Open(file, options()); err == nil || fault.HintOf(err) == "" {
				t.Errorf("a file %s is opened with %v", name, err)
			}
		}
		if after, err := os.ReadFile(file); err != nil || !bytes.Equal(after, b) {
			t.Errorf("a file %s was written to: %v", name, err)
		}
	}
	t.Logf("found %d of %d", found, len(files))
}

// TestProgress: an examination tells of the pages that it reads, each once and all of
// them, before it tells of what they hold.
func TestProgress(t *testing.T) {
	path, _ := sample(t, labtest.Rand(t))
	opt := options()
	opt.Next = labtest.Key(labtest.Seeded(8))
	a, err := archive.Open(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	live, size, err := a.LivePages()
	if err != nil {
		t.Fatal(err)
	}
	least, most := int64(0), a.Size()/int64(size)
	for _, n := range live {
		least += int64(n)
	}
	examine := map[string]func(archive.Examination) (archive.Checked, error){
		"open": func(x archive.Examination) (archive.Checked, error) { return a.Examine(t.Context(), x) },
		"closed": func(x archive.Examination) (archive.Checked, error) {
			return archive.ExamineFile(t.Context(), path, "", x)
		},
	}
	for _, how := range []string{"open", "closed"} {
		var pages, done, total int64
		_, err := examine[how](archive.Examination{
			Found: func(f archive.Finding) { t.Errorf("%s: %v", how, f) },
			Progress: func(d, of int64) {
				switch {
				case of == 0 && total == 0 && d > pages:
					pages = d
				case of > 0 && d >= done && d <= of:
					done, total = d, of
				default:
					t.Errorf("%s: %d of %d after %d pages and %d of %d", how, d, of, pages, done, total)
				}
			},
		})
		if err != nil || pages <= least || pages >= most || done == 0 || done != total {
			t.Errorf("%s: it told of %d pages, where %d hold something and %d are in the file, and of %d of %d (%v)", how, pages, least, most, done, total, err)
		}
		a.Close()
	}
}
