package compare_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"witnessmark/internal/compare"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// Simulated studies: comparisons of invented runs whose true effect is known. The
// test makes few with a fixed seed; BenchmarkStudies, and the test with
// WITNESSMARK_STUDIES=full in the environment, make a thousand of each.

const few, full = 60, 1000

func studies(t testing.TB) int {
	if os.Getenv("WITNESSMARK_STUDIES") == "full" {
		return full
	}
	return few
}

// atMost is the largest share of n that may be seen when the true one is p: four
// standard deviations of the binomial, which chance passes once in 16,000.
func atMost(n int, p float64) float64 { return p + 4*math.Sqrt(p*(1-p)/float64(n)) }

func short() sim.Workload {
	w := sim.Orrery()
	w.LeadIn = 0
	for i := range w.Scenes {
		w.Scenes[i].Seconds /= 5
	}
	return w
}

type tally struct{ n, covered, different, same int }

// study makes n comparisons of two states and counts what they come to.
func study(n int, seed uint64, base, against func(*rand.Rand) sim.State) (c tally) {
	r := rand.New(rand.NewPCG(seed, 17))
	w := short()
	for range n {
		b, a := base(r), against(r)
		bench := sim.NewBench("heron", r)
		runs := 3 + r.IntN(6)
		x := compare.Compare(bench.Runs(w, runs, b), bench.Runs(w, runs, a), compare.Options{NoMoments: true}).Workloads[0].Verdict
		truth := w.Ratio(b, a)
		c.n++
		if x.Interval.Contains(truth) {
			c.covered++
		}
		switch x.Verdict {
		case stats.Different:
			c.different++
		case stats.NoPracticalDifference:
			c.same++
		}
	}
	return c
}

func fixed(s sim.State) func(*rand.Rand) sim.State { return func(*rand.Rand) sim.State { return s } }

func factor(f float64) sim.State {
	s := sim.Rated
	s.Factor = f
	return s
}

// anyEffect is a state between 10 % slower and 10 % faster.
func anyEffect(r *rand.Rand) sim.State { return factor(0.9 + 0.2*r.Float64()) }

func (c tally) check(t testing.TB, what string, got int, low, high float64) {
	share := float64(got) / float64(c.n)
	t.Logf("%s: %d of %d, %.3f", what, got, c.n, share)
	if share > high || share < low {
		t.Errorf("%s: %.3f, want %.3f to %.3f", what, share, low, high)
	}
}

func runStudies(t testing.TB, n int) {
	bound := func(p float64) float64 {
		if n == full {
			return p
		}
		return atMost(n, p)
	}
	c := study(n, 1, anyEffect, anyEffect)
	c.check(t, "95 % intervals that cover the truth", c.covered, 1-bound(0.07), bound(0.97))
	c = study(n, 2, fixed(sim.Rated), fixed(sim.Rated))
	c.check(t, "different without a difference", c.different, 0, bound(0.06))
	c = study(n, 3, fixed(sim.Rated), fixed(factor(1.01)))
	c.check(t, "no practical difference at the margin", c.same, 0, bound(0.05))
	c = study(n, 4, fixed(sim.Rated), fixed(factor(1/1.01)))
	c.check(t, "no practical difference at the other margin", c.same, 0, bound(0.05))
}

func TestStudies(t *testing.T) { runStudies(t, studies(t)) }

func BenchmarkStudies(b *testing.B) {
	for b.Loop() {
		runStudies(b, full)
	}
}

// TestStudyOfControl spoils comparisons in every way at random: each has to be
// called not controlled, and each that was not spoilt controlled.
func TestStudyOfControl(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 17))
	w := short()
	w.Scenes = w.Scenes[:1]
	keys := []string{"cpu.model", "cpu.governor", "cpu.cores", "firmware.version", "graphics[0000:01:00.0].driver_version", "kernel.release",
		"memory.modules", "memory.rated_speed", "memory.module[DIMM_A1].part", "machine.virtual"}
	for i := range studies(t) {
		bench := sim.NewBench("heron", r)
		n := 2 + r.IntN(4)
		base, against := bench.Runs(w, n, sim.Rated), bench.Runs(w, n, sim.Default)
		terms := compare.Options{Terms: compare.Terms{Vary: []rig.Key{"memory.speed"}}, NoMoments: true}
		if c := compare.Compare(base, against, terms); !c.Controlled.Controlled {
			t.Fatalf("comparison %d is controlled, and called so: %s", i, c.Headline())
		}
		key := keys[r.IntN(len(keys))]
		var v any = fmt.Sprint("another ", r.IntN(9))
		if r.IntN(3) == 0 {
			v = nil // unread
		}
		odd := sim.Default
		odd.Facts = map[string]any{key: v}
		spoilt := bench.Runs(w, 1+r.IntN(n), odd)
		copy(against[len(against)-len(spoilt):], spoilt)
		if c := compare.Compare(base, against, terms); c.Controlled.Controlled {
			t.Fatalf("comparison %d has %s as %v in %d of %d runs: %s", i, key, v, len(spoilt), n, c.Headline())
		}
	}
}
