package archive_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/internal/archive"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

var day = time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC)

// crowd fills an archive with runs of which many begin at the same time.
func crowd(t *testing.T, a *archive.Archive, n int) (rows []archive.Row) {
	r := labtest.Rand(t)
	rigs := map[string]*labtest.Rig{}
	for _, name := range []string{"heron", "heron 2", "h", "plover"} {
		rigs[name] = labtest.NewRig(name, r)
	}
	var wg sync.WaitGroup
	for i := range n {
		name := []string{"heron", "heron 2", "h", "plover"}[r.IntN(4)]
		run := rigs[name].Finish(labtest.Shape{Workload: []string{"orrery", "orrery ", "dome-encode"}[r.IntN(3)]})
		copied := *run.Run
		copied.Started = day.Add(time.Duration(r.IntN(40)) * time.Minute)
		if i == 0 {
			copied.Started = time.Unix(-1e9, 0).UTC() // a clock that was never set sorts before all
		}
		k := keeping(rigs[name].Sign(&copied, run.Data))
		k.Labels.Standing = []string{"clean", "caution", "void"}[r.IntN(3)]
		rows = append(rows, archive.Row{ID: k.ID, Started: k.Started, Labels: k.Labels, Summary: k.Summary})
		wg.Go(func() {
			if _, err := a.Keep(context.Background(), k); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	return rows
}

// naive answers a query from a plain list.
func naive(rows []archive.Row, q archive.Query) []string {
	rows = slices.Clone(rows)
	slices.SortFunc(rows, func(a, b archive.Row) int {
		return cmp.Or(b.Started.Compare(a.Started), strings.Compare(b.ID, a.ID))
	})
	var out []string
	for _, r := range rows {
		l := r.Labels
		if (q.Rig == "" || q.Rig == l.Rig) && (q.Workload == "" || q.Workload == l.Workload) && (q.Setup == "" || q.Setup == l.Setup) &&
			(q.Standing == "" || q.Standing == l.Standing) && !r.Started.Before(q.From) && (q.Before.IsZero() || r.Started.Before(q.Before)) {
			out = append(out, fmt.Sprint(r.ID, r.Started, r.Labels, string(r.Summary)))
		}
	}
	if q.Limit > 0 {
		out = out[:min(q.Limit, len(out))]
	}
	return out
}

func listed(a *archive.Archive, q archive.Query) (out []string, err error) {
	err = a.Runs(context.Background(), q, func(r archive.Row) error {
		out = append(out, fmt.Sprint(r.ID, r.Started, r.Labels, string(r.Summary)))
		return nil
	})
	return out, err
}

func TestListings(t *testing.T) {
	a := fresh(t)
	rows := crowd(t, a, 120)
	moments := []time.Time{{}, day, day.Add(time.Minute), day.Add(20 * time.Minute), day.Add(39 * time.Minute), day.Add(40 * time.Minute),
		day.Add(time.Nanosecond), day.Add(-1), time.Unix(0, 0), time.Date(1500, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(3000, 1, 1, 0, 0, 0, 0, time.UTC)}
	rapid.Check(t, func(t *rapid.T) {
		a.SetPage(rapid.SampledFrom([]int{2, 3, 7, 256}).Draw(t, "page"))
		q := archive.Query{
			Rig:      rapid.SampledFrom([]string{"", "heron", "h", "plover", "nobody"}).Draw(t, "rig"),
			Workload: rapid.SampledFrom([]string{"", "orrery", "orrery ", "dome-encode"}).Draw(t, "workload"),
			Setup:    rapid.SampledFrom([]string{"", "memory-rated", "memory-default"}).Draw(t, "setup"),
			Standing: rapid.SampledFrom([]string{"", "clean", "void"}).Draw(t, "standing"),
			From:     rapid.SampledFrom(moments).Draw(t, "from"),
			Before:   rapid.SampledFrom(moments).Draw(t, "before"),
			Limit:    rapid.SampledFrom([]int{0, 1, 2, 10, 1000}).Draw(t, "limit"),
		}
		got, err := listed(a, q)
		if want := naive(rows, q); err != nil || !slices.Equal(got, want) {
			t.Fatalf("%d rows, want %d; %v", len(got), len(want), err)
		}
	})
}

func TestListingStops(t *testing.T) {
	a := fresh(t)
	crowd(t, a, 20)
	a.SetPage(4)
	enough := errors.New("enough")
	n := 0
	if err := a.Runs(context.Background(), archive.Query{}, func(archive.Row) error {
		if n++; n == 6 {
			return enough
		}
		return nil
	}); !errors.Is(err, enough) || n != 6 {
		t.Errorf("%d rows, %v", n, err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	n = 0
	if err := a.Runs(ctx, archive.Query{}, func(archive.Row) error { n++; cancel(); return nil }); !errors.Is(err, context.Canceled) || n > 4 {
		t.Errorf("%d rows after the end, %v", n, err)
	}
	if got, err := listed(fresh(t), archive.Query{Rig: "heron"}); err != nil || got != nil {
		t.Errorf("an empty archive lists %v, %v", got, err)
	}
}

// TestKeepWhileListing: a listing holds no transaction while its reader thinks.
func TestKeepWhileListing(t *testing.T) {
	a := fresh(t)
	crowd(t, a, 10)
	a.SetPage(2)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	n := 0
	if err := a.Runs(context.Background(), archive.Query{}, func(archive.Row) error {
		n++
		keep(t, a, keeping(heron.Finish(labtest.Shape{LogBytes: 200 << 10}))) // the file grows
		return nil
	}); err != nil || n < 10 {
		t.Errorf("%d rows, %v", n, err)
	}
}

func TestResolve(t *testing.T) {
	a := fresh(t)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	var ids []string
	for range 30 {
		run := heron.Finish(labtest.Shape{})
		keep(t, a, keeping(run))
		ids = append(ids, run.ID)
	}
	rapid.Check(t, func(t *rapid.T) {
		id := rapid.SampledFrom(ids).Draw(t, "id")
		s := id
		if rapid.Bool().Draw(t, "last part") {
			s = id[16:]
		}
		s = s[:rapid.IntRange(1, len(s)).Draw(t, "letters")]
		fit := 0
		for _, id := range ids {
			if strings.HasPrefix(id, s) || strings.HasPrefix(id[16:], s) {
				fit++
			}
		}
		got, err := a.Resolve(s)
		if fit == 1 && (err != nil || got != id) || fit > 1 && (!errors.Is(err, archive.ErrAmbiguous) || fault.HintOf(err) == "") {
			t.Fatalf("%q fits %d: %q, %v", s, fit, got, err)
		}
	})
	for _, s := range []string{"", "u", "\x00", strings.Repeat("9", 40000)} {
		if got, err := a.Resolve(s); !errors.Is(err, archive.ErrNotFound) {
			t.Errorf("%.20q: %q, %v", s, got, err)
		}
	}
}

func TestNotKept(t *testing.T) {
	a := fresh(t)
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true})
	keep(t, a, keeping(run))
	_, err1 := a.Run("20310302-090312-k7q2m9xd")
	_, err2 := a.Part(run.ID, "other.csv")
	_, err3 := a.Series("", run.Logs[0].Attachment)
	for _, err := range []error{err1, err2, err3} {
		if !errors.Is(err, archive.ErrNotFound) {
			t.Errorf("%v", err)
		}
	}
}

func TestMarksAndRigs(t *testing.T) {
	a := fresh(t)
	r := labtest.Rand(t)
	heron, plover := labtest.NewRig("heron", r), labtest.NewRig("plover", r)
	var runs []labtest.Run
	for range 3 {
		run := heron.Finish(labtest.Shape{Setup: "memory-rated"})
		keep(t, a, keeping(run))
		runs = append(runs, run)
	}
	late := plover.Finish(labtest.Shape{})
	keep(t, a, keeping(late))
	if _, ok, err := a.Mark("heron", "memory-rated"); ok || err != nil {
		t.Fatalf("a mark before any: %v", err)
	}
	entries := int64(4)
	for i, run := range runs[:2] {
		m, receipt, err := a.AcceptMark(archive.Mark{Rig: "heron", Setup: "memory-rated", RunID: run.ID, By: "keeper", Why: "checked by hand"}, run.Signed.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		e, _, err := receipt.Check(labtest.Verifiers(t, a.VerifierKey()), trail.KindMark, run.Signed.SHA256())
		if err != nil || e.Subject != "heron/memory-rated" || e.Actor != "keeper" || !strings.Contains(e.Text, run.ID) || receipt.Index != entries || m.Index != entries || !m.At.Equal(e.At) {
			t.Errorf("%+v at %d, %v", e, receipt.Index, err)
		}
		entries++
		if got, ok, err := a.Mark("heron", "memory-rated"); !ok || err != nil || got != m {
			t.Errorf("mark %d: %+v, %v", i, got, err)
		}
	}
	for _, q := range [][2]string{{"heron", ""}, {"heron", "memory"}, {"her", "memory-rated"}, {"plover", "memory-rated"}} {
		if _, ok, err := a.Mark(q[0], q[1]); ok || err != nil {
			t.Errorf("%q has a mark, %v", q, err)
		}
	}
	for _, m := range []archive.Mark{{Rig: "heron", RunID: "20310302-090312-k7q2m9xd", By: "keeper"}, {Rig: "heron", RunID: runs[0].ID}} {
		if _, _, err := a.AcceptMark(m, runs[0].Signed.Bytes); err == nil {
			t.Errorf("accepted: %+v", m)
		}
	}
	rigs, err := a.Rigs()
	if err != nil || len(rigs) != 2 {
		t.Fatalf("%v %v", rigs, err)
	}
	h := rigs[0]
	if h.Name != "heron" || h.Runs != 3 || h.LastRun != runs[2].ID || !h.LastStarted.Equal(runs[2].Started) || h.LastSetup != "memory-rated" ||
		!h.Key.Equal(runs[0].Signed.PublicKey) || !slices.Equal(h.Marked, []string{"memory-rated"}) {
		t.Errorf("%+v", h)
	}
	if k, err := a.LastKey("plover"); err != nil || !k.Equal(late.Signed.PublicKey) {
		t.Errorf("%v", err)
	}
	if k, err := a.LastKey("avocet"); err != nil || k != nil {
		t.Errorf("%v", err)
	}
	checkAll(t, a, 4, entries)
}

// TestClockBehindWhileListing has a rig whose clock was set back an hour deliver
// while others read: whatever was kept before is listed once, page by page or by
// asking anew for what is older, and nothing twice.
func TestClockBehindWhileListing(t *testing.T) {
	heron := labtest.NewRig("heron", labtest.Rand(t))
	at := func(wall time.Time) archive.Keeping {
		run := heron.Finish(labtest.Shape{})
		copied := *run.Run
		copied.Started = wall
		return keeping(heron.Sign(&copied, run.Data))
	}
	for name, list := range labtest.InOrder(map[string]func(*archive.Archive, func(archive.Row) error) error{
		"pages": func(a *archive.Archive, f func(archive.Row) error) error {
			return a.Runs(context.Background(), archive.Query{Rig: "heron"}, f)
		},
		"asked anew": func(a *archive.Archive, f func(archive.Row) error) error {
			var before time.Time
			for n := 3; n == 3; {
				n = 0
				if err := a.Runs(context.Background(), archive.Query{Before: before, Limit: 3}, func(r archive.Row) error {
					n, before = n+1, r.Started
					return f(r)
				}); err != nil {
					return err
				}
			}
			return nil
		},
	}) {
		a := fresh(t)
		a.SetPage(3)
		kept := map[string]bool{}
		for i := range 12 {
			wall := day.Add(time.Duration(i) * 10 * time.Minute)
			if i >= 6 {
				wall = wall.Add(-time.Hour + time.Second) // among those of before
			}
			k := at(wall)
			keep(t, a, k)
			kept[k.ID] = true
		}
		seen, late := map[string]int{}, 0
		if err := list(a, func(r archive.Row) error {
			seen[r.ID]++
			late++
			keep(t, a, at(day.Add(time.Duration(late)*7*time.Minute+time.Millisecond)))
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		for id := range kept {
			if seen[id] == 0 {
				t.Errorf("%s: run %s is not listed", name, id)
			}
		}
		for id, n := range seen {
			if n > 1 {
				t.Errorf("%s: run %s is listed %d times", name, id, n)
			}
		}
	}
}
