package archive_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/series"
	"witnessmark/internal/trail"
)

const origin = "collector.dome.example/trail"

func TestMain(m *testing.M) {
	labtest.Roles(map[string]func([]string) error{"keeper": keepUntilKilled})
	os.Exit(m.Run())
}

func options() archive.Options {
	return archive.Options{Key: labtest.Key(labtest.Seeded(7)), Origin: origin, Now: time.Now, Wait: 5 * time.Second}
}

func open(t testing.TB, path string) *archive.Archive {
	t.Helper()
	a, err := archive.Open(path, options())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

func fresh(t testing.TB) *archive.Archive { return open(t, filepath.Join(t.TempDir(), "archive.db")) }

// keeping is what a collector would have kept of the run.
func keeping(run labtest.Run) archive.Keeping {
	k := archive.Keeping{
		ID: run.ID, Started: run.Started, Signed: run.Signed, Summary: []byte("summary of " + run.ID),
		Labels: archive.Labels{Rig: run.Rig, Workload: run.Workload.Name, Standing: run.Exit.Outcome, Played: run.Played != ""},
	}
	if run.Setup != nil {
		k.Labels.Setup = run.Setup.Label
	}
	for i, a := range run.Attachments {
		k.Parts = append(k.Parts, archive.Part{Name: a.Name, Data: run.Data[i]})
	}
	for _, l := range run.Logs {
		k.Series = append(k.Series, archive.Part{Name: l.Attachment, Data: series.Encode(nil, []int64{int64(l.Rows), 1})})
	}
	return k
}

// declared is keeping with the run's setup file beside it.
func declared(run labtest.Run) archive.Keeping {
	k := keeping(run)
	k.Setup = run.Setup
	return k
}

func keep(t testing.TB, a *archive.Archive, k archive.Keeping) archive.Kept {
	t.Helper()
	kept, err := a.Keep(context.Background(), k)
	if err != nil {
		t.Fatal(err)
	}
	return kept
}

// checkRun holds everything that is kept of a run against the run.
func checkRun(t testing.TB, a *archive.Archive, run labtest.Run, receipt trail.Receipt) {
	t.Helper()
	st, err := a.Run(run.ID)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(st.Signed.Bytes, run.Signed.Bytes) || !bytes.Equal(st.Signed.Signature, run.Signed.Signature) ||
		!st.Signed.PublicKey.Equal(run.Signed.PublicKey) || string(st.Summary) != "summary of "+run.ID {
		t.Errorf("run %s comes back otherwise", run.ID)
	}
	known, err := a.Line()
	if err != nil {
		t.Fatal(err)
	}
	e, _, err := st.Receipt.Check(known, trail.KindRecord, run.Signed.SHA256())
	if err != nil || e.Subject != run.ID || e.Actor != run.Rig || e.Length != int64(len(run.Signed.Bytes)) {
		t.Errorf("receipt of %s: %+v, %v", run.ID, e, err)
	}
	if !sameReceipt(st.Receipt, receipt) {
		t.Errorf("run %s: the receipt that is stored is not the one that was given", run.ID)
	}
	for i, p := range run.Attachments {
		if b, err := a.Part(run.ID, p.Name); err != nil || !bytes.Equal(b, run.Data[i]) {
			t.Errorf("attachment %s of %s: %d bytes of %d, %v", p.Name, run.ID, len(b), len(run.Data[i]), err)
		}
	}
	for _, s := range keeping(run).Series {
		if b, err := a.Series(run.ID, s.Name); err != nil || !bytes.Equal(b, s.Data) {
			t.Errorf("series %s of %s: %v", s.Name, run.ID, err)
		}
	}
	if id, ok, err := a.ByHash(run.Signed.SHA256()); id != run.ID || !ok || err != nil {
		t.Errorf("by hash: %q %v %v", id, ok, err)
	}
}

func sameReceipt(a, b trail.Receipt) bool {
	return a.Index == b.Index && a.Size == b.Size && bytes.Equal(a.Leaf, b.Leaf) && bytes.Equal(a.Head, b.Head)
}

func checkAll(t testing.TB, a *archive.Archive, runs int, entries int64) {
	t.Helper()
	n, err := a.Check(context.Background())
	if err != nil || n.Runs != runs || n.Entries != entries {
		t.Errorf("check: %+v, want %d runs and %d entries; %v", n, runs, entries, err)
	}
}

func TestKeepAndReopen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a", "b", "archive.db")
	a := open(t, path)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	var runs []labtest.Run
	var receipts []trail.Receipt
	for range 10 {
		run := heron.Finish(labtest.Shape{})
		kept := keep(t, a, keeping(run))
		if !kept.Fresh || kept.Receipt.Index != int64(len(runs)) {
			t.Fatalf("%+v", kept)
		}
		runs, receipts = append(runs, run), append(receipts, kept.Receipt)
	}
	run := heron.Finish(labtest.Shape{LogBytes: 300 << 10}) // several chunks
	runs, receipts = append(runs, run), append(receipts, keep(t, a, keeping(run)).Receipt)
	for i := range runs {
		again, err := a.Keep(context.Background(), keeping(runs[i]))
		if err != nil || again.Fresh || !sameReceipt(again.Receipt, receipts[i]) {
			t.Errorf("kept a second time: %v %v", again.Fresh, err)
		}
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Keep(context.Background(), keeping(run)); !errors.Is(err, archive.ErrClosed) {
		t.Errorf("keep after close: %v", err)
	}
	if _, err := a.Run(run.ID); err == nil {
		t.Error("a closed archive is read")
	}
	if err := a.Close(); err != nil {
		t.Errorf("closed twice: %v", err)
	}
	a = open(t, path)
	for i := range runs {
		checkRun(t, a, runs[i], receipts[i])
	}
	checkAll(t, a, len(runs), int64(len(runs)))
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info.Mode(), err)
	}
}

