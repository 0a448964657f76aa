package spool_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/spool"
)

func TestMain(m *testing.M) {
	labtest.Roles(map[string]func([]string) error{"spooler": spoolUntilKilled, "thinner": thinUntilKilled})
	os.Exit(m.Run())
}

func open(t testing.TB, dir string) *spool.Spool {
	t.Helper()
	s, err := spool.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func put(t testing.TB, s *spool.Spool, run labtest.Run) {
	t.Helper()
	if err := s.Put(run.Item(spool.Embedded), run.Openers()); err != nil {
		t.Fatal(err)
	}
}

// pending lists the items by id and wants no complaint.
func pending(t testing.TB, s *spool.Spool) map[string]spool.Item {
	t.Helper()
	items, err := s.Pending()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]spool.Item{}
	for i, it := range items {
		if i > 0 && items[i-1].ID >= it.ID {
			t.Errorf("%s is listed before %s", items[i-1].ID, it.ID)
		}
		out[it.ID] = it
	}
	return out
}

// checkItem holds a listed item against the run that was put.
func checkItem(t testing.TB, it spool.Item, run labtest.Run) {
	t.Helper()
	if !bytes.Equal(it.Signed.Bytes, run.Signed.Bytes) || it.Signed.Verify() != nil || len(it.Attachments) != len(run.Attachments) {
		t.Errorf("item %s is not the run that was put", run.ID)
		return
	}
	for i, a := range run.Attachments {
		r, err := it.Part(i)
		if err != nil {
			t.Error(err)
			continue
		}
		b, err := io.ReadAll(r)
		r.Close()
		if err != nil || !bytes.Equal(b, run.Data[i]) || it.Attachments[i] != a {
			t.Errorf("part %d of %s: %d bytes of %d, %v", i, run.ID, len(b), len(run.Data[i]), err)
		}
	}
}

// litter lists what a spool holds under names that begin with a dot.
func litter(t testing.TB, dir string) (found []string) {
	t.Helper()
	for _, sub := range []string{"open", "ready", "receipts"} {
		names, err := os.ReadDir(filepath.Join(dir, sub))
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range names {
			if strings.HasPrefix(n.Name(), ".") {
				found = append(found, sub+"/"+n.Name())
			}
		}
	}
	return found
}

func TestPutAndDone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state", "spool")
	s := open(t, dir)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	runs := map[string]labtest.Run{}
	for range 6 {
		run := heron.Finish(labtest.Shape{})
		put(t, s, run)
		put(t, s, run)
		runs[run.ID] = run
	}
	s = open(t, dir)
	items := pending(t, s)
	if len(items) != len(runs) {
		t.Fatalf("%d pending", len(items))
	}
	for id, run := range runs {
		if items[id].Destination != spool.Embedded {
			t.Errorf("destination %q", items[id].Destination)
		}
		checkItem(t, items[id], run)
		if _, err := s.Receipt(id); err == nil {
			t.Error("a receipt before any")
		}
		if err := s.Done(id, []byte("receipt of "+id)); err != nil {
			t.Fatal(err)
		}
		if err := s.Done(id, []byte("receipt of "+id)); err != nil { // by another process that delivered it too
			t.Fatal(err)
		}
		put(t, s, run) // late, after its receipt
		if b, err := s.Receipt(id); err != nil || string(b) != "receipt of "+id {
			t.Errorf("%q %v", b, err)
		}
	}
	if left := pending(t, open(t, dir)); len(left) != 0 {
		t.Errorf("%d pending after their receipts", len(left))
	}
	if l := litter(t, dir); l != nil {
		t.Error(l)
	}
}

