package spool_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/spool"
)

// long makes a run whose signals weigh more than the rest of it.
func long(heron *labtest.Rig, r *rand.Rand, samples int) labtest.Run {
	run := heron.Finish(labtest.Shape{LogBytes: 1 + r.IntN(3000), Plain: true})
	run.Signals = nil
	for i := range 4 {
		s := rig.Signal{Key: rig.Of("cpu", fmt.Sprint(i), "clock"), Unit: rig.MHz, Source: "/sys"}
		for k := range samples {
			s.Offsets, s.Values = append(s.Offsets, time.Duration(k)*100*time.Millisecond), append(s.Values, 3000+r.Int64N(1500))
		}
		run.Signals = append(run.Signals, s)
	}
	return heron.Sign(run.Run, run.Data)
}

func limit(t testing.TB, dir string, most int64, heron *labtest.Rig) *spool.Spool {
	s := open(t, dir)
	s.Limit(spool.Limits{Bytes: most, Free: -1}, heron.Key)
	return s
}

// rest is a run without what thinning may change.
func rest(r record.Run, remark string) record.Run {
	r.Signals, r.Remarks = nil, slices.Clone(r.Remarks)
	if n := len(r.Remarks); remark != "" && n > 0 && r.Remarks[n-1] == remark {
		r.Remarks = r.Remarks[:n-1]
	}
	return r
}

// checkThinned holds a run that waits against what was put, and gives how many
// samples are left.
func checkThinned(t testing.TB, it spool.Item, put labtest.Run) int {
	t.Helper()
	got, err := record.Decode(it.Signed.Bytes)
	if err != nil || it.Signed.Verify() != nil || !bytes.Equal(it.Signed.PublicKey, put.Signed.PublicKey) {
		t.Fatalf("%s: %v, signature %v", put.ID, err, it.Signed.Verify())
	}
	left, was := rig.Samples(got.Signals), rig.Samples(put.Signals)
	remark := fmt.Sprintf("the spool was full: the signals are thinned from %d to %d samples, evenly and with the least and the greatest of each stretch", was, left)
	if left == was {
		remark = ""
	} else if !slices.Contains(got.Remarks, remark) || len(got.Remarks) != len(put.Remarks)+1 {
		t.Errorf("%s has %d of %d samples and the remarks %q", put.ID, left, was, got.Remarks)
	}
	whole, err := record.Decode(put.Signed.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(rest(*whole, ""), rest(*got, remark), cmp.Comparer(func(a, b rig.Value) bool { return a == b }), cmpopts.EquateEmpty()); d != "" {
		t.Errorf("%s: %s", put.ID, d)
	}
	for i, s := range got.Signals {
		if len(s.Values) > 0 && slices.Max(s.Values) != slices.Max(put.Signals[i].Values) || len(s.Values) > 0 && slices.Min(s.Values) != slices.Min(put.Signals[i].Values) {
			t.Errorf("%s: a peak of %s is gone", put.ID, s.Key)
		}
	}
	for i, want := range put.Data {
		p, err := it.Part(i)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if _, err := b.ReadFrom(p); err != nil || !bytes.Equal(b.Bytes(), want) {
			t.Errorf("%s: attachment %d is not what was put: %v", put.ID, i, err)
		}
		p.Close()
	}
	return left
}

// TestThinning fills spools of random limits with random runs, some of them
// offered: nothing but signals ever changes, the oldest change first, and what
// was offered never does.
func TestThinning(t *testing.T) {
	r := labtest.Rand(t)
	for range 6 {
		heron := labtest.NewRig("heron", r)
		dir := t.TempDir()
		most := int64(60<<10 + r.IntN(400<<10))
		s := limit(t, dir, most, heron)
		var runs []labtest.Run
		offered := map[string][]byte{}
		for range 4 + r.IntN(8) {
			run := long(heron, r, 300+r.IntN(1500))
			if err := s.Put(run.Item("x"), run.Openers()); err != nil {
				t.Fatal(err)
			}
			runs = append(runs, run)
			if r.IntN(4) == 0 {
				it, err := s.Offer(run.ID)
				if err != nil {
					t.Fatal(err)
				}
				offered[run.ID] = it.Signed.Bytes
			}
		}
		room := s.Room()
		u, err := s.Usage()
		if err != nil || u.Runs != len(runs) || u.Oldest.IsZero() {
			t.Fatalf("%+v, %v", u, err)
		}
		if (room == nil) != (u.Size+u.Most/16 <= u.Most) || u.Most != most {
			t.Errorf("room: %v, with %+v", room, u)
		}
		if room != nil && (!errors.Is(room, spool.ErrFull) || fault.HintOf(room) == "" || strings.Contains(room.Error(), "\n")) {
			t.Error(room)
		}
		items := pending(t, open(t, dir))
		least := math.MaxInt // times that one before was thinned which could be again
		for _, run := range runs {
			left := checkThinned(t, items[run.ID], run)
			if b, ok := offered[run.ID]; ok {
				if !bytes.Equal(b, items[run.ID].Signed.Bytes) {
					t.Errorf("%s was changed after it was offered", run.ID)
				}
				continue
			}
			times := thinnedTimes(t, dir, run.ID)
			if times > least || room != nil && left > 4*64 {
				t.Errorf("%s was thinned %d times, to %d samples, after one that was %d times", run.ID, times, left, least)
			}
			if left > 4*64 {
				least = times
			}
		}
	}
}

// thinnedTimes is how often a run that waits was thinned, which its record's name says.
func thinnedTimes(t testing.TB, dir, id string) (times int) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "ready", id, "record*"))
	if err != nil || len(names) != 1 {
		t.Fatal(names, err)
	}
	if n, ok := strings.CutPrefix(filepath.Base(names[0]), "record-"); ok {
		if times, err = strconv.Atoi(n); err != nil {
			t.Fatal(err)
		}
	}
	return times
}

