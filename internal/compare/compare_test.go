package compare_test

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"testing"

	"witnessmark/internal/compare"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
)

func TestSmoke(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	b := sim.NewBench("heron", r)
	w := sim.Orrery()
	base, against := b.Runs(w, 5, sim.Rated), b.Runs(w, 5, sim.Default)
	c := compare.Compare(base, against, compare.Options{Terms: compare.Terms{Vary: []rig.Key{"memory.speed"}}})
	e := json.NewEncoder(os.Stdout)
	e.SetIndent("", " ")
	j := c.JSON()
	if j.Workloads[0].Moments != nil {
		j.Workloads[0].Moments.Profile = nil
	}
	e.Encode(j)
	t.Log(c.Headline(), w.Ratio(sim.Rated, sim.Default))
}