func TestConflict(t *testing.T) {
	a := fresh(t)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	first := heron.Finish(labtest.Shape{})
	kept := keep(t, a, keeping(first))
	other := *first.Run
	other.Elapsed++
	second := heron.Sign(&other, first.Data)
	if _, err := a.Keep(context.Background(), keeping(second)); !errors.Is(err, archive.ErrConflict) {
		t.Fatalf("another record under one id: %v", err)
	}
	k := keeping(first) // the same bytes under another id
	k.ID = heron.Finish(labtest.Shape{}).ID
	if _, err := a.Keep(context.Background(), k); err == nil {
		t.Fatal("one record under two ids")
	}
	checkRun(t, a, first, kept.Receipt)
	checkAll(t, a, 1, 1)
}

// TestManyWriters has writers that compete, half of them with the same runs.
func TestManyWriters(t *testing.T) {
	a := fresh(t)
	const writers, each = 16, 12
	r := labtest.Rand(t)
	shared := labtest.NewRig("heron", r)
	var common []labtest.Run
	for range each {
		common = append(common, shared.Finish(labtest.Shape{}))
	}
	var mu sync.Mutex
	given := map[string]trail.Receipt{}
	runs := map[string]labtest.Run{}
	newly := 0
	var wg sync.WaitGroup
	for w := range writers {
		mine := common
		if w%2 == 0 {
			g := labtest.NewRig("plover", labtest.Seeded(r.Uint64()))
			mine = nil
			for range each {
				mine = append(mine, g.Finish(labtest.Shape{}))
			}
		}
		wg.Go(func() {
			for _, run := range mine {
				kept, err := a.Keep(context.Background(), keeping(run))
				if err != nil {
					t.Errorf("%s: %v", run.ID, err)
					return
				}
				mu.Lock()
				if old, ok := given[run.ID]; ok && !sameReceipt(old, kept.Receipt) {
					t.Errorf("two receipts for %s", run.ID)
				}
				if kept.Fresh {
					newly++
				}
				given[run.ID], runs[run.ID] = kept.Receipt, run
				mu.Unlock()
			}
		})
	}
	wg.Go(func() {
		for range 3 {
			if _, err := a.Check(context.Background()); err != nil {
				t.Errorf("beside writers: %v", err)
			}
		}
	})
	wg.Wait()
	want := each + writers/2*each
	if newly != want || len(given) != want {
		t.Errorf("%d fresh and %d in all, want %d", newly, len(given), want)
	}
	for id, run := range runs {
		checkRun(t, a, run, given[id])
	}
	checkAll(t, a, want, int64(want))
}

// TestOneBadCallInABatch must not take the others down with it.
func TestOneBadCallInABatch(t *testing.T) {
	a := fresh(t)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	bad := keeping(heron.Finish(labtest.Shape{}))
	bad.Labels.Rig = "a\nb" // the trail takes no such actor
	var wg sync.WaitGroup
	for range 20 {
		run := heron.Finish(labtest.Shape{})
		wg.Go(func() {
			if _, err := a.Keep(context.Background(), keeping(run)); err != nil {
				t.Error(err)
			}
		})
		wg.Go(func() {
			if _, err := a.Keep(context.Background(), bad); !errors.Is(err, trail.ErrMalformed) {
				t.Errorf("%v", err)
			}
		})
	}
	wg.Wait()
	checkAll(t, a, 20, 20)
}

func TestKeepEndsWithItsContext(t *testing.T) {
	a := fresh(t)
	ctx, cancel := context.WithCancelCause(context.Background())
	cancel(errors.New("the rig hung up"))
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{})
	kept, err := a.Keep(ctx, keeping(run)) // either is right, but not half of each
	if n, _ := a.Check(context.Background()); err == nil != (n.Runs == 1) || err == nil != kept.Fresh {
		t.Errorf("%v, and %d runs kept", err, n.Runs)
	}
}

