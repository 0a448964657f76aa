package archive_test

import (
	"errors"
	"slices"
	"testing"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
)

// TestKept: runs come in the order in which they were kept, whatever their start,
// other entries of the trail are passed over, and a listing goes on where it ended.
func TestKept(t *testing.T) {
	a := fresh(t)
	a.SetPage(3)
	g := labtest.NewRig("heron", labtest.Rand(t))
	var want []string
	add := func(n int) {
		for range n {
			r := g.Finish(labtest.Shape{})
			keep(t, a, keeping(r))
			want = append(want, r.ID)
		}
	}
	add(7)
	first := g.Finish(labtest.Shape{})
	keep(t, a, keeping(first))
	want = append(want, first.ID)
	if _, _, err := a.AcceptMark(archive.Mark{Rig: "heron", RunID: first.ID, By: "keeper"}, first.Signed.Bytes); err != nil {
		t.Fatal(err)
	}
	read := func(from int64) (ids []string, next int64) {
		t.Helper()
		last := from - 1
		next, err := a.Kept(from, func(index int64, id string) error {
			if index <= last {
				t.Errorf("entry %d after %d", index, last)
			}
			last, ids = index, append(ids, id)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return ids, next
	}
	got, next := read(0)
	if !slices.Equal(got, want) || next != 9 {
		t.Fatalf("got %v up to %d, want %v up to 9", got, next, want)
	}
	if got, again := read(next); len(got) != 0 || again != next {
		t.Errorf("after the end: %v, %d", got, again)
	}
	add(4)
	if got, next := read(next); !slices.Equal(got, want[8:]) || next != 13 {
		t.Errorf("later: %v up to %d", got, next)
	}
	stop := errors.New("stop")
	n := 0
	if next, err := a.Kept(0, func(int64, string) error {
		if n++; n == 5 {
			return stop
		}
		return nil
	}); !errors.Is(err, stop) || next != 4 {
		t.Errorf("stopped: %d, %v", next, err)
	}
}
