package archive_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
)

// branched makes an archive with branch pages in the trees of buckets and of a run, and
// gives its bytes and where such pages begin.
func branched(t *testing.T) (path string, whole []byte, branches []int) {
	path = filepath.Join(t.TempDir(), "archive.db")
	a := open(t, path)
	g := labtest.NewRig("heron", labtest.Rand(t))
	for i := range 60 {
		shape := labtest.Shape{Plain: true, LogBytes: 1000}
		if i%30 == 0 {
			shape.LogBytes = 2 << 20
		}
		keep(t, a, keeping(g.Finish(shape)))
	}
	pages, size, err := a.LivePages()
	if err == nil {
		err = a.Close()
	}
	if err == nil {
		whole, err = os.ReadFile(path)
	}
	if err != nil {
		t.Fatal(err)
	}
	for id := range pages {
		if at := id * size; binary.NativeEndian.Uint16(whole[at+8:]) == 1 {
			branches = append(branches, at)
		}
	}
	slices.Sort(branches)
	return path, whole, branches
}

// TestPagesThatLeadBack: a branch page that leads to itself is one over which bbolt uses
// up the stack or the memory, which ends the process whatever it does about it. It is
// told of, in a file that is looked at in part, too, and other runs can be read where it
// is one of a run.
func TestPagesThatLeadBack(t *testing.T) {
	path, whole, branches := branched(t)
	opt := options()
	refused, part, late := 0, 0, 0
	for _, size := range []int64{1 << 30, 0} {
		archive.WalkAtOnce(t, size)
		for _, at := range branches {
			for _, element := range []int{0, int(binary.NativeEndian.Uint16(whole[at+10:])) - 1} {
				b := slices.Clone(whole)
				copy(b[at+16+16*element+8:], b[at:at+8])
				if err := os.WriteFile(path, b, 0o600); err != nil {
					t.Fatal(err)
				}
				a, err := archive.Open(path, opt)
				if err == nil {
					if err = read(a); !errors.Is(err, archive.ErrDamaged) || a.Damaged() == nil {
						t.Errorf("page at %d: read with %v", at, err)
					}
					if _, err := a.Keep(context.Background(), keeping(labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true}))); !errors.Is(err, archive.ErrDamaged) {
						t.Errorf("page at %d: kept with %v", at, err)
					}
					a.Close()
					late++
				} else {
					if refused++; !errors.Is(err, archive.ErrDamaged) || fault.HintOf(err) == "" {
						t.Errorf("page at %d: %v", at, err)
					}
					if a, e := archive.OpenDamaged(path, err, time.Second); e == nil {
						read(a)
						a.Close()
						part++
					}
				}
				if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, b) {
					t.Errorf("page at %d: the file was written to (%v)", at, err)
				}
				if len(examine(t, path)) == 0 {
					t.Errorf("page at %d: the check finds nothing", at)
				}
			}
		}
	}
	t.Logf("of %d branch pages: %d times refused, %d of them read in part, %d times met when a run was read", len(branches), refused, part, late)
	if refused == part || part == 0 || late == 0 {
		t.Error("not all kinds of trees have a branch page")
	}
}

// TestPagesThatLeadBackLater: the same in a file that is served and looked over.
func TestPagesThatLeadBackLater(t *testing.T) {
	path, whole, branches := branched(t)
	for _, at := range branches {
		if err := os.WriteFile(path, whole, 0o600); err != nil {
			t.Fatal(err)
		}
		a := open(t, path)
		b := slices.Clone(whole)
		copy(b[at+16+8:], b[at:at+8])
		if err := os.WriteFile(path, b, 0o600); err != nil { // which bbolt sees at once
			t.Fatal(err)
		}
		if err := a.LookOver(context.Background()); !errors.Is(err, archive.ErrDamaged) {
			t.Errorf("page at %d: looked over with %v", at, err)
		}
		if err := read(a); !errors.Is(err, archive.ErrDamaged) {
			t.Errorf("page at %d: read with %v", at, err)
		}
		a.Close()
	}
}