// TestFullSpool: nothing new begins, what is finished is put all the same, and
// once something is delivered it goes on.
func TestFullSpool(t *testing.T) {
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	s := limit(t, t.TempDir(), 100<<10, heron)
	under := long(heron, r, 200)
	d, err := s.Begin(under.ID, "x", under.Signed.Bytes, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	var runs []labtest.Run
	for range 3 {
		run := heron.Finish(labtest.Shape{LogBytes: 60 << 10, Plain: true})
		if err := s.Put(run.Item("x"), run.Openers()); err != nil {
			t.Fatal(err)
		}
		runs = append(runs, run)
	}
	next := long(heron, r, 200)
	if _, err := s.Begin(next.ID, "x", next.Signed.Bytes, nil, nil); !errors.Is(err, spool.ErrFull) || fault.HintOf(err) == "" {
		t.Errorf("a run began in a full spool: %v", err)
	}
	if err := errors.Join(s.Put(under.Item("x"), under.Openers()), d.End()); err != nil {
		t.Errorf("a finished run was not taken: %v", err)
	}
	items := pending(t, s)
	if len(items) != 4 {
		t.Fatalf("%d runs wait, of 4", len(items))
	}
	for _, run := range runs {
		checkThinned(t, items[run.ID], run)
		if err := s.Done(run.ID, nil); err != nil {
			t.Fatal(err)
		}
	}
	if d, err = s.Begin(next.ID, "x", next.Signed.Bytes, nil, nil); err != nil {
		t.Errorf("there is room again: %v", err)
	} else if err := d.End(); err != nil {
		t.Error(err)
	}
}

// TestOnlyOwnRunsAreThinned: neither a run of another key nor one that says more
// than this agent knows is signed anew.
func TestOnlyOwnRunsAreThinned(t *testing.T) {
	r := labtest.Rand(t)
	heron, plover := labtest.NewRig("heron", r), labtest.NewRig("plover", r)
	s := limit(t, t.TempDir(), 1, heron)
	other, later := long(plover, r, 900), long(heron, r, 900)
	later.Signed = record.Sign(append(bytes.Clone(later.Signed.Bytes), 0xfa, 0x3f, 1, 'x'), heron.Key) // a field 1023
	for _, run := range []labtest.Run{other, later} {
		if err := s.Put(run.Item("x"), run.Openers()); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Room(); !errors.Is(err, spool.ErrFull) {
		t.Error(err)
	}
	for _, run := range []labtest.Run{other, later} {
		checkItem(t, pending(t, s)[run.ID], run)
	}
}

// TestThinsByTheNextKey: when the rig's key has become another, runs that this has
// signed are thinned.
func TestThinsByTheNextKey(t *testing.T) {
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	s := limit(t, t.TempDir(), 1, heron)
	heron.Key = labtest.Key(r)
	s.Rekey(heron.Key)
	run := long(heron, r, 900)
	if err := s.Put(run.Item("x"), run.Openers()); err != nil {
		t.Fatal(err)
	}
	if err := s.Room(); !errors.Is(err, spool.ErrFull) { // of one byte
		t.Error(err)
	}
	if left := checkThinned(t, pending(t, s)[run.ID], run); left >= 4*900 {
		t.Errorf("all %d samples are left", left)
	}
}

// TestOfferIsKept: the mark outlives the process, and the receipt takes its room.
func TestOfferIsKept(t *testing.T) {
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	dir := t.TempDir()
	run := long(heron, r, 900)
	put(t, limit(t, dir, 1<<30, heron), run)
	for range 2 { // the second time after a delivery that failed
		it, err := open(t, dir).Offer(run.ID)
		if err != nil {
			t.Fatal(err)
		}
		checkItem(t, it, run)
	}
	s := limit(t, dir, 1, heron)
	if err := s.Room(); !errors.Is(err, spool.ErrFull) {
		t.Error(err)
	}
	checkItem(t, pending(t, s)[run.ID], run)
	if err := s.Done(run.ID, []byte("receipt")); err != nil {
		t.Fatal(err)
	}
	if b, err := s.Receipt(run.ID); string(b) != "receipt" {
		t.Error(b, err)
	}
	if _, err := s.Offer(run.ID); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a run that was delivered is offered: %v", err)
	}
	old := long(heron, r, 10)
	put(t, s, old)
	if err := os.Remove(filepath.Join(dir, "ready", old.ID, "reserve")); err != nil { // as an older agent left it
		t.Fatal(err)
	}
	if _, err := s.Offer(old.ID); err != nil {
		t.Error(err)
	}
	if err := s.Done(old.ID, []byte("receipt")); err != nil {
		t.Error(err)
	}
	if b, err := s.Receipt(old.ID); string(b) != "receipt" {
		t.Error(b, err)
	}
}
