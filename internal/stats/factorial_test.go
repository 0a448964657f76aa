package stats

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// factorial of reference.json: R 4.2.2 aov and lm (opened).
func checkFactorial(t *testing.T, ref *reference) {
	mem, clk := []float64{2133, 2666, 3200}, []float64{3600, 4400}
	base := [][]int64{{100000, 106000, 110500}, {110000, 119500, 127000}}
	var cells []Cell
	for i, m := range mem {
		for j, c := range clk {
			v := group(int64(5000+10*(i+1)+j+1), base[j][i], 400, 5)
			ref.list(t, 0, 0, v, "factorial", "cells", fmt.Sprintf("%vx%v", m, c))
			cells = append(cells, Cell{A: i, B: j, X: m, Z: c, Rates: v})
		}
	}
	s := Scale(cells, ScalingOptions{BaseA: 2666, BaseB: 3600})
	if s.Status != OK {
		t.Fatalf("%s %q", s.Status, s.Reason)
	}
	checkAnovaRows(t, ref, s.Anova)
	at := func(tol, got float64, path ...any) {
		ref.near(t, tol, got, append([]any{"factorial"}, path...)...)
	}
	for name, f := range map[string]FactorScaling{"mem": s.A, "clk": s.B} {
		at(1e-10, f.Elasticity.Value, "elasticity_additive", name, "est")
		at(1e-10, f.SE, "elasticity_additive", name, "se")
		ref.list(t, 1e-10, 0, []float64{f.Interval.Low, f.Interval.High}, "factorial", "elasticity_additive", name, "ci95")
	}
	at(0, float64(s.DF), "elasticity_additive", "df")
	at(1e-10, s.Sum.Value, "elasticity_additive", "sum")
	at(1e-9, s.Rest.Value, "elasticity_additive", "rest")
	i := s.Interaction
	at(1e-9, i.A, "elasticity_interaction", "mem")
	at(1e-9, i.B, "elasticity_interaction", "clk")
	at(1e-9, i.Estimate, "elasticity_interaction", "interaction")
	at(1e-9, i.SE, "elasticity_interaction", "interaction_se")
	at(1e-8, i.P, "elasticity_interaction", "interaction_p")
	at(0, float64(i.DF), "elasticity_interaction", "df")
	at(1e-10, s.A.Arcs[0].Elasticity, "arc_elasticity", "mem_2133_3200_at_3600")
	at(1e-10, s.A.Arcs[1].Elasticity, "arc_elasticity", "mem_2133_3200_at_4400")
	at(1e-10, s.B.Arcs[0].Elasticity, "arc_elasticity", "clk_at_2133")
	at(1e-10, s.B.Arcs[2].Elasticity, "arc_elasticity", "clk_at_3200")
	at(1e-9, s.LackOfFit.F, "lack_of_fit", "F")
	at(0, float64(s.LackOfFit.DF1), "lack_of_fit", "df1")
	at(0, float64(s.LackOfFit.DF2), "lack_of_fit", "df2")
	at(1e-8, s.LackOfFit.P, "lack_of_fit", "p")
	// Reference values: this grid's limit moves, .25 at 3600 MHz and .36 at 4400.
	if !slices.ContainsFunc(s.Readings, func(r Reading) bool { return r.ID == ReadLimitMoves && r.Factor == "memory speed" }) {
		t.Errorf("readings: %+v", s.Readings)
	}
}

