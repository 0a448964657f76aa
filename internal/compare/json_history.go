package compare

import (
	"encoding/json"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// HistoryJSON is a series over time as JSON shows it.
type HistoryJSON struct {
	Workload  string              `json:"workload"`
	Version   string              `json:"version"`
	Rig       string              `json:"rig"`
	Setups    []string            `json:"setups"`
	Statistic string              `json:"statistic"`
	Unit      string              `json:"unit"`
	Better    stats.Direction     `json:"better"`
	PointsAre string              `json:"points_are"` // runs or sessions
	Points    []PointJSON         `json:"points"`
	Tracks    []TrackJSON         `json:"tracks"` // the outcome first, then clock and rise where they are known
	Changes   []ChangeJSON        `json:"changes"`
	LeftOut   map[string][]string `json:"left_out"`
	Remarks   []RemarkJSON        `json:"remarks"`
	Played    bool                `json:"played"`
	Method    HistoryMethodJSON   `json:"method"`
}

// PointJSON is one run or session.
type PointJSON struct {
	Started  time.Time      `json:"started"`
	Runs     []string       `json:"runs"`
	Outcome  *float64       `json:"outcome"`
	ClockMHz *float64       `json:"clock_mhz"`
	Rise     *float64       `json:"rise_celsius"`
	Standing drift.Standing `json:"standing"`
}

// TrackJSON is one quantity charted. Values, z and sums belong to the points named
// by places.
type TrackJSON struct {
	Name           string        `json:"name"`
	Unit           string        `json:"unit"`
	Log            bool          `json:"log"` // charted as logs: baseline, sigma and limits are of the logs
	Places         []int         `json:"places"`
	Values         []float64     `json:"values"`
	Baseline       *BaselineJSON `json:"baseline"`    // null when no chart is drawn, and refused says why
	Provisional    bool          `json:"provisional"` // from fewer than 20 points
	Z              []float64     `json:"z,omitempty"`
	CUSUMHigh      []float64     `json:"cusum_high,omitempty"`
	CUSUMLow       []float64     `json:"cusum_low,omitempty"`
	Signals        []AlarmJSON   `json:"signals"`
	FalseAlarm     *float64      `json:"points_between_false_alarms"`
	Refused        string        `json:"refused,omitempty"`
	Marks          string        `json:"marks,omitempty"`
	ChangesRefused string        `json:"changes_refused,omitempty"`
	ChangesMarks   string        `json:"changes_marks,omitempty"`
}

// BaselineJSON is the first points, which the chart takes for the rig in order.
type BaselineJSON struct {
	N     int      `json:"n"`
	Mean  *float64 `json:"mean"`
	Sigma *float64 `json:"sigma"` // mean moving range over 1.128
}

// AlarmJSON is a point that a chart signals.
type AlarmJSON struct {
	Chart string   `json:"chart"` // shewhart or cusum
	Point int      `json:"point"`
	Runs  []string `json:"runs"`
	Z     float64  `json:"z"`
	Sum   float64  `json:"sum,omitempty"`
}

// ShiftJSON is a quantity before and after a change; null where it is not known.
type ShiftJSON struct {
	Before *float64 `json:"before"`
	After  *float64 `json:"after"`
}

// ChangeJSON is a place where the mean of a track changed, with the facts that
// moved between the run before it and the run after it.
type ChangeJSON struct {
	Track    string      `json:"track"`
	At       time.Time   `json:"at"`
	Point    int         `json:"point"`
	Before   string      `json:"before"` // the last run before it
	After    string      `json:"after"`  // the first after it
	Mean     ShiftJSON   `json:"mean"`
	Ratio    *float64    `json:"ratio,omitempty"` // after over before; not of temperatures
	Sure     *float64    `json:"sure"`            // share of random orders that show less
	Weak     bool        `json:"weak"`            // it is below 0.95
	Outcome  ShiftJSON   `json:"outcome"`
	ClockMHz ShiftJSON   `json:"clock_mhz"`
	Rise     ShiftJSON   `json:"rise_celsius"`
	Causes   []CauseJSON `json:"causes"` // the likeliest first; empty when no fact moved
}

// CauseJSON is a fact that moved.
type CauseJSON struct {
	Fact    rig.Key `json:"fact"`
	Unit    string  `json:"unit,omitempty"`
	Before  string  `json:"before"`
	After   string  `json:"after"`
	Weight  string  `json:"weight,omitempty"`
	Why     string  `json:"why,omitempty"`
	Follows rig.Key `json:"follows_from,omitempty"` // another fact that moved
}

// HistoryMethodJSON is how the series was charted.
type HistoryMethodJSON struct {
	Shewhart          float64 `json:"shewhart_limit"`
	K                 float64 `json:"cusum_k"`
	H                 float64 `json:"cusum_h"`
	Baseline          int     `json:"baseline"`
	EnoughSessions    int     `json:"enough_sessions"`
	SessionGapSeconds float64 `json:"session_gap_seconds"`
	Changes           string  `json:"changes"`
	Reorderings       int     `json:"reorderings"`
}

// JSON gives the series in the shape that JSON shows.
func (h History) JSON() HistoryJSON {
	j := HistoryJSON{
		Workload: h.Workload, Version: h.Version, Rig: h.Rig, Setups: h.Setups, Statistic: h.Statistic, Unit: h.Unit, Better: h.Better, PointsAre: "runs",
		Points: []PointJSON{}, Tracks: []TrackJSON{}, Changes: []ChangeJSON{}, LeftOut: leftJSON(h.LeftOut), Remarks: remarksJSON(h.Remarks), Played: h.Played(),
	}
	if h.BySession {
		j.PointsAre = "sessions"
	}
	if j.Setups == nil {
		j.Setups = []string{}
	}
	for _, p := range h.Points {
		j.Points = append(j.Points, PointJSON{p.Started, p.Runs, finite(p.Outcome), finite(p.Clock), finite(p.Rise), p.Standing})
	}
	for _, t := range h.Tracks {
		j.Tracks = append(j.Tracks, h.trackJSON(t))
	}
	for _, c := range h.Changes {
		j.Changes = append(j.Changes, c.json())
	}
	o, c := h.Options, h.Options.Chart.Filled()
	j.Method = HistoryMethodJSON{c.Limit, c.K, c.H, o.Baseline, EnoughSessions, o.SessionGap.Seconds(), "exact optimal partition, penalty 2 sigma^2 log n", o.Reorder}
	return j
}

// MarshalJSON gives JSON.
func (h History) MarshalJSON() ([]byte, error) { return json.Marshal(h.JSON()) }

func (h History) trackJSON(t Track) TrackJSON {
	j := TrackJSON{Name: t.Name, Unit: t.Unit, Log: t.Log, Places: t.Places, Values: t.Values, Signals: []AlarmJSON{}}
	if j.Places == nil {
		j.Places, j.Values = []int{}, []float64{}
	}
	if t.Changes.Usable() {
		j.ChangesMarks = t.Changes.Reason
	} else {
		j.ChangesRefused = t.Changes.Reason
	}
	c := t.Chart
	if !c.Usable() {
		j.Refused = c.Reason
		return j
	}
	j.Marks, j.FalseAlarm, j.Provisional = c.Reason, numberOf(c.FalseAlarm), c.Has(stats.Provisional)
	j.Baseline = &BaselineJSON{c.Baseline.N, finite(c.Baseline.Mean), finite(c.Baseline.Sigma)}
	j.Z, j.CUSUMHigh, j.CUSUMLow = c.Z, c.CUSUMHigh, c.CUSUMLow
	for _, i := range c.Shewhart {
		j.Signals = append(j.Signals, AlarmJSON{Chart: "shewhart", Point: t.Places[i], Runs: h.Points[t.Places[i]].Runs, Z: c.Z[i]})
	}
	for _, i := range c.CUSUM {
		j.Signals = append(j.Signals, AlarmJSON{Chart: "cusum", Point: t.Places[i], Runs: h.Points[t.Places[i]].Runs, Z: c.Z[i], Sum: max(c.CUSUMHigh[i], c.CUSUMLow[i])})
	}
	return j
}

func (s Shift) json() ShiftJSON { return ShiftJSON{finite(s.Before), finite(s.After)} }

func (c Change) json() ChangeJSON {
	j := ChangeJSON{
		Track: c.Track, At: c.At, Point: c.Point, Before: c.Before, After: c.After, Mean: c.Mean.json(), Sure: numberOf(c.Sure), Weak: c.Weak,
		Outcome: c.Outcome.json(), ClockMHz: c.Clock.json(), Rise: c.Rise.json(), Causes: []CauseJSON{},
	}
	if c.Track != "rise" {
		j.Ratio = finite(c.Mean.After / c.Mean.Before)
	}
	for _, m := range c.Causes {
		x := CauseJSON{Fact: m.Fact, Unit: string(m.Unit), Before: m.Side(m.Base), After: m.Side(m.Against), Why: m.Why, Follows: m.Follows}
		if m.Weight != 0 {
			x.Weight = m.Weight.String()
		}
		j.Causes = append(j.Causes, x)
	}
	return j
}
