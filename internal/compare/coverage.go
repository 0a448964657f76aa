package compare

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// Made is what a plan needs of a kept run.
type Made struct {
	ID, Rig, Workload, Version, Setup string
	Started                           time.Time
	Boot                              rig.BootClock
	Standing                          drift.Standing
	Configuration                     [32]byte
}

// Station is a rig in a setup: what an operator has to bring about.
type Station struct{ Rig, Setup string }

// Holdings is all that a plan is held against.
type Holdings struct {
	Made   []Made                    // of the plan's workloads on its rigs
	Newest map[Station]Made          // the last run that counts, of any workload
	States map[[32]byte]rig.Snapshot // by configuration, of those that differ from the newest
	Rigs   map[string]Made           // each rig's last run, of any workload
	Now    time.Time
}

// Coverage is a plan with what is done of it.
type Coverage struct {
	Plan  *setup.Plan
	Cells []Covered // in the order of the plan
	Next  *Visit    // nil when the plan is complete
}

// Covered is one cell with the runs that were made for it.
type Covered struct {
	setup.Cell
	InForce string // the version that counts; "" when none was run
	Done    []string
	Caution []string // do not count unless the plan includes them
	Void    []string
	Stale   []string
	Because []string // why runs are stale, each reason once, the most frequent first
	Missing int      // repeats still to be made
}

// Visit is what to run next: repeats of one cell at one station.
type Visit struct {
	setup.Cell
	Repeats     int // of this visit
	Round       int // from 1
	Rounds      int
	Reconfigure bool   // the rig's last run was in another setup
	From        string // that setup
}

// State sums a cell up: done, or else void, stale or missing.
func (c Covered) State() string {
	switch {
	case c.Missing == 0:
		return "done"
	case len(c.Done) == 0 && len(c.Stale) > 0:
		return "stale"
	case len(c.Done) == 0 && len(c.Caution) == 0 && len(c.Void) > 0:
		return "void"
	}
	return "missing"
}

// Complete says whether nothing is left to run.
func (c Coverage) Complete() bool { return c.Next == nil }

// Cover holds a plan against what was kept. A run counts when its standing lets it
// in, it is of the version in force and younger than the plan asks for, and its
// configuration agrees with its rig's newest for the setup in all facts that weigh
// as caution or more.
func Cover(p *setup.Plan, k Holdings) Coverage {
	c := Coverage{Plan: p}
	made := slices.Clone(k.Made)
	rig.Straighten(made, func(m *Made) (*time.Time, *rig.BootClock) { return &m.Started, &m.Boot })
	slices.SortFunc(made, func(a, b Made) int { return cmp.Or(a.Started.Compare(b.Started), strings.Compare(a.ID, b.ID)) })
	versions := map[string]string{}
	for _, m := range made {
		if m.Standing != drift.Voided {
			versions[m.Workload] = m.Version
		}
	}
	for _, cell := range p.Cells {
		c.Cells = append(c.Cells, k.cover(p, cell, made, versions[cell.Workload]))
	}
	c.Next = c.next(k)
	return c
}

func (k Holdings) cover(p *setup.Plan, cell setup.Cell, made []Made, newest string) Covered {
	c := Covered{Cell: cell, InForce: cmp.Or(cell.Version, newest)}
	reasons := map[string]int{}
	for _, m := range made {
		if m.Workload != cell.Workload || m.Rig != cell.Rig || m.Setup != cell.Setup {
			continue
		}
		why := k.stale(p, m, c.InForce)
		switch {
		case m.Standing == drift.Voided:
			c.Void = append(c.Void, m.ID)
		case why != "":
			c.Stale = append(c.Stale, m.ID)
			if reasons[why]++; reasons[why] == 1 {
				c.Because = append(c.Because, why)
			}
		case m.Standing == drift.Careful && !p.Caution:
			c.Caution = append(c.Caution, m.ID)
		default:
			c.Done = append(c.Done, m.ID)
		}
	}
	slices.SortStableFunc(c.Because, func(a, b string) int { return cmp.Compare(reasons[b], reasons[a]) })
	c.Missing = max(0, cell.Repeats-len(c.Done))
	return c
}

// stale says why a run is to be made again; "" when it is not.
func (k Holdings) stale(p *setup.Plan, m Made, version string) string {
	if m.Version != version {
		return fmt.Sprintf("version %s, %s counts", cmp.Or(m.Version, "(none)"), version)
	}
	if p.StaleAfter > 0 && k.Now.Sub(m.Started) > p.StaleAfter {
		return "older than the plan allows"
	}
	newest, ok := k.Newest[Station{m.Rig, m.Setup}]
	if !ok || newest.Configuration == m.Configuration {
		return ""
	}
	then, ok := k.States[m.Configuration]
	now, ok2 := k.States[newest.Configuration]
	if !ok || !ok2 {
		return ""
	}
	var facts []string
	for _, d := range Differing(then, now, rig.Caution) {
		facts = append(facts, string(d.Fact))
	}
	if n := len(facts) - most; n > 0 {
		facts = append(facts[:most], fmt.Sprintf("%d more", n))
	}
	if len(facts) == 0 {
		return ""
	}
	return strings.Join(facts, ", ") + " moved since"
}

// Differing gives the facts of a weight or heavier that two snapshots of a machine
// disagree in, or that only one of them could read, the heaviest first and without
// those that another of them explains.
func Differing(a, b rig.Snapshot, least rig.Weight) (out []Difference) {
	for _, m := range Moved(Run{ID: "a", Before: a}, Run{ID: "b", Before: b}) {
		if m.Weight >= least && m.Follows == "" {
			out = append(out, m.Difference)
		}
	}
	return out
}

// next finds the visit to make. Stations are visited in the order of the plan and
// back again, round for round, so that no side of a comparison comes before the
// other: there and back is A, B, B, A, and the visits in the middle are one. What
// can be run where the operator stands comes first.
func (c Coverage) next(k Holdings) *Visit {
	var stations []Station
	for _, x := range c.Cells {
		if s := (Station{x.Rig, x.Setup}); !slices.Contains(stations, s) {
			stations = append(stations, s)
		}
	}
	here := k.here(stations)
	for round := 1; round <= c.Plan.Rounds; round++ {
		order := slices.Clone(stations)
		if round%2 == 0 {
			slices.Reverse(order)
		}
		if i := slices.Index(order, here); i >= 0 {
			order = append([]Station{here}, slices.Delete(order, i, i+1)...)
		}
		for _, s := range order {
			if v := c.visit(s, round); v != nil {
				last, known := k.Rigs[s.Rig]
				v.Reconfigure, v.From = known && last.Setup != s.Setup, last.Setup
				return v
			}
		}
	}
	return nil
}

// here is the station of the newest run of all; the zero Station when it is none
// of the plan's.
func (k Holdings) here(stations []Station) Station {
	var newest Made
	for _, m := range k.Rigs {
		if s := (Station{m.Rig, m.Setup}); slices.Contains(stations, s) && m.Started.After(newest.Started) {
			newest = m
		}
	}
	return Station{newest.Rig, newest.Setup}
}

// visit gives the first cell of a station that lacks repeats in a round.
func (c Coverage) visit(s Station, round int) *Visit {
	for _, x := range c.Cells {
		if (Station{x.Rig, x.Setup}) != s {
			continue
		}
		quota := (x.Cell.Repeats*round + c.Plan.Rounds - 1) / c.Plan.Rounds
		if n := quota - len(x.Done); n > 0 {
			return &Visit{Cell: x.Cell, Repeats: n, Round: round, Rounds: c.Plan.Rounds}
		}
	}
	return nil
}
