package compare_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// heavy is the rig that takes 1.5 times as long in the third scene, its runs
// started 2.35 s later than the other's.
var heavy = sim.State{ClockMHz: 4100, MemoryMTps: 3200, Scene: map[int]float64{2: 1 / 1.5}, Lead: 2350 * time.Millisecond}

// started is a rig whose runs start with the sequence.
var started = sim.State{ClockMHz: 4100, MemoryMTps: 3200, Lead: time.Nanosecond}

// TestMoments holds that the offset is found within 20 ms, and the largest gap in
// the right scene and within 2 %, by time; and by frame without an offset.
func TestMoments(t *testing.T) {
	w := sim.Orrery()
	b := bench(20)
	base, against := b.Runs(w, 4, started), b.Runs(w, 4, heavy)
	c := compare.Compare(base, against, compare.Options{})
	x := c.Workloads[0]
	m := x.Moments
	if m == nil {
		t.Fatal(x.NoMoments)
	}
	for i, al := range m.AlignedB {
		if d := al.Refined - 2350*time.Millisecond; d.Abs() > 20*time.Millisecond {
			t.Errorf("run %d of the other rig aligns at %v", i, al.Refined)
		}
	}
	if !m.Claimed {
		t.Errorf("the gap is not claimed: %s", m.Reason)
	}
	checkGap(t, m, 1/1.5)
	// Scenes 1 and 2 are the same on both: the level stretch lies in them.
	if m.Level == nil || m.Level.To > 15*time.Second || m.Level.To-m.Level.From < 8*time.Second {
		t.Errorf("no difference from %v", m.Level)
	}
	j := c.JSON().Workloads[0].Moments
	if *j.LargestGap.Ratio != m.Ratio(m.Largest) || !j.Claimed || j.HeldOut == nil || math.Abs(math.Log(*j.HeldOut.Value*1.5)) > 0.02 || len(j.Alignments) != 8 || len(j.Profile) < 15 {
		t.Errorf("%+v", j)
	}
}

// checkGap holds the largest gap against the third scene, from 14 to 19 s.
func checkGap(t *testing.T, m *compare.Moments, want float64) {
	t.Helper()
	g := m.Largest
	if g.Start < 13500*time.Millisecond || g.Start+m.Window > 19500*time.Millisecond {
		t.Errorf("the largest gap starts at %v", g.Start)
	}
	if r := m.Ratio(g); math.Abs(math.Log(r/want)) > 0.02 {
		t.Errorf("the largest gap is %.4f, want %.4f", r, want)
	}
	if s := strings.Join(m.Sentences(), "\n"); !strings.Contains(s, "largest sustained gap over 2 s from 1") {
		t.Error(s)
	}
}

func TestMomentsByFrame(t *testing.T) {
	w := sim.Orrery()
	w.Content, w.LeadIn = "frame", 0
	b := bench(21)
	slow, start := heavy, started
	slow.Lead, start.Lead = 0, 0
	x := compare.Compare(b.Runs(w, 3, start), b.Runs(w, 3, slow), compare.Options{}).Workloads[0]
	if x.Moments == nil || x.Moments.Advance != stats.ByFrame || !x.Moments.Claimed {
		t.Fatalf("%+v %s", x.Moments, x.NoMoments)
	}
	checkGap(t, x.Moments, 1/1.5)
}

// TestNoGapClaimed holds that repeats of one rig show no gap, however many there
// are, and that two single runs claim none for want of repeats.
func TestNoGapClaimed(t *testing.T) {
	w := sim.Orrery()
	for seed := range uint64(3) {
		b := bench(30 + seed)
		for _, n := range []int{1, 4} {
			x := compare.Compare(b.Runs(w, n, sim.Rated), b.Runs(w, n, sim.Rated), compare.Options{}).Workloads[0]
			if x.Moments == nil || x.Moments.Claimed {
				t.Errorf("seed %d, %d runs: %s %s", seed, n, x.NoMoments, strings.Join(x.Moments.Sentences(), "; "))
			}
		}
	}
}

// TestNoMoments holds every reason for which there are none.
func TestNoMoments(t *testing.T) {
	w := sim.Orrery()
	b := bench(40)
	base, against := b.Runs(w, 1, sim.Rated), b.Runs(w, 1, sim.Rated)
	for name, c := range map[string]struct {
		change func(*compare.Run)
		opt    compare.Options
		want   string
	}{
		"undeclared":         {func(r *compare.Run) { r.Content = "" }, compare.Options{Terms: compare.Terms{Vary: nil}}, "confounded"},
		"another version":    {func(r *compare.Run) { r.WorkloadVersion = "4" }, compare.Options{}, "confounded"},
		"the content varies": {func(r *compare.Run) { r.WorkloadVersion = "4" }, compare.Options{Terms: compare.Terms{Vary: []rig.Key{compare.WorkloadVersion}}}, "confounded: the content itself"},
		"no log":             {func(r *compare.Run) { r.Durations = nil }, compare.Options{}, "too_few_values"},
		"not asked":          {func(r *compare.Run) {}, quick, "not asked for"},
		"too short":          {func(r *compare.Run) { r.Durations = r.Durations[:400] }, compare.Options{}, "run_not_aligned"},
	} {
		a := []compare.Run{against[0]}
		c.change(&a[0])
		x := compare.Compare(base, a, c.opt).Workloads[0]
		if x.Moments != nil || !strings.HasPrefix(x.NoMoments, c.want) && !strings.Contains(x.NoMoments, c.want) {
			t.Errorf("%s: %q, want %q", name, x.NoMoments, c.want)
		}
	}
	for _, side := range [][]compare.Run{base, against} {
		side[0].Content = ""
	}
	if x := compare.Compare(base, against, compare.Options{}).Workloads[0]; !strings.Contains(x.NoMoments, "advance_undeclared: declare content") {
		t.Error(x.NoMoments)
	}
}
