package stats

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// checkHeadline holds the headline of frames that are not sorted against what a
// description has of the sorted ones, to the last bit.
func checkHeadline(t *testing.T, nanos []int64, opt Options, r Run) {
	t.Helper()
	h := HeadlineOf(nanos, opt)
	if (h.Status == Refused) != (r.Status == Refused) {
		t.Fatalf("the headline is %s and the description %s", h.Status, r.Status)
	}
	if r.Status != Refused {
		h.Grade = r.Grade // which is of the order, too
	}
	if got, want := fmt.Sprintf("%+v", h), fmt.Sprintf("%+v", r.Headline); got != want {
		t.Fatalf("headline\n%s\nand not, as described,\n%s", got, want)
	}
}

func TestRankedAgreesWithSorting(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for _, bound := range []int64{2, 3, 1<<digit - 1, 1<<digit + 2, 1 << 24, 1 << 33, math.MaxInt64} {
		for _, n := range []int{1, 2, 1000} {
			x := make([]int64, n)
			for i := range x {
				x[i] = 1 + rng.Int64N(bound-1)
			}
			given := slices.Clone(x)
			asc := sorted(x)
			for i, want := range asc {
				if got := ranked(x, asc[n-1], i); got != want {
					t.Fatalf("of %d values below %d the one at place %d is %d, and not %d", n, bound, i, got, want)
				}
			}
			if !slices.Equal(x, given) {
				t.Fatal("the values were put in another order")
			}
		}
	}
}

// TestHeadlineOfLongRuns: where values share digits and few differ.
func TestHeadlineOfLongRuns(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for _, spread := range []int64{1, 3, 1 << 12, 1 << 31} {
		x := make([]int64, 20000)
		for i := range x {
			x[i] = 8e6 + rng.Int64N(spread)
		}
		checkHeadline(t, x, Options{}, Describe(x, Options{}))
	}
}

// BenchmarkHeadline reports, beside what a headline takes, how many times as long a
// whole description of the same frames takes.
func BenchmarkHeadline(b *testing.B) {
	rng := rand.New(rand.NewPCG(5, 6))
	x := make([]int64, 1_000_000)
	for i := range x {
		x[i] = 8e6 + rng.Int64N(6e6)
	}
	var whole time.Duration
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		start := time.Now()
		Describe(x, Options{})
		whole += time.Since(start)
		b.StartTimer()
		HeadlineOf(x, Options{})
	}
	b.ReportMetric(float64(whole)/float64(b.Elapsed()), "x-described")
}
