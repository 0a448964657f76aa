package rig

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

type seen struct {
	n    int // in the order it came to be
	wall time.Time
	boot BootClock
}

func (s *seen) moment() (*time.Time, *BootClock) { return &s.wall, &s.boot }

// TestStraighten lets rigs make runs while their wall clocks are set, jump and run
// wrong: sorted by what comes out, those of one boot are in their order, and all
// of them where offsets to the collector are known.
func TestStraighten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		known := rapid.Bool().Draw(t, "offsets known")
		rigs := rapid.IntRange(1, 3).Draw(t, "rigs")
		began := make([]time.Duration, rigs) // of the boots, by the true clock
		ahead := make([]time.Duration, rigs)
		boots := make([]string, rigs)
		truth, count := time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC), 0
		boot := func(i int, now time.Duration) {
			count++
			began[i], boots[i] = now, string(rune('A'+count))
		}
		for i := range rigs {
			boot(i, 0)
		}
		var list []seen
		now := time.Duration(0)
		for n := range rapid.IntRange(1, 30).Draw(t, "runs") {
			now += time.Duration(rapid.Int64Range(int64(5*time.Second), int64(time.Hour)).Draw(t, "later"))
			i := rapid.IntRange(0, rigs-1).Draw(t, "rig")
			switch rapid.IntRange(0, 4).Draw(t, "what happens") {
			case 0:
				ahead[i] = time.Duration(rapid.Int64Range(-int64(3*time.Hour), int64(3*time.Hour)).Draw(t, "set by"))
			case 1:
				boot(i, now)
			}
			s := seen{n: n, wall: truth.Add(now + ahead[i]), boot: BootClock{Boot: boots[i], SinceBoot: now - began[i]}}
			if known {
				s.boot.Offset = &ClockOffset{Ahead: ahead[i], Uncertainty: time.Millisecond}
			}
			list = append(list, s)
		}
		shuffled := rapid.Permutation(list).Draw(t, "as they are listed")
		Straighten(shuffled, (*seen).moment)
		slices.SortStableFunc(shuffled, func(a, b seen) int { return a.wall.Compare(b.wall) })
		last := map[string]int{}
		for k, s := range shuffled {
			if was, ok := last[s.boot.Boot]; ok && was > s.n {
				t.Fatalf("run %d comes before run %d of the same boot", was, s.n)
			}
			last[s.boot.Boot] = s.n
			if known && s.n != k {
				t.Fatalf("run %d is in place %d", s.n, k)
			}
			if s.boot.Offset != nil {
				t.Fatal("an offset is left that holds no longer")
			}
		}
	})
}

// TestStraightenLeavesGoodClocksAlone: nothing moves by what two clocks differ by
// when they are read one after the other, nor without a boot clock.
func TestStraightenLeavesGoodClocksAlone(t *testing.T) {
	noon := time.Date(2031, 3, 2, 12, 0, 0, 0, time.UTC)
	list := []seen{
		{wall: noon, boot: BootClock{"A", time.Hour, &ClockOffset{Ahead: 1900 * time.Millisecond}}},
		{wall: noon.Add(time.Minute), boot: BootClock{"A", time.Hour + time.Minute + 10*time.Millisecond, nil}},
		{wall: noon.Add(-time.Hour)},
		{wall: noon.Add(time.Hour), boot: BootClock{Offset: &ClockOffset{Ahead: time.Hour}}},
		{wall: noon.Add(time.Hour), boot: BootClock{"B", time.Hour, &ClockOffset{Ahead: 3 * time.Second, Uncertainty: 1100 * time.Millisecond}}},
	}
	was := slices.Clone(list)
	Straighten(list, (*seen).moment)
	for i := range list {
		if !list[i].wall.Equal(was[i].wall) {
			t.Errorf("%d moved from %v to %v", i, was[i].wall, list[i].wall)
		}
	}
}