func TestPutRefuses(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	for name, damage := range labtest.InOrder(map[string]func(*labtest.Run, *spool.Item){
		"path as id":    func(_ *labtest.Run, it *spool.Item) { it.ID = "../../escaped-from-the-spool" },
		"parts missing": func(r *labtest.Run, _ *spool.Item) { r.Data = nil },
		"part altered":  func(r *labtest.Run, _ *spool.Item) { b := bytes.Clone(r.Data[0]); b[3] ^= 1; r.Data[0] = b },
		"part grew":     func(r *labtest.Run, _ *spool.Item) { r.Data[0] = append(bytes.Clone(r.Data[0]), 'x') },
		"part shrank":   func(r *labtest.Run, _ *spool.Item) { r.Data[0] = r.Data[0][:10] },
	}) {
		run := heron.Finish(labtest.Shape{Plain: true, LogBytes: 1000})
		it := run.Item(spool.Embedded)
		damage(&run, &it)
		err := s.Put(it, run.Openers())
		if err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
		if strings.HasPrefix(name, "part ") && !strings.Contains(fault.HintOf(err), "still writes") {
			t.Errorf("%s: hint %q", name, fault.HintOf(err))
		}
	}
	run := heron.Finish(labtest.Shape{Plain: true})
	gone := []func() (io.ReadCloser, error){}
	for range run.Attachments {
		gone = append(gone, func() (io.ReadCloser, error) { return nil, os.ErrNotExist })
	}
	if err := s.Put(run.Item(spool.Embedded), gone); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("file gone: %v", err)
	}
	if p, l := pending(t, s), litter(t, dir); len(p) != 0 || l != nil {
		t.Errorf("left behind: %v %v", p, l)
	}
	put(t, s, run) // what failed once can be put later
}

// TestDamagedItems: damage is told of with the place, and nothing is removed.
func TestDamagedItems(t *testing.T) {
	for name, damage := range labtest.InOrder(map[string]func(dir string) error{
		"no item.json":   func(d string) error { return os.Remove(filepath.Join(d, "item.json")) },
		"half item.json": func(d string) error { return os.Truncate(filepath.Join(d, "item.json"), 20) },
		"no record":      func(d string) error { return os.Remove(filepath.Join(d, "record")) },
		"half record":    func(d string) error { return os.Truncate(filepath.Join(d, "record"), 20) },
		"no part":        func(d string) error { return os.Remove(filepath.Join(d, "part-0")) },
		"half part":      func(d string) error { return os.Truncate(filepath.Join(d, "part-0"), 20) },
		"a stray file": func(d string) error {
			os.RemoveAll(d)
			return os.WriteFile(d, []byte("notes"), 0o600)
		},
	}) {
		dir := t.TempDir()
		s := open(t, dir)
		heron := labtest.NewRig("heron", labtest.Rand(t))
		good, bad := heron.Finish(labtest.Shape{Plain: true}), heron.Finish(labtest.Shape{Plain: true})
		put(t, s, good)
		put(t, s, bad)
		if err := damage(filepath.Join(dir, "ready", bad.ID)); err != nil {
			t.Fatal(err)
		}
		s = open(t, dir)
		items, err := s.Pending()
		if err == nil || !strings.Contains(err.Error(), bad.ID) || fault.HintOf(err) == "" {
			t.Errorf("%s: %v", name, err)
		}
		if len(items) != 1 || items[0].ID != good.ID {
			t.Errorf("%s: listed %v", name, items)
		}
		if _, err := os.Stat(filepath.Join(dir, "ready", bad.ID)); err != nil {
			t.Errorf("%s: removed: %v", name, err)
		}
	}
}