func TestRefusedFiles(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "archive.db")
	a := open(t, path)
	busy := options()
	busy.Wait = 50 * time.Millisecond
	if _, err := archive.Open(path, busy); !errors.Is(err, archive.ErrBusy) || fault.HintOf(err) == "" {
		t.Errorf("open twice: %v", err)
	}
	keep(t, a, keeping(labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{})))
	a.Close()

	other := options()
	other.Key = labtest.Key(labtest.Seeded(8))
	if _, err := archive.Open(path, other); err == nil || !strings.Contains(err.Error(), "another key signs its trail") || !strings.Contains(fault.HintOf(err), "put the key of the trail beside it") {
		t.Errorf("another key: %v, hint: %s", err, fault.HintOf(err))
	}
	a = open(t, path)
	if err := a.Damage(func(tx *bolt.Tx) error { return tx.Bucket([]byte("meta")).Put([]byte("format"), []byte("2")) }); err != nil {
		t.Fatal(err)
	}
	a.Close()
	if _, err := archive.Open(path, options()); err == nil || !strings.Contains(err.Error(), `format "2"`) {
		t.Errorf("another format: %v", err)
	}

	foreign := filepath.Join(dir, "foreign.db")
	db, err := bolt.Open(foreign, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Update(func(tx *bolt.Tx) error { _, err := tx.CreateBucket([]byte("songs")); return err }); err != nil {
		t.Fatal(err)
	}
	db.Close()
	before, _ := os.ReadFile(foreign)
	if _, err := archive.Open(foreign, options()); err == nil || !strings.Contains(err.Error(), "songs") {
		t.Errorf("another program's database: %v", err)
	}
	if after, _ := os.ReadFile(foreign); !bytes.Equal(before, after) {
		t.Error("another program's database was written to")
	}
	junk := filepath.Join(dir, "junk.db")
	os.WriteFile(junk, bytes.Repeat([]byte("junk"), 20000), 0o600)
	if _, err := archive.Open(junk, options()); err == nil {
		t.Error("junk was opened")
	}
	empty, round := filepath.Join(dir, "empty.db"), filepath.Join(dir, "round.db")
	if err := errors.Join(os.WriteFile(empty, nil, 0o600), os.Symlink(round, round)); err != nil {
		t.Fatal(err)
	}
	if _, err := archive.OpenReadOnly(empty, "", time.Second); !errors.Is(err, archive.ErrDamaged) {
		t.Errorf("an empty file, to be read: %v", err)
	}
	for _, path := range []string{round, filepath.Join(junk, "archive.db")} { // which the system opens for nobody
		if _, err := archive.Open(path, options()); err == nil || fault.HintOf(err) == "" {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// TestDamagedTrail alters a stored hash: nothing is signed over it any more.
func TestDamagedTrail(t *testing.T) {
	path := filepath.Join(t.TempDir(), "archive.db")
	a := open(t, path)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	for range 5 {
		keep(t, a, keeping(heron.Finish(labtest.Shape{})))
	}
	if err := a.Damage(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte("trail/hashes"))
		k, _ := b.Cursor().Last()
		return b.Put(bytes.Clone(k), make([]byte, 32))
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Keep(context.Background(), keeping(heron.Finish(labtest.Shape{}))); !errors.Is(err, trail.ErrStore) {
		t.Errorf("kept over an altered tree: %v", err)
	}
	if _, err := a.Check(context.Background()); err == nil {
		t.Error("the check finds nothing")
	}
	a.Close()
	if _, err := archive.Open(path, options()); !errors.Is(err, trail.ErrStore) {
		t.Errorf("opened: %v", err)
	}
}

// TestFullDisk fills a small disk: what fails leaves nothing, what was kept
// stays, and what fits is taken again.
func TestFullDisk(t *testing.T) {
	path := filepath.Join(labtest.SmallDisk(t, "1500k"), "archive.db")
	a := open(t, path)
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	kept := map[string]trail.Receipt{}
	runs := map[string]labtest.Run{}
	failed := 0
	for i := range 30 {
		size := 200 << 10
		if i%3 == 2 {
			size = 100
		}
		run := heron.Finish(labtest.Shape{LogBytes: size, Plain: true})
		k, err := a.Keep(context.Background(), keeping(run))
		if err != nil {
			failed++
			if _, err := a.Run(run.ID); !errors.Is(err, archive.ErrNotFound) {
				t.Fatalf("a run that was not kept is there: %v", err)
			}
			if _, ok, _ := a.ByHash(run.Signed.SHA256()); ok {
				t.Fatal("a run that was not kept is known by its hash")
			}
			continue
		}
		kept[run.ID], runs[run.ID] = k.Receipt, run
	}
	if failed == 0 || len(kept) == 0 {
		t.Fatalf("%d kept and %d failed: the disk is not as small as it should be", len(kept), failed)
	}
	for id, run := range runs {
		checkRun(t, a, run, kept[id])
	}
	checkAll(t, a, len(kept), int64(len(kept)))
	a.Close()
	a = open(t, path)
	checkAll(t, a, len(kept), int64(len(kept)))
	t.Logf("%d kept, %d failed", len(kept), failed)
}
