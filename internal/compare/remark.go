package compare

import (
	"fmt"
	"math"
	"strings"

	"witnessmark/internal/stats"
)

func (s *Scaling) remarkOn(code stats.Code, format string, args ...any) {
	s.Remarks = append(s.Remarks, Remark{code, fmt.Sprintf(format, args...)})
}

func (s *Scaling) cannotSay(code stats.Code, format string, args ...any) {
	s.CannotSay = append(s.CannotSay, Remark{code, fmt.Sprintf(format, args...)})
}

// remark says what the grid cannot carry, and what is to be known about it.
func (s *Scaling) remark() {
	s.remarkFactors()
	s.remarkCells()
	s.remarkWidth()
	for _, f := range s.Factors {
		if f.Fact == "memory.speed" && len(f.Levels) > 1 {
			s.remarkOn(FollowsUnseen, "memory speed stands for whatever follows it: timings, latency and, on some platforms, the clock between memory and cores")
		}
	}
}

func (s *Scaling) remarkFactors() {
	for i, f := range s.Factors {
		if len(f.Levels) < 2 {
			at := "it has no level"
			if len(f.Levels) == 1 {
				at = "all runs have " + f.Levels[0].Label
			}
			s.cannotSay(NotVaried, "whether %s limits it: it was not varied, %s", f.Name, at)
			continue
		}
		if f.clock && !f.Measured {
			s.cannotSay(SettingsOnly, "what the cores did: the clock was not sampled, its settings stand in for it")
		}
		low, high := s.ends(i)
		set := f.Levels[len(f.Levels)-1].Setting / f.Levels[0].Setting
		switch step := high / low; {
		case f.clock && f.Measured && set > 1.02 && math.Abs(math.Log(step)) < math.Log(set)/2:
			s.cannotSay(NotAsSet, "what %s does: it was set to %s and %s, and measured at %.0f and %.0f %s", f.Name,
				f.Levels[0].Label, f.Levels[len(f.Levels)-1].Label, low, high, f.Unit)
		case step > 0 && math.Abs(math.Log(step)) < math.Log(1+s.Options.LeastStep)-1e-9:
			s.remarkOn(NarrowStep, "%s was varied by %.1f %% only, steps of %.0f %% or more resolve more", f.Name, 100*(step-1), 100*s.Options.LeastStep)
		}
	}
}

// ends is the mean value of a factor at its lowest and at its highest level.
func (s *Scaling) ends(factor int) (low, high float64) {
	var lows, highs []float64
	for _, c := range s.Cells {
		switch {
		case len(c.runs) == 0:
		case c.At[factor] == 0:
			lows = append(lows, c.Values[factor])
		case c.At[factor] == len(s.Factors[factor].Levels)-1:
			highs = append(highs, c.Values[factor])
		}
	}
	return stats.Mean(lows), stats.Mean(highs)
}

// Label names a cell by its levels: "memory speed 3200 MT/s, core clock 4100 MHz".
func (s *Scaling) Label(c GridCell) string {
	var parts []string
	for i, f := range s.Factors {
		if c.At[i] < len(f.Levels) {
			parts = append(parts, f.Name+" "+f.Levels[c.At[i]].Label)
		}
	}
	return strings.Join(parts, ", ")
}

// Missing gives the cells that no run is in.
func (s *Scaling) Missing() (out []GridCell) {
	for _, c := range s.Cells {
		if len(c.runs) == 0 {
			out = append(out, c)
		}
	}
	return out
}

func (s *Scaling) remarkCells() {
	least, greatest, sessions := math.MaxInt, 0, 0
	for _, c := range s.Cells {
		if n := len(c.runs); n > 0 {
			least, greatest, sessions = min(least, n), max(greatest, n), max(sessions, len(s.sessions(c)))
		}
	}
	for _, c := range s.Missing() {
		s.cannotSay(stats.CellMissing, "anything about %s: no run was made there", s.Label(c))
	}
	if s.Two != nil && s.Two.Usable() && s.Two.Interaction == nil {
		s.cannotSay(stats.CellMissing, "whether the limit moves: the grid has too few cells to show an interaction")
	}
	switch {
	case greatest == 0:
		return
	case least != greatest:
		s.cannotSay(stats.Unbalanced, "the shares of the factors as surely as in a balanced grid: cells hold %d to %d runs, and which factor is taken first matters", least, greatest)
	case least < 3:
		s.remarkOn(stats.FewRepeats, "%s in a cell, at least 3 are wanted", count(least, "run", "runs"))
	}
	if sessions == 1 && greatest > 1 {
		s.remarkOn(OneSessionEach, "every cell was made in one go: how far the same cell differs from one time to the next is not in the intervals")
	}
	s.remarkOrder()
}

// remarkOrder looks for a factor whose lowest level was all run before its highest.
func (s *Scaling) remarkOrder() {
	all := s.inOrder()
	for _, f := range s.Factors {
		var low, high []int
		for i, r := range all {
			switch f.at[r.ID] {
			case 0:
				low = append(low, i)
			case len(f.Levels) - 1:
				high = append(high, i)
			}
		}
		if len(f.Levels) > 1 && stats.OrderConfounded(low, high) {
			s.remarkOn(stats.OrderConfound, "all runs with %s at one end came before all at the other: what drifted meanwhile is in its elasticity; interleave them", f.Name)
		}
	}
}

// remarkWidth says what would resolve an elasticity that is too wide: the half
// width falls with the root of the repeats, and with the step.
func (s *Scaling) remarkWidth() {
	widest := s.Options.Rule.Filled().WidestHalf
	least := 0
	for _, c := range s.Cells {
		if n := len(c.runs); n > 0 && (least == 0 || n < least) {
			least = n
		}
	}
	for _, f := range s.Scaled() {
		half := (f.Reading.High - f.Reading.Low) / 2
		if f.Elasticity.Usable() && half > widest {
			s.cannotSay("not_resolved", "whether %s limits it: its elasticity is known to +-%.2f, and +-%.2f is needed; about %d runs in every cell would do, or steps %.1f times as wide",
				f.Name, half, widest, int(math.Ceil(float64(least)*math.Pow(half/widest, 2))), half/widest)
		}
	}
}