func TestDrafts(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	run := heron.Finish(labtest.Shape{})
	files := []spool.DraftFile{{Path: "/tmp/frames.csv", Name: "frames.csv", Kind: "log", How: []byte("{}")}}
	d, err := s.Begin(run.ID, "127.0.0.1:7", []byte("so far"), files, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Begin(run.ID, "x", nil, nil, nil); err == nil {
		t.Error("one run is begun twice")
	}
	if _, err := s.Begin("..", "x", nil, nil, nil); err == nil {
		t.Error("a path is begun")
	}
	other := open(t, dir) // sweeps, and must leave it alone
	if got, err := other.Orphans(); err != nil || len(got) != 0 {
		t.Fatalf("a living run is taken over: %v %v", got, err)
	}
	if err := d.Update([]byte("more")); err != nil {
		t.Fatal(err)
	}
	out, err := d.CreateOutput()
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprint(out, "score 3")
	out.Close()
	d.Release()
	got, err := other.Orphans()
	if err != nil || len(got) != 1 {
		t.Fatalf("%v %v", got, err)
	}
	o := got[0]
	b, err := o.SoFar()
	if err != nil || string(b) != "more" || o.ID != run.ID || o.Destination != "127.0.0.1:7" || len(o.Files) != 1 || o.Files[0].Path != files[0].Path || string(o.Files[0].How) != "{}" {
		t.Errorf("%q %+v %v", b, o, err)
	}
	if b, err := os.ReadFile(o.OutputPath()); err != nil || string(b) != "score 3" {
		t.Errorf("%q %v", b, err)
	}
	if again, err := s.Orphans(); err != nil || len(again) != 0 {
		t.Errorf("taken over twice: %v %v", again, err)
	}
	put(t, other, run)
	o.Release() // as if killed between Put and End
	if again, err := s.Orphans(); err != nil || len(again) != 0 {
		t.Errorf("a spooled run is taken over: %v %v", again, err)
	}
	if names, _ := os.ReadDir(filepath.Join(dir, "open")); len(names) != 0 {
		t.Errorf("the draft of a spooled run is still there: %v", names)
	}
	if err := o.End(); err != nil {
		t.Errorf("ended after it went: %v", err)
	}
}

// TestDamagedDraft is told of, kept, and hinders no other.
func TestDamagedDraft(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	for i := range 2 {
		d, err := s.Begin(heron.Finish(labtest.Shape{}).ID, "x", []byte("so far"), nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if d.Release(); i == 0 {
			os.Truncate(filepath.Join(dir, "open", d.ID, "draft.json"), 5)
		}
	}
	got, err := s.Orphans()
	if err == nil || fault.HintOf(err) == "" || len(got) != 1 {
		t.Errorf("%v %v", got, err)
	}
	if names, _ := os.ReadDir(filepath.Join(dir, "open")); len(names) != 2 {
		t.Error("removed")
	}
}

func TestFullDisk(t *testing.T) {
	dir := labtest.SmallDisk(t, "2m")
	s := open(t, dir)
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	runs := map[string]labtest.Run{}
	failed := 0
	for range 40 {
		run := heron.Finish(labtest.Shape{LogBytes: 1 + r.IntN(200<<10), Plain: true})
		if err := s.Put(run.Item("x"), run.Openers()); err != nil {
			failed++
			if fault.HintOf(err) == "" {
				t.Error(err)
			}
			continue
		}
		runs[run.ID] = run
	}
	if failed == 0 || len(runs) == 0 {
		t.Fatalf("%d put, %d failed: the disk is not as small as it should be", len(runs), failed)
	}
	for err := error(nil); err == nil; { // and not a byte is left
		var f *os.File
		if f, err = os.OpenFile(filepath.Join(dir, "ballast"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600); err == nil {
			_, err = f.Write(make([]byte, 4096))
			f.Close()
		}
	}
	late := heron.Finish(labtest.Shape{Plain: true})
	if _, err := s.Begin(late.ID, "x", late.Signed.Bytes, nil, nil); err == nil || fault.HintOf(err) == "" {
		t.Errorf("begun on a full disk: %v", err)
	}
	if err := s.Done(late.ID, bytes.Repeat([]byte("r"), 5000)); err == nil {
		t.Error("a receipt without room for it was kept")
	}
	s = open(t, dir)
	if l := litter(t, dir); l != nil {
		t.Error(l)
	}
	items := pending(t, s)
	if len(items) != len(runs) {
		t.Errorf("%d pending, %d put", len(items), len(runs))
	}
	for id, run := range runs {
		checkItem(t, items[id], run)
		receipt := bytes.Repeat([]byte("receipt "), 400)
		if err := s.Done(id, receipt); err != nil {
			t.Errorf("a full spool cannot empty itself: %v", err)
		}
		if b, err := s.Receipt(id); err != nil || !bytes.Equal(b, receipt) {
			t.Errorf("receipt of %d bytes, %v", len(b), err)
		}
	}
	put(t, s, late)
	t.Logf("%d put, %d failed", len(runs), failed)
}