func checkAnovaRows(t *testing.T, ref *reference, a TwoWayTable) {
	for i, term := range []Term{a.A, a.B, a.AB, a.Error} {
		at := func(tol, got float64, key string) { ref.near(t, tol, got, "factorial", "anova_log", i, key) }
		at(0, float64(term.DF), "df")
		at(1e-10, term.SS, "ss")
		at(1e-10, term.MS, "ms")
		if i == 3 {
			absent := refusedNumber("", "", 0, NoRepeats, "")
			if !math.IsNaN(term.F) || !math.IsNaN(term.P) {
				t.Errorf("the error has F %v, p %v", term.F, term.P)
			}
			ref.absent(t, absent, "factorial", "anova_log", i, "F")
			ref.absent(t, absent, "factorial", "anova_log", i, "p")
			continue
		}
		at(1e-10, term.F, "F")
		at(1e-8, term.P, "p")
	}
	ref.near(t, 1e-10, a.Sigma, "factorial", "sigma_log")
	ref.near(t, 1e-10, a.TotalSS, "factorial", "total_ss")
}

// Checks 9 and 10. e-Handbook 7.4.3.7/.8 (memory, every number reproduced in R)
// and R 4.2.2 sources, anova of warpbreaks (opened).
func TestTwoWayPublished(t *testing.T) {
	tree := lookup(t, readCheck(t, "handbook.json"), "twoway")
	var cells []Cell
	for i, m := range []string{"material1", "material2"} {
		for j, l := range []string{"lab1", "lab2", "lab3"} {
			cells = append(cells, Cell{A: i, B: j, Rates: lookupFloats(t, tree, "cells", m, l)})
		}
	}
	a := twoWayOf(cells)
	for key, term := range map[string]Term{"material": a.A, "lab": a.B, "interaction": a.AB, "error": a.Error} {
		printed(t, key+" ss", term.SS, lookup(t, tree, "published", key, "ss"))
		printed(t, key+" ms", term.MS, lookup(t, tree, "published", key, "ms"))
		if key != "error" {
			printed(t, key+" F", term.F, lookup(t, tree, "published", key, "F"))
		}
	}
	printed(t, "total", a.TotalSS, lookup(t, tree, "published", "total_ss"))
	checkTermsByR(t, a, lookup(t, tree, "R"))

	tree = lookup(t, readCheck(t, "rcore.json"), "warpbreaks")
	cells = nil
	for i, wool := range []string{"A", "B"} {
		for j, tension := range []string{"L", "M", "H"} {
			cells = append(cells, Cell{A: i, B: j, Rates: lookupFloats(t, tree, "cells", wool+"."+tension)})
		}
	}
	a = twoWayOf(cells)
	for key, term := range map[string]Term{"wool": a.A, "tension": a.B, "interaction": a.AB} {
		printed(t, key+" ss", term.SS, lookup(t, tree, "published", key, "ss"))
		printed(t, key+" F", term.F, lookup(t, tree, "published", key, "F"))
		printed(t, key+" p", term.P, lookup(t, tree, "published", key, "p"))
	}
	printed(t, "error ss", a.Error.SS, lookup(t, tree, "published", "error", "ss"))
	printed(t, "error ms", a.Error.MS, lookup(t, tree, "published", "error", "ms"))
	checkTermsByR(t, a, lookup(t, tree, "R"))
}

func twoWayOf(cells []Cell) TwoWayTable {
	y := make([][]float64, len(cells))
	for i, c := range cells {
		y[i] = c.Rates
	}
	return TwoWay(cells, y)
}

func checkTermsByR(t *testing.T, a TwoWayTable, r any) {
	for i, term := range []Term{a.A, a.B, a.AB, a.Error} {
		agree(t, term.Name+" ss", 1e-9, term.SS, lookup(t, r, "ss", i).(float64))
		if i < 3 {
			agree(t, term.Name+" F", 1e-9, term.F, lookup(t, r, "F", i).(float64))
			agree(t, term.Name+" p", 1e-8, term.P, lookup(t, r, "p", i).(float64))
		}
	}
}

// grid makes runs of a workload whose time splits into shares that scale with
// memory and with clock (Amdahl's law for two resources).
func grid(seed uint64, memory, clock, noise float64, repeats int, mem, clk []float64) []Cell {
	rng := rand.New(rand.NewPCG(seed, 71))
	var cells []Cell
	for i, m := range mem {
		for j, c := range clk {
			time := 0.01 * (memory*mem[0]/m + clock*clk[0]/c + 1 - memory - clock)
			cells = append(cells, Cell{A: i, B: j, X: m, Z: c, Rates: normalRuns(rng, repeats, 1/time, noise)})
		}
	}
	return cells
}

