package compare

import (
	"encoding/json"
	"time"

	"witnessmark/internal/rig"
)

// ComparableJSON is which runs may stand beside one run, as JSON shows it.
type ComparableJSON struct {
	To            string              `json:"to"`
	Workload      string              `json:"workload"`
	Version       string              `json:"version"`
	Rig           string              `json:"rig"`
	Vary          []rig.Key           `json:"vary"`
	Controlled    []StandJSON         `json:"controlled"`
	NotControlled []StandJSON         `json:"not_controlled"`
	Spoilers      []SpoilerJSON       `json:"spoilers"` // the most frequent first
	LeftOut       map[string][]string `json:"left_out"`
	Played        bool                `json:"played"`
}

// StandJSON is the runs of one rig and configuration, held against the run: base
// is the run, against are they.
type StandJSON struct {
	Rig           string           `json:"rig"`
	Setup         string           `json:"setup"`
	Runs          []string         `json:"runs"` // newest first
	First         time.Time        `json:"first"`
	Last          time.Time        `json:"last"`
	Caution       int              `json:"under_caution"`
	Factor        rig.Key          `json:"factor"` // "" where nothing differs
	FactorNamed   bool             `json:"factor_named"`
	FactorFacts   []DifferenceJSON `json:"factor_facts,omitempty"`
	NotControlled []DifferenceJSON `json:"not_controlled,omitempty"`
	NotKnown      []DifferenceJSON `json:"not_known,omitempty"`
}

// SpoilerJSON is a fact that keeps runs from standing beside the run.
type SpoilerJSON struct {
	Fact           rig.Key `json:"fact"`
	Runs           int     `json:"runs"`
	Configurations int     `json:"configurations"`
	NotKnown       int     `json:"not_known"` // of the configurations
	Follows        rig.Key `json:"follows_from,omitempty"`
	Class          Class   `json:"class,omitempty"`
}

// JSON gives the answer in the shape that JSON shows.
func (c Comparable) JSON() ComparableJSON {
	j := ComparableJSON{
		To: c.To.ID, Workload: c.To.Workload, Version: c.To.WorkloadVersion, Rig: c.To.Rig, Vary: c.Terms.Vary,
		Controlled: []StandJSON{}, NotControlled: []StandJSON{}, Spoilers: []SpoilerJSON{}, LeftOut: leftJSON(c.LeftOut), Played: c.To.Played != "",
	}
	if j.Vary == nil {
		j.Vary = []rig.Key{}
	}
	for _, s := range c.Stands {
		x := s.json()
		if s.Named {
			x.FactorFacts = differences(s.Factor)
		} else if s.For != "" {
			x.FactorFacts = differences(s.NotControlled) // the fact, and what follows from it
		}
		j.Controlled, j.Played = append(j.Controlled, x), j.Played || s.Run.Played != ""
	}
	for _, s := range c.Spoilt {
		x := s.json()
		x.NotControlled, x.NotKnown = differences(s.NotControlled), differences(s.NotKnown)
		j.NotControlled, j.Played = append(j.NotControlled, x), j.Played || s.Run.Played != ""
	}
	for _, s := range c.Spoilers {
		j.Spoilers = append(j.Spoilers, SpoilerJSON{s.Fact, s.Runs, s.Configurations, s.Unknown, s.Follows, s.Class})
	}
	return j
}

// MarshalJSON gives JSON.
func (c Comparable) MarshalJSON() ([]byte, error) { return json.Marshal(c.JSON()) }

func (s Stand) json() StandJSON {
	return StandJSON{Rig: s.Run.Rig, Setup: s.Run.Setup, Runs: s.Kin.Runs, First: s.First, Last: s.Last, Caution: s.Caution, Factor: s.For, FactorNamed: s.Named}
}
