package compare

import "encoding/json"

// CoverageJSON is a plan with what is done of it, as JSON shows it.
type CoverageJSON struct {
	Plan     string        `json:"plan"` // its name, or the file's
	Complete bool          `json:"complete"`
	Missing  int           `json:"missing"` // repeats still to be made
	Cells    []CoveredJSON `json:"cells"`
	Next     *VisitJSON    `json:"next"` // null when complete
}

// CoveredJSON is one cell; state is done, void, stale or missing.
type CoveredJSON struct {
	Workload     string   `json:"workload"`
	Version      string   `json:"version"` // that counts
	Rig          string   `json:"rig"`
	Setup        string   `json:"setup"`
	Repeats      int      `json:"repeats"`
	State        string   `json:"state"`
	Done         []string `json:"done"`
	Void         []string `json:"void"`
	Stale        []string `json:"stale"`
	StaleBecause []string `json:"stale_because"`
	Caution      []string `json:"caution"` // under caution, which does not count here
	Missing      int      `json:"missing"`
}

// VisitJSON is what to run next.
type VisitJSON struct {
	Workload    string `json:"workload"`
	Version     string `json:"version,omitempty"` // when the plan names one
	Rig         string `json:"rig"`
	Setup       string `json:"setup"`
	Repeats     int    `json:"repeats"`
	Round       int    `json:"round"`
	Rounds      int    `json:"rounds"`
	Reconfigure bool   `json:"reconfigure"`
	FromSetup   string `json:"from_setup,omitempty"`
}

// JSON gives the coverage in the shape that JSON shows.
func (c Coverage) JSON() CoverageJSON {
	j := CoverageJSON{Plan: c.Plan.Name, Complete: c.Complete(), Missing: c.Missing(), Cells: []CoveredJSON{}}
	if j.Plan == "" {
		j.Plan = c.Plan.File
	}
	for _, x := range c.Cells {
		j.Cells = append(j.Cells, CoveredJSON{
			x.Workload, x.InForce, x.Rig, x.Setup, x.Repeats, x.State(), ids(x.Done), ids(x.Void), ids(x.Stale), ids(x.Because), ids(x.Caution), x.Missing,
		})
	}
	if v := c.Next; v != nil {
		j.Next = &VisitJSON{v.Workload, v.Version, v.Rig, v.Setup, v.Repeats, v.Round, v.Rounds, v.Reconfigure, ""}
		if v.Reconfigure {
			j.Next.FromSetup = v.From
		}
	}
	return j
}

// MarshalJSON gives JSON.
func (c Coverage) MarshalJSON() ([]byte, error) { return json.Marshal(c.JSON()) }

// Missing counts the repeats still to be made.
func (c Coverage) Missing() (n int) {
	for _, x := range c.Cells {
		n += x.Missing
	}
	return n
}

func ids(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}