func TestReadingsNameTheLimit(t *testing.T) {
	mem, clk := []float64{2133, 2666, 3200}, []float64{3600, 4400}
	for _, c := range []struct {
		name          string
		memory, clock float64
		want          ReadingID
		factor        string
	}{
		{"memory", 0.85, 0.05, ReadMainly, "memory speed"},
		{"clock", 0.05, 0.85, ReadMainly, "core clock"},
		{"both", 0.42, 0.42, ReadShared, ""},
		{"neither", 0.01, 0.02, ReadLimitedElsewhere, ""},
		{"a little memory", 0.3, 0.02, ReadMattersMore, "memory speed"},
		{"a little of each", 0.13, 0.12, ReadPartly, ""},
	} {
		for seed := range uint64(10) {
			s := Scale(grid(seed, c.memory, c.clock, 0.003, 5, mem, clk), ScalingOptions{})
			if r := s.Readings[0]; r.ID != c.want || r.Factor != c.factor {
				t.Errorf("%s, seed %d: %s %q %s", c.name, seed, r.ID, r.Factor, r.Words)
			}
			if s.Status != OK {
				t.Errorf("%s: %s %q", c.name, s.Status, s.Reason)
			}
		}
	}
}

func TestReadingsRefuseWhatTheyCannotSay(t *testing.T) {
	mem, clk := []float64{2133, 2666, 3200}, []float64{3600, 4400}
	noisy := Scale(grid(1, 0.5, 0.3, 0.08, 3, mem, clk), ScalingOptions{})
	if noisy.Readings[0].ID != ReadNotResolved {
		t.Errorf("noisy: %+v", noisy.Readings)
	}
	narrow := Scale(grid(2, 0.5, 0.3, 0.01, 5, []float64{3200, 3300}, clk), ScalingOptions{})
	if r := narrow.Readings[0]; r.ID != ReadNotResolved || r.Factor != "memory speed" {
		t.Errorf("a step of 3 %%: %+v", narrow.Readings)
	}
	cells := grid(3, 0.4, 0.4, 0.003, 5, mem, clk)
	missing := Scale(slices.Delete(slices.Clone(cells), 2, 3), ScalingOptions{})
	if missing.Status != Flagged || !missing.Has(CellMissing) || len(missing.Anova.Missing) != 1 || missing.Anova.Missing[0] != [2]int{1, 0} {
		t.Errorf("a cell missing: %s %q %v", missing.Status, missing.Reason, missing.Anova.Missing)
	}
	if missing.Readings[0].ID != ReadShared || missing.Anova.AB.DF != 1 {
		t.Errorf("a cell missing: %+v, interaction df %d", missing.Readings, missing.Anova.AB.DF)
	}
	uneven := slices.Clone(cells)
	uneven[0].Rates = uneven[0].Rates[:3]
	if s := Scale(uneven, ScalingOptions{}); !s.Has(Unbalanced) || s.Anova.A.SS == s.Anova.AAfterB.SS {
		t.Errorf("unbalanced: %q", s.Reason)
	}
	diagonal := []Cell{cells[0], cells[3]}
	if s := Scale(diagonal, ScalingOptions{}); s.Status != Refused || !s.Has(FactorsConfounded) || s.A.Elasticity.Usable() {
		t.Errorf("both factors changed together: %s %q", s.Status, s.Reason)
	}
	single := slices.Clone(cells)
	for i := range single {
		single[i].Rates = single[i].Rates[:1]
	}
	if s := Scale(single, ScalingOptions{}); s.Status != Refused || !s.Has(NoRepeats) {
		t.Errorf("no repeats: %s %q", s.Status, s.Reason)
	}
	if s := Scale(cells[:2], ScalingOptions{}); !s.Has(OneLevel) || s.Usable() || len(s.Readings) == 0 {
		t.Errorf("one memory level: %s %q", s.Status, s.Reason)
	}
	if s := Scale(nil, ScalingOptions{}); s.Usable() {
		t.Error("an empty grid was read")
	}
	bad := slices.Clone(cells)
	bad[1].X = 0
	if s := Scale(bad, ScalingOptions{}); !s.Has(NotPositive) || s.Usable() {
		t.Errorf("a clock of zero: %q", s.Reason)
	}
}

