package stats

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

// Boundaries of five equally spaced looks at alpha = 0.05, two-sided, with the
// O'Brien-Fleming type spending function: 4.877, 3.357, 2.680, 2.290, 2.031;
// with the Pocock type: 2.438, 2.427, 2.410, 2.397, 2.386.
// Source: tables after Lan & DeMets (1983), from memory.
func TestSpendingBoundsPublished(t *testing.T) {
	five := []float64{0.2, 0.4, 0.6, 0.8, 1}
	for _, c := range []struct {
		s    Spending
		want []float64
	}{
		{SpendLate, []float64{4.877, 3.357, 2.680, 2.290, 2.031}},
		{SpendEvenly, []float64{2.438, 2.427, 2.410, 2.397, 2.386}},
	} {
		for k, got := range SpendingBounds(five, 0.05, c.s, false) {
			if math.Abs(got-c.want[k]) > 1e-3 {
				t.Errorf("%s look %d: %.4f, want %.3f", c.s, k+1, got, c.want[k])
			}
		}
	}
	// One look spends everything at once: the plain quantile.
	if got := SpendingBounds([]float64{1}, 0.05, SpendEvenly, false)[0]; math.Abs(got-1.959963984540054) > 1e-9 {
		t.Errorf("one look: %v", got)
	}
	if got := SpendingBounds([]float64{1}, 0.05, SpendLate, true)[0]; math.Abs(got-1.6448536269514722) > 1e-9 {
		t.Errorf("one look on one side: %v", got)
	}
}

// The bounds are crossed with probability alpha by a simulated random walk: an
// independent check of the recursion, for unequal steps.
func TestSpendingBoundsBySimulation(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 11))
	at := []float64{0.37, 0.45, 0.7, 0.75, 1}
	for _, oneSided := range []bool{false, true} {
		bounds := SpendingBounds(at, 0.05, SpendEvenly, oneSided)
		const n = 200_000
		crossed := 0
		for range n {
			s, last := 0.0, 0.0
			for k, t := range at {
				s += r.NormFloat64() * math.Sqrt(t-last)
				last = t
				if z := s / math.Sqrt(t); z > bounds[k] || (!oneSided && -z > bounds[k]) {
					crossed++
					break
				}
			}
		}
		if rate := float64(crossed) / n; math.Abs(rate-0.05) > 4*math.Sqrt(0.05*0.95/n) {
			t.Errorf("one-sided %v: crossed with probability %.4f", oneSided, rate)
		}
	}
}

// study simulates one study of normal logs and returns its verdict.
func study(t *testing.T, r *rand.Rand, s *Sequential, sd, effect float64) (Verdict, int) {
	var base, against []float64
	for range s.Base {
		base = append(base, 100*math.Exp(sd*r.NormFloat64()))
	}
	for {
		against = append(against, 100*math.Exp(effect+sd*r.NormFloat64()))
		if l := s.Look(base, against); l.Ended {
			return l.Verdict, len(against)
		}
		if len(against) > s.Options.Limit {
			t.Fatal("the study does not end")
		}
	}
}

// TestSequentialErrorRate: over all looks together `different` comes out at most
// at the stated rate when there is no difference, and `no practical difference`
// when the difference is the margin. 2,000 studies each; the bound allows three
// standard errors of the simulation.
func TestSequentialErrorRate(t *testing.T) {
	studies := 2000
	if os.Getenv("WITNESSMARK_STUDIES") == "full" {
		studies = 20000
	}
	most := 0.05 + 3*math.Sqrt(0.05*0.95/float64(studies))
	for _, c := range []struct {
		name   string
		base   int
		sd     float64
		effect float64
		wrong  Verdict
	}{
		{"no difference, five base runs", 5, 0.006, 0, Different},
		{"no difference, three base runs, noisy", 3, 0.02, 0, Different},
		{"no difference, eight base runs, noisy", 8, 0.02, 0, Different},
		{"no difference, ten base runs", 10, 0.003, 0, Different},
		{"difference of the margin", 5, 0.003, math.Log1p(0.01), NoPracticalDifference},
		{"difference of minus the margin", 10, 0.006, -math.Log1p(0.01), NoPracticalDifference},
	} {
		s, err := NewSequential(c.base, SequentialOptions{})
		if err != nil {
			t.Fatal(err)
		}
		r := rand.New(rand.NewPCG(42, uint64(len(c.name))))
		wrong, runs := 0, 0
		for range studies {
			v, n := study(t, r, s, c.sd, c.effect)
			runs += n
			if v == c.wrong {
				wrong++
			}
		}
		rate := float64(wrong) / float64(studies)
		t.Logf("%s: wrong %.4f, mean runs %.1f", c.name, rate, float64(runs)/float64(studies))
		if rate > most {
			t.Errorf("%s: %s in %.4f of the studies, stated 0.05", c.name, c.wrong, rate)
		}
	}
}

// A clear difference ends a study at its first looks, and none ends it before
// the limit: the rule is worth having.
func TestSequentialEndsEarly(t *testing.T) {
	s, err := NewSequential(5, SequentialOptions{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		effect float64
		want   Verdict
	}{{math.Log(1.05), Different}, {math.Log(0.95), Different}, {0, NoPracticalDifference}} {
		right, runs := 0, 0
		for range 300 {
			v, n := study(t, r, s, 0.003, c.effect)
			runs += n
			if v == c.want {
				right++
			}
		}
		if right < 285 || runs > 300*10 {
			t.Errorf("effect %.3f: right %d of 300, %d runs", c.effect, right, runs)
		}
	}
}

func TestSequentialRefuses(t *testing.T) {
	for _, o := range []SequentialOptions{{First: 2}, {First: 9, Limit: 8}, {Alpha: 0.6}, {Margin: -0.01}} {
		if _, err := NewSequential(5, o); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
	if _, err := NewSequential(2, SequentialOptions{}); err == nil {
		t.Error("a base of two was taken")
	}
	s, err := NewSequential(3, SequentialOptions{Limit: 4})
	if err != nil {
		t.Fatal(err)
	}
	same := []float64{100, 100, 100}
	for _, c := range []struct {
		base, against []float64
		ended         bool
	}{{same, same[:2], false}, {same[:2], same, false}, {same, same, false}, {same, []float64{1, 1, 1, 1}, true}, {same, []float64{1, 1, 1, 1, 1}, true}} {
		l := s.Look(c.base, c.against)
		if l.Ended != c.ended || l.Verdict == Different || l.Verdict == NoPracticalDifference || l.Reason == "" {
			t.Errorf("%v %v: %+v", c.base, c.against, l)
		}
	}
}
