package probe

import (
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/rig"
)

// TestDrainedPiecesAreTheWhole drains one sampler of a tree now and then and
// another never; the pieces together must be what the other has.
func TestDrainedPiecesAreTheWhole(t *testing.T) {
	f := merge(chips(), aPolicy(4_100_000))
	a, b := newLab(t, f, SampleOptions{}), newLab(t, f, SampleOptions{})
	joined := map[rig.Key]rig.Signal{}
	drain := func() {
		for _, d := range a.Drain() {
			j := joined[d.Key]
			j.Offsets, j.Values = append(j.Offsets, d.Offsets...), append(j.Values, d.Values...)
			for _, g := range d.Gaps {
				if k := len(j.Gaps) - 1; k >= 0 && j.Gaps[k].To == g.From && j.Gaps[k].Unread == g.Unread {
					j.Gaps[k].To = g.To
					continue
				}
				j.Gaps = append(j.Gaps, g)
			}
			joined[d.Key] = j
		}
	}
	for i := range 300 {
		for _, l := range []*lab{a, b} {
			l.set(aPolicy(4_000_000 + 1000*(i%7)))
			delete(l.fault, "scaling_cur_freq")
			if i%50 > 40 {
				l.fault["scaling_cur_freq"] = syscall.EBUSY
			}
			l.Take(time.Duration(i) * tenth)
		}
		if i%23 == 22 {
			drain()
		}
	}
	drain()
	for _, want := range b.Signals() {
		got := joined[want.Key]
		if !slices.Equal(got.Values, want.Values) || !slices.Equal(got.Offsets, want.Offsets) {
			t.Errorf("%s: %v at %v, want %v at %v", want.Key, got.Values, got.Offsets, want.Values, want.Offsets)
		}
		if d := cmp.Diff(want.Gaps, got.Gaps); d != "" && len(want.Values) > 0 {
			t.Errorf("%s: gaps %s", want.Key, d)
		}
	}
	if again := a.Drain(); len(again[0].Values) != 0 {
		t.Errorf("drained twice: %v", again[0])
	}
	for _, s := range a.Latest() {
		if s.Key == "cpu[0].clock" && s.Unread.Reason != rig.Refused {
			t.Errorf("the latest while it is busy: %v", s)
		}
	}
}

func TestRescanFindsWhatAppeared(t *testing.T) {
	l := newLab(t, files{"sys/": "", "proc/": ""}, SampleOptions{})
	l.Take(0)
	if l.Rescan() {
		t.Error("found something in nothing")
	}
	l.set(aPolicy(4_000_000))
	if !l.Rescan() || l.Rescan() {
		t.Error("what appeared is not found once")
	}
	l.Take(tenth)
	l.want("cpu[0].clock", 4_000_000)
	if slices.ContainsFunc(l.Drain(), func(d Drained) bool { return d.Key == "cpu[].clock" }) {
		t.Error("still said to be missing")
	}
}

func TestADrainedSamplerDoesNotGrow(t *testing.T) {
	l := newLab(t, aPolicy(4_000_000), SampleOptions{})
	for i := range 10_000 {
		l.Take(time.Duration(i) * tenth)
		if i%100 == 99 {
			l.Drain()
		}
	}
	if c := l.fast[0].values; c.n != 0 || len(c.full) != 0 || cap(c.tail) > blockSize || cap(l.fast[0].stretches) > 8 {
		t.Errorf("%d samples, %d blocks, %d stretches", c.n, len(c.full), cap(l.fast[0].stretches))
	}
}