func TestReadingsSuspect(t *testing.T) {
	var cells []Cell
	for i, m := range []float64{2400, 3200} {
		for j, c := range []float64{3600, 4400} {
			rng := rand.New(rand.NewPCG(uint64(i), uint64(j)))
			cells = append(cells, Cell{A: i, B: j, X: m, Z: c, Rates: normalRuns(rng, 5, 100*math.Pow(m/2400, 1.3)*math.Pow(c/3600, -0.2), 0.002)})
		}
	}
	s := Scale(cells, ScalingOptions{})
	if len(s.Readings) < 3 || s.Readings[0].ID != ReadSuspect || s.Readings[1].ID != ReadSuspect || s.Readings[0].Factor != "memory speed" {
		t.Errorf("%+v", s.Readings)
	}
}

func TestElsewhereSaysWhatWasChecked(t *testing.T) {
	share, busy := 0.8, 0.4
	words := Elsewhere{RefreshShare: &share, GraphicsBusy: &busy}.words()
	if !strings.Contains(words, "a frame cap or the display") || !strings.Contains(words, "graphics is not it") {
		t.Error(words)
	}
	if w := (Elsewhere{}).words(); w != "elsewhere, not identified" {
		t.Error(w)
	}
}

// Sessions that shift all rates: with a session term the elasticities keep their
// precision, and sessions that coincide with a factor are found out.
func TestBlocksAreTakenOut(t *testing.T) {
	mem, clk := []float64{2133, 2666, 3200}, []float64{3600, 4400}
	cells := grid(5, 0.5, 0.3, 0.003, 4, mem, clk)
	for i := range cells {
		cells[i].Blocks = []int{0, 0, 1, 1}
		for k := 2; k < 4; k++ {
			cells[i].Rates[k] *= 1.05
		}
	}
	with := Scale(cells, ScalingOptions{})
	bare := slices.Clone(cells)
	for i := range bare {
		bare[i].Blocks = nil
	}
	without := Scale(bare, ScalingOptions{})
	if with.Anova.Block.DF != 1 || !(with.A.SE < without.A.SE/3) {
		t.Errorf("se %v with sessions, %v without", with.A.SE, without.A.SE)
	}
	for i := range cells {
		cells[i].Blocks = slices.Repeat([]int{cells[i].B}, 4)
	}
	if s := Scale(cells, ScalingOptions{}); s.Usable() || !s.Has(FactorsConfounded) {
		t.Errorf("one session for each clock: %s %q", s.Status, s.Reason)
	}
}

// The intervals of the elasticities cover the truth of an additive world.
func TestElasticityCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(81, 82))
	covered, trials := 0, 500
	for range trials {
		var cells []Cell
		for i, m := range []float64{2133, 3200} {
			for j, c := range []float64{3600, 4400} {
				mid := 100 * math.Pow(m/2133, 0.3) * math.Pow(c/3600, 0.6)
				cells = append(cells, Cell{A: i, B: j, X: m, Z: c, Rates: normalRuns(rng, 3, mid, 0.005)})
			}
		}
		if Scale(cells, ScalingOptions{}).A.Interval.Contains(0.3) {
			covered++
		}
	}
	if share := float64(covered) / float64(trials); share < 0.92 || share > 0.98 {
		t.Errorf("95 %% intervals cover %.1f %%", 100*share)
	}
}
