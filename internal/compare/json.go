package compare

import (
	"encoding/json"
	"math"

	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// ComparisonJSON is a comparison as JSON shows it. Numbers are in full; tables
// print the same ones rounded to what their uncertainty carries.
type ComparisonJSON struct {
	Controlled      bool             `json:"controlled"`
	Headline        string           `json:"headline"`
	NotControlled   []DifferenceJSON `json:"not_controlled"`
	NotKnown        []DifferenceJSON `json:"not_known"`
	Factor          []DifferenceJSON `json:"factor"`
	FactorNamedBy   Rule             `json:"factor_named_by"`
	FactorCandidate rig.Key          `json:"factor_candidate,omitempty"` // nobody named it, and it alone explains what differs
	Follows         []DifferenceJSON `json:"follows"`
	Absent          []DifferenceJSON `json:"absent"` // on both sides alike, taken as equal
	Workloads       []WorkloadJSON   `json:"workloads"`
	Suite           *SuiteJSON       `json:"suite"` // null for a single workload
	Method          MethodJSON       `json:"method"`
	Included        SidesJSON        `json:"included"` // runs that are used and not clean, by standing
	LeftOut         SidesJSON        `json:"left_out"` // runs that were chosen and not used, by reason
	Played          bool             `json:"played"`   // runs of it were not measured
}

// SidesJSON is lists of runs for each side, by a word.
type SidesJSON struct {
	Base    map[string][]string `json:"base"`
	Against map[string][]string `json:"against"`
}

// DifferenceJSON is one fact with what each side has: its value, or a list of
// values where a side has several; null where it was not read.
type DifferenceJSON struct {
	Fact          rig.Key  `json:"fact"`
	Workload      string   `json:"workload,omitempty"`
	Unit          rig.Unit `json:"unit,omitempty"`
	Base          any      `json:"base"`
	Against       any      `json:"against"`
	BaseUnread    string   `json:"base_unread,omitempty"`
	AgainstUnread string   `json:"against_unread,omitempty"`
	Runs          []string `json:"runs"`
	From          rig.Key  `json:"from,omitempty"`
	Class         Class    `json:"class,omitempty"`
	Weight        string   `json:"weight,omitempty"`
	Why           string   `json:"why,omitempty"`
}

// RatioJSON is a ratio of against over base. Low and high are null where there
// is no interval.
type RatioJSON struct {
	Value  *float64 `json:"value"`
	Low    *float64 `json:"low"`
	High   *float64 `json:"high"`
	Level  float64  `json:"level"`
	Method string   `json:"method"`
}

// WorkloadJSON is one workload on both sides.
type WorkloadJSON struct {
	Workload               string        `json:"workload"`
	Version                string        `json:"version"`
	Verdict                *string       `json:"verdict"` // null when there is none, and refused says why
	Refused                string        `json:"refused,omitempty"`
	Statistic              string        `json:"statistic"`
	Ratio                  RatioJSON     `json:"ratio"`
	Simultaneous           *RatioJSON    `json:"simultaneous,omitempty"` // of several workloads, all at once
	Margin                 float64       `json:"margin"`
	P                      *float64      `json:"p"`
	PAdjusted              *float64      `json:"p_adjusted"`
	PEquivalence           *float64      `json:"p_equivalence"`
	PEquivalenceAdjusted   *float64      `json:"p_equivalence_adjusted"`
	Notes                  []stats.Note  `json:"notes"`
	Marks                  string        `json:"marks,omitempty"` // code: words; code: words
	Base                   SideJSON      `json:"base"`
	Against                SideJSON      `json:"against"`
	Statistics             []FigureJSON  `json:"statistics"`
	MinimumResolvable      *float64      `json:"minimum_resolvable"` // 0.01 for 1 %
	RepeatsNeeded          *float64      `json:"repeats_needed"`     // on each side in all; null when the verdict is in
	RepeatsNeededReason    string        `json:"repeats_needed_reason,omitempty"`
	RepeatsToDetectMargin  *float64      `json:"repeats_to_detect_margin"`
	RepeatsForEquivalence  *float64      `json:"repeats_for_equivalence"`
	Outliers               []OutlierJSON `json:"outliers"`
	WithoutOutliers        *RatioJSON    `json:"without_outliers,omitempty"`
	WithoutOutliersVerdict string        `json:"without_outliers_verdict,omitempty"`
	Moments                *MomentsJSON  `json:"moments"`
	MomentsRefused         string        `json:"moments_refused,omitempty"`
}

// SideJSON is the runs of one side with the geometric means of their figures.
type SideJSON struct {
	Runs                []string            `json:"runs"`
	Rigs                []string            `json:"rigs"`
	Setups              []string            `json:"setups"`
	Sessions            int                 `json:"sessions"`
	ByMeans             bool                `json:"by_session_means"`     // sessions differ: their means were compared
	CVPercent           *float64            `json:"cv_percent"`           // of the statistic that the verdict is about, as are the next two
	StandardUncertainty *float64            `json:"standard_uncertainty"` // type A, of the geometric mean, in its unit
	DegreesOfFreedom    int                 `json:"degrees_of_freedom"`
	Statistics          map[string]*float64 `json:"statistics"`
}

// FigureJSON is one statistic of both sides with its own ratio and interval, not
// adjusted for how many there are.
type FigureJSON struct {
	Name    string          `json:"name"`
	Unit    string          `json:"unit"`
	Method  string          `json:"method"`
	Better  stats.Direction `json:"better"`
	Base    *float64        `json:"base"`
	Against *float64        `json:"against"`
	Ratio   RatioJSON       `json:"ratio"`
	Refused string          `json:"refused,omitempty"`
	Marks   string          `json:"marks,omitempty"`
}

// OutlierJSON is a run that lies apart from its side.
type OutlierJSON struct {
	Run    string  `json:"run"`
	Side   string  `json:"side"`
	Value  float64 `json:"value"`
	Method string  `json:"method"`
	Weak   bool    `json:"weak,omitempty"`
}

// SuiteJSON is the geometric mean over the workloads. Measurement is the interval
// for this list of workloads, workloads that for the class they are a sample of.
type SuiteJSON struct {
	Ratio       *float64  `json:"ratio"`
	Measurement RatioJSON `json:"measurement"`
	Workloads   RatioJSON `json:"workloads"`
	Min         *float64  `json:"min"`
	Max         *float64  `json:"max"`
	M           int       `json:"m"`
	Better      string    `json:"better"` // "higher": ratios of times are turned over
	Refused     string    `json:"refused,omitempty"`
	Marks       string    `json:"marks,omitempty"`
}

// MethodJSON is how the verdicts came about. What is no published constant but a
// choice of the lab or of the design stands here with the value in use.
type MethodJSON struct {
	Ratio             string             `json:"ratio"`
	Equivalence       string             `json:"equivalence"`
	Family            string             `json:"family"`
	Alpha             float64            `json:"alpha"`
	Level             float64            `json:"level"`
	Margin            float64            `json:"margin"`
	Power             float64            `json:"power"`
	Paired            bool               `json:"paired"`
	SessionGapSeconds float64            `json:"session_gap_seconds"`
	WindowSeconds     float64            `json:"moments_window_seconds"`
	StepSeconds       float64            `json:"moments_step_seconds"`
	Within            map[string]float64 `json:"within,omitempty"` // tolerances the analyst set
	Declared          []rig.Key          `json:"declared_to_follow,omitempty"`
}

// finite gives a pointer, nil for what is no number.
func finite(f float64) *float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

func numberOf(n stats.Number) *float64 {
	if !n.Usable() {
		return nil
	}
	return finite(n.Value)
}

func differences(ds []Difference) []DifferenceJSON {
	out := []DifferenceJSON{}
	for _, d := range ds {
		j := DifferenceJSON{Fact: d.Fact, Workload: d.Workload, Unit: d.Unit, Runs: d.Runs, From: d.From, Class: d.Class, Why: d.Why}
		if d.Weight != 0 {
			j.Weight = d.Weight.String()
		}
		j.Base, j.BaseUnread = sideJSON(d.Base)
		j.Against, j.AgainstUnread = sideJSON(d.Against)
		if j.Runs == nil {
			j.Runs = []string{}
		}
		out = append(out, j)
	}
	return out
}

func sideJSON(side []Seen) (value any, unread string) {
	var values []rig.Value
	for _, s := range side {
		values = append(values, s.Value)
		if !s.Read() {
			unread = s.Unread.String()
		}
	}
	if len(values) == 1 {
		return values[0], unread
	}
	return values, unread
}

// JSON gives the comparison in the shape that JSON shows.
func (c Comparison) JSON() ComparisonJSON {
	j := ComparisonJSON{
		Controlled: c.Controlled.Controlled, Headline: c.Headline(),
		NotControlled: differences(c.NotControlled), NotKnown: differences(c.NotKnown),
		Factor: differences(c.Factor), FactorNamedBy: c.Rule, FactorCandidate: c.Only,
		Follows: differences(c.Follows), Absent: differences(c.Absent),
		Workloads: []WorkloadJSON{}, Method: c.method(),
		Included: SidesJSON{map[string][]string{}, map[string][]string{}}, LeftOut: SidesJSON{map[string][]string{}, map[string][]string{}},
	}
	for _, w := range c.Workloads {
		j.Workloads = append(j.Workloads, w.json(c.Options, len(c.Workloads)))
		for i, side := range [][]Run{w.Base.Runs, w.Against.Runs} {
			in := []map[string][]string{j.Included.Base, j.Included.Against}[i]
			for _, r := range side {
				j.Played = j.Played || r.Played != ""
				if s := string(r.Standing); s != "clean" && s != "" {
					in[s] = append(in[s], r.ID)
				}
			}
		}
	}
	if c.Suite != nil {
		j.Suite = suiteJSON(*c.Suite, 1-c.Options.Alpha)
	}
	return j
}

// MarshalJSON gives JSON.
func (c Comparison) MarshalJSON() ([]byte, error) { return json.Marshal(c.JSON()) }

func (c Comparison) method() MethodJSON {
	o := c.Options
	m := MethodJSON{
		Ratio: "ratio.welch_log", Equivalence: "tost", Family: "holm", Alpha: o.Alpha, Level: 1 - o.Alpha, Margin: o.Margin, Power: o.Power, Paired: o.Paired,
		SessionGapSeconds: o.SessionGap.Seconds(), WindowSeconds: o.Moments.Window.Seconds(), StepSeconds: o.Moments.Step.Seconds(), Declared: o.Follows,
	}
	if o.Paired {
		m.Ratio = "ratio.paired_log"
	}
	for k, t := range o.Within {
		if m.Within == nil {
			m.Within = map[string]float64{}
		}
		m.Within[string(k)] = t.Absolute
	}
	return m
}

func ratioOf(c stats.Comparison) RatioJSON {
	r := RatioJSON{Value: ratioValue(c), Level: 1 - c.Alpha, Method: c.Ratio.Method}
	if c.Interval != nil {
		r.Low, r.High, r.Level = finite(c.Interval.Low), finite(c.Interval.High), c.Interval.Level
	}
	return r
}

// ratioValue is the ratio, also where it has no interval; nil when it was withheld.
func ratioValue(c stats.Comparison) *float64 {
	if c.Ratio.Method == "" || !(c.Ratio.Value > 0) {
		return nil
	}
	return finite(c.Ratio.Value)
}