// TestDamagedPagesWhileExamined: pages of a run that come to lead back, or over which
// bbolt panics, once a check has read them and before it looks at the run, are found at
// that run. The others are looked at all the same, and nothing is written any more.
func TestDamagedPagesWhileExamined(t *testing.T) {
	path, whole, branches := branched(t)
	archive.WalkAtOnce(t, 0)
	write := func(b []byte) {
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Error(err)
		}
	}
	of := 0
	for _, at := range branches {
		if of == 12 {
			break
		}
		back, other := slices.Clone(whole), slices.Clone(whole)
		copy(back[at+16+8:], back[at:at+8])
		other[4096*binary.NativeEndian.Uint64(other[at+16+8:])] ^= 1 // says that it is another page
		for _, b := range [][]byte{back, other} {
			write(back)
			a, err := archive.Open(path, options())
			if err != nil {
				continue // it is no run's
			}
			of++
			write(whole)
			var last int64
			examine := func(progress func(pages, total int64)) (n archive.Checked, found []string) {
				n, err := a.Examine(t.Context(), archive.Examination{Found: func(f archive.Finding) { found = append(found, f.String()) }, Progress: progress})
				if err != nil {
					t.Error(err)
				}
				return n, found
			}
			if _, found := examine(func(pages, total int64) {
				if total == 0 {
					last = pages
				}
			}); len(found) > 0 {
				t.Errorf("untouched: found %q", found)
			}
			n, found := examine(func(pages, total int64) {
				if total == 0 && pages == last {
					write(b)
				}
			})
			if !slices.ContainsFunc(found, func(f string) bool { return strings.HasPrefix(f, "run ") }) || n.Runs != 60 {
				t.Errorf("page at %d: of %d runs, found %q", at, n.Runs, found)
			}
			if a.Damaged() == nil {
				t.Errorf("page at %d: it is still written to", at)
			}
			a.Close()
		}
	}
	if of == 0 {
		t.Error("no run has a branch page")
	}
}

// TestFreePagesWithoutEnd: bbolt makes room for as many free pages as its list is said
// to have, before anything can stop it.
func TestFreePagesWithoutEnd(t *testing.T) {
	path, whole, _ := branched(t)
	lists := 0
	for at := 0; at < len(whole); at += 4096 {
		if binary.NativeEndian.Uint64(whole[at:]) == uint64(at/4096) && binary.NativeEndian.Uint16(whole[at+8:]) == 16 {
			binary.NativeEndian.PutUint16(whole[at+10:], 0xFFFF)
			binary.NativeEndian.PutUint64(whole[at+16:], 1<<40)
			lists++
		}
	}
	if err := os.WriteFile(path, whole, 0o600); err != nil || lists == 0 {
		t.Fatal(err, lists)
	}
	for _, size := range []int64{1 << 30, 0} {
		archive.WalkAtOnce(t, size)
		if _, err := archive.Open(path, options()); !errors.Is(err, archive.ErrDamaged) || fault.HintOf(err) == "" {
			t.Errorf("opened with %v", err)
		}
	}
}

// TestCutWhileExamined: a file that is cut, or whose first pages go bad, once a check has
// read its pages or while it looks at the runs, as one does that another file is copied
// over. That is a finding, and the check ends.
func TestCutWhileExamined(t *testing.T) {
	path, whole, _ := branched(t)
	var last int64
	read := func(pages, total int64) bool { return total == 0 && pages == last }
	looked := func(done, total int64) bool { return total > 0 }
	for what, x := range map[string]struct {
		with []byte
		when func(done, total int64) bool
	}{
		"cut, read":              {nil, read},
		"cut, looked at":         {nil, looked},
		"first pages, read":      {append(make([]byte, 2*4096), whole[2*4096:]...), read},
		"first pages, looked at": {append(make([]byte, 2*4096), whole[2*4096:]...), looked},
	} {
		if err := os.WriteFile(path, whole, 0o600); err != nil {
			t.Fatal(err)
		}
		examine := func(progress func(done, total int64)) (found []string) {
			_, err := archive.ExamineFile(t.Context(), path, "", archive.Examination{Found: func(f archive.Finding) { found = append(found, f.String()) }, Progress: progress})
			if err != nil {
				t.Errorf("%s: %v", what, err)
			}
			return found
		}
		if found := examine(func(pages, total int64) {
			if total == 0 {
				last = pages
			}
		}); len(found) > 0 {
			t.Errorf("untouched: found %q", found)
		}
		changed := false
		found := examine(func(done, total int64) {
			if changed || !x.when(done, total) {
				return
			}
			changed = true
			if err := os.WriteFile(path, x.with, 0o600); err != nil {
				t.Error(err)
			}
		})
		if !slices.ContainsFunc(found, func(f string) bool { return strings.Contains(f, archive.ErrDamaged.Error()) }) {
			t.Errorf("%s: found %q", what, found)
		}
	}
}
