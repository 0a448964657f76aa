package compare_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/compare"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
)

// kin makes the runs of one configuration.
func kin(b *sim.Bench, n int, s sim.State) compare.Kin {
	runs := b.Runs(still(0.4, 0.4), n, s)
	k := compare.Kin{Run: runs[n-1], First: runs[0].Started, Last: runs[n-1].Started}
	for _, r := range runs {
		k.Runs = append([]string{r.ID}, k.Runs...)
	}
	return k
}

func stateWith(m map[string]any) sim.State {
	s := sim.Rated
	s.Facts = m
	return s
}

func TestStandBeside(t *testing.T) {
	b := sim.NewBench("heron", rand.New(rand.NewPCG(1, 7)))
	to := kin(b, 1, sim.Rated).Run
	all := []compare.Kin{
		kin(b, 2, sim.Rated),
		kin(b, 3, sim.Default),
		kin(b, 4, stateWith(map[string]any{"kernel.release": "6.12", "firmware.version": "1.10"})),
		kin(b, 5, stateWith(map[string]any{"kernel.release": "6.12", "cpu.governor": "powersave"})),
		kin(b, 6, stateWith(map[string]any{"cpu.governor": nil})),
	}
	c := compare.StandBeside(to, all, compare.Terms{})
	var got []string
	for _, s := range c.Stands {
		got = append(got, fmt.Sprintf("%d for %q named %v", len(s.Kin.Runs), s.For, s.Named))
	}
	slices.Sort(got)
	if want := []string{`2 for "" named false`, `3 for "memory.speed" named false`}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	var spoilers []string
	for _, s := range c.Spoilers {
		spoilers = append(spoilers, fmt.Sprintf("%s %d/%d/%d", s.Fact, s.Runs, s.Configurations, s.Unknown))
	}
	if want := "cpu.governor 11/2/1 kernel.release 9/2/0 firmware.version 4/1/0"; strings.Join(spoilers, " ") != want {
		t.Errorf("%q", spoilers)
	}
	if len(c.Spoilt) != 3 || len(c.Spoilt[0].Spoiling()) != 1 {
		t.Errorf("%d spoilt, the least first: %+v", len(c.Spoilt), c.Spoilt[0].Spoiling())
	}

	// A factor that is named lets itself and what follows from it differ, and no other.
	c = compare.StandBeside(to, all, compare.Terms{Vary: []rig.Key{"memory.speed"}})
	if len(c.Stands) != 2 || len(c.Spoilt) != 3 {
		t.Fatalf("%d stand, %d do not", len(c.Stands), len(c.Spoilt))
	}
	for _, s := range c.Stands {
		if !s.Named || (s.For == "memory.speed") != (len(s.Kin.Runs) == 3) {
			t.Errorf("%d runs for %q, named %v", len(s.Kin.Runs), s.For, s.Named)
		}
	}
	c = compare.StandBeside(to, all, compare.Terms{Vary: []rig.Key{"kernel.release"}})
	for _, s := range c.Spoilers {
		if s.Fact == "memory.module[DIMM_A1].speed" && s.Follows != "memory.speed" {
			t.Errorf("%+v", s)
		}
		if s.Fact == "kernel.release" {
			t.Errorf("the factor spoils: %+v", s)
		}
	}
	if c := compare.StandBeside(to, nil, compare.Terms{}); len(c.Stands)+len(c.Spoilt)+len(c.Spoilers) != 0 {
		t.Errorf("%+v", c)
	}
}
