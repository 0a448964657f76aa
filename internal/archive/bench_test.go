package archive_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math/bits"
	"slices"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// BenchmarkReceipt proves entries from the archive of trails of 1,000, 10,000 and
// 100,000 entries: a receipt of one under the present head with the consistency
// from an earlier one, its time, its hashes and its bytes as the rig keeps them.
// It grows with the logarithm: compare the hashes with log2.
func BenchmarkReceipt(b *testing.B) {
	for _, n := range []int64{1e3, 1e4, 1e5} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			a := fresh(b)
			if err := a.GrowTrail(n); err != nil {
				b.Fatal(err)
			}
			r := labtest.Seeded(uint64(n))
			hashes, size := 0, 0
			for b.Loop() {
				rec, err := a.Entry(r.Int64N(n))
				if err == nil {
					rec.SeenSize = 1 + r.Int64N(n)
					rec.Consistency, err = a.Consistency(rec.SeenSize, n)
				}
				if err != nil {
					b.Fatal(err)
				}
				j, err := json.Marshal(rec)
				if err != nil {
					b.Fatal(err)
				}
				hashes, size = hashes+len(rec.Proof)+len(rec.Consistency), size+len(j)
			}
			b.ReportMetric(float64(hashes)/float64(b.N), "hashes/receipt")
			b.ReportMetric(float64(size)/float64(b.N), "bytes/receipt")
			b.ReportMetric(float64(bits.Len64(uint64(n))), "log2")
		})
	}
}

// TestReceiptGrowsWithTheLogarithm: no proof has more hashes than the tree has
// levels, twice that for consistency, and the receipt fits into the room that the
// spool sets aside for it.
func TestReceiptGrowsWithTheLogarithm(t *testing.T) {
	a := fresh(t)
	r := labtest.Rand(t)
	for _, n := range []int64{1e3, 1e4, 3e4} {
		if err := a.GrowTrail(n); err != nil {
			t.Fatal(err)
		}
		levels := bits.Len64(uint64(n))
		for range 50 {
			rec, err := a.Entry(r.Int64N(n))
			if err != nil || len(rec.Proof) > levels {
				t.Fatalf("%d hashes in a tree of %d levels, %v", len(rec.Proof), levels, err)
			}
			seen := 1 + r.Int64N(n)
			if rec.Consistency, err = a.Consistency(seen, n); err != nil || len(rec.Consistency) > 2*levels {
				t.Fatalf("%d hashes from %d to %d, %v", len(rec.Consistency), seen, n, err)
			}
			if j, err := json.Marshal(rec); err != nil || len(j) > 8<<10 {
				t.Fatalf("%d bytes, %v", len(j), err)
			}
		}
	}
}

// sideBySide delivers runs to a collector that keeps a trail and to one that does
// not, each of which commits them alone and to the disk.
type sideBySide struct {
	to  [2]func(labtest.Run) time.Duration // with a trail, and without
	rig *labtest.Rig
	n   int
}

func newSideBySide(t testing.TB) *sideBySide {
	with, without := fresh(t), fresh(t)
	without.Bare()
	if err := with.GrowTrail(1e4); err != nil {
		t.Fatal(err)
	}
	serve := func(a *archive.Archive) func(labtest.Run) time.Duration {
		conn := labtest.Connect(t, collect.New(a, time.Now, labtest.Quiet()).Server(deliver.DefaultLimits))
		return func(run labtest.Run) time.Duration {
			begin := time.Now()
			if _, err := deliver.Send(context.Background(), conn, run.Signed, run.Parts()); err != nil {
				t.Fatal(err)
			}
			return time.Since(begin)
		}
	}
	return &sideBySide{to: [2]func(labtest.Run) time.Duration{serve(with), serve(without)}, rig: labtest.NewRig("heron", labtest.Seeded(1))}
}

// next delivers one run to both, each of which is first every other time.
func (s *sideBySide) next(logBytes int) (with, without time.Duration) {
	run := s.rig.Finish(labtest.Shape{Plain: true, Bare: true, LogBytes: logBytes})
	var took [2]time.Duration
	for j := range s.to {
		k := (s.n + j) % 2
		took[k] = s.to[k](run)
	}
	s.n++
	return took[0], took[1]
}

// BenchmarkDelivery prints what a delivery with a trail takes, in times of one
// without.
func BenchmarkDelivery(b *testing.B) {
	for _, bytes := range []int{20 << 10, 200 << 10} {
		b.Run(fmt.Sprintf("log=%dKiB", bytes>>10), func(b *testing.B) {
			s := newSideBySide(b)
			var with, without time.Duration
			for b.Loop() {
				x, y := s.next(bytes)
				with, without = with+x, without+y
			}
			b.ReportMetric(float64(with)/float64(without), "with/without")
		})
	}
}

// TestDeliveryWithTrail holds a delivery with a trail to 1.2 times one without, by
// the median over pairs of which each is made at once, since the disk that single
// commits wait for is not always as fast. A machine that is busy with something else
// gets more pairs.
func TestDeliveryWithTrail(t *testing.T) {
	if labtest.Race {
		t.Skip("the race detector slows both down in its own way")
	}
	s := newSideBySide(t)
	var ratios []float64
	for range 5 {
		for range 60 {
			with, without := s.next(20 << 10)
			ratios = append(ratios, float64(with)/float64(without))
		}
		slices.Sort(ratios)
		if ratio := ratios[len(ratios)/2]; ratio <= 1.2 {
			t.Logf("%.3f times, over %d pairs", ratio, len(ratios))
			return
		}
	}
	t.Errorf("%.3f times, over %d pairs", ratios[len(ratios)/2], len(ratios))
}
