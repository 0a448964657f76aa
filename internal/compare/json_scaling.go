package compare

import (
	"encoding/json"
	"math"

	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// ScalingJSON is what limits a workload as JSON shows it.
type ScalingJSON struct {
	Controlled    bool             `json:"controlled"`
	Headline      string           `json:"headline"`
	NotControlled []DifferenceJSON `json:"not_controlled"` // base is the first cell, against all others
	NotKnown      []DifferenceJSON `json:"not_known"`
	Factor        []DifferenceJSON `json:"factor"`
	Follows       []DifferenceJSON `json:"follows"`
	Absent        []DifferenceJSON `json:"absent"`
	Workload      string           `json:"workload"`
	Version       string           `json:"version"`
	Rig           string           `json:"rig"`
	Statistic     string           `json:"statistic"`
	Unit          string           `json:"unit"`

	Limits    []ReadingJSON `json:"limits"` // what limits the workload; the first is the headline
	Elsewhere ElsewhereJSON `json:"elsewhere"`
	CannotSay []RemarkJSON  `json:"cannot_say"`
	Remarks   []RemarkJSON  `json:"remarks"`
	Refused   string        `json:"refused,omitempty"`
	Marks     string        `json:"marks,omitempty"` // code: words; code: words

	Factors     []FactorJSON     `json:"factors"`
	Cells       []CellJSON       `json:"cells"`
	Balanced    bool             `json:"balanced"`
	Sum         *float64         `json:"sum"`  // of both elasticities
	Rest        *float64         `json:"rest"` // the share that no factor moves
	Difference  *EstimateJSON    `json:"difference,omitempty"`
	Interaction *InteractionJSON `json:"interaction"`
	LackOfFit   *LackJSON        `json:"lack_of_fit"`
	Anova       []TermJSON       `json:"anova"` // the two-way table of the logs, both orders where they differ
	Days        int              `json:"days"`  // as blocks of the fit; 0 when they are not in it
	ByMeans     bool             `json:"by_session_means"`

	LeftOut map[string][]string `json:"left_out"` // runs found and not used, by reason
	Played  bool                `json:"played"`
	Method  ScalingMethodJSON   `json:"method"`
}

// ReadingJSON is one thing that limits, or does not.
type ReadingJSON struct {
	ID     stats.ReadingID `json:"id"`
	Factor string          `json:"factor,omitempty"`
	P      *float64        `json:"p,omitempty"`
	Words  string          `json:"words"`
}

// RemarkJSON is something to know about the answer.
type RemarkJSON struct {
	Code  stats.Code `json:"code"`
	Words string     `json:"words"`
}

// ElsewhereJSON is what was recorded of other limits, shares from 0 to 1; null
// where nothing was.
type ElsewhereJSON struct {
	RefreshHertz float64  `json:"refresh_hertz,omitempty"`
	RefreshShare *float64 `json:"refresh_share"`
	GraphicsBusy *float64 `json:"graphics_busy"`
	StorageBusy  *float64 `json:"storage_busy"`
	StorageWait  *float64 `json:"storage_wait"`
}

// FactorJSON is one factor with its elasticity: percent of rate for each percent of it.
type FactorJSON struct {
	Fact       rig.Key       `json:"fact"`
	Name       string        `json:"name"`
	Unit       rig.Unit      `json:"unit"`
	Settings   []rig.Key     `json:"settings"`
	Measured   bool          `json:"measured"` // values were measured under load; else they are the setting
	Source     string        `json:"source"`
	Levels     []LevelJSON   `json:"levels"`
	Elasticity *EstimateJSON `json:"elasticity"`
	Reading    *EstimateJSON `json:"reading"` // at the level that the limits are read by
	Arcs       []ArcJSON     `json:"arcs"`
}

// LevelJSON is one setting of a factor.
type LevelJSON struct {
	Setting float64 `json:"setting"`
	Label   string  `json:"label"`
}

// EstimateJSON is an estimate with its interval.
type EstimateJSON struct {
	Value *float64 `json:"value"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
	Level float64  `json:"level"`
	SE    *float64 `json:"se"`
	P     *float64 `json:"p,omitempty"`
}

// ArcJSON is the elasticity between two levels, with the other factor held.
type ArcJSON struct {
	From       float64  `json:"from"`
	To         float64  `json:"to"`
	Other      *float64 `json:"other,omitempty"`
	Elasticity *float64 `json:"elasticity"`
	SE         *float64 `json:"se"`
}

// CellJSON is one combination of levels, in the order of factors. One that was not
// run has no runs and no mean.
type CellJSON struct {
	Levels  []int      `json:"levels"`
	Label   string     `json:"label"`
	Values  []*float64 `json:"values"`
	Runs    []string   `json:"runs"`
	Mean    *float64   `json:"mean"` // geometric; times turned over
	CV      *float64   `json:"cv_percent"`
	Missing bool       `json:"missing"`
}

// InteractionJSON is the fit with a product term.
type InteractionJSON struct {
	Estimate *float64 `json:"estimate"`
	SE       *float64 `json:"se"`
	P        *float64 `json:"p"`
	DF       int      `json:"df"`
}

// LackJSON tests the additive model against the means of the cells.
type LackJSON struct {
	F   *float64 `json:"f"`
	P   *float64 `json:"p"`
	DF1 int      `json:"df1"`
	DF2 int      `json:"df2"`
}

// TermJSON is one row of the analysis of variance.
type TermJSON struct {
	Term string   `json:"term"`
	DF   int      `json:"df"`
	SS   *float64 `json:"ss"`
	MS   *float64 `json:"ms"`
	F    *float64 `json:"f"`
	P    *float64 `json:"p"`
}

// ScalingMethodJSON is the bounds of the reading. They are design choices.
type ScalingMethodJSON struct {
	Elasticity        string    `json:"elasticity"`
	Level             float64   `json:"level"`
	ReadingLevel      float64   `json:"reading_level"`
	WidestHalf        float64   `json:"widest_half"`
	Insensitive       float64   `json:"insensitive"`
	Mainly            float64   `json:"mainly"`
	Shared            float64   `json:"shared"`
	ArcSpread         float64   `json:"arc_spread"`
	InteractionP      float64   `json:"interaction_p"`
	SumLimit          float64   `json:"sum_limit"`
	NegativeLimit     float64   `json:"negative_limit"`
	SessionGapSeconds float64   `json:"session_gap_seconds"`
	LeastStep         float64   `json:"least_step"`
	Declared          []rig.Key `json:"declared_to_follow,omitempty"`
}

// JSON gives the answer in the shape that JSON shows.
func (s Scaling) JSON() ScalingJSON {
	j := ScalingJSON{
		Controlled: s.Controlled.Controlled, Headline: s.Headline(),
		NotControlled: differences(s.NotControlled), NotKnown: differences(s.NotKnown), Factor: differences(s.Controlled.Factor),
		Follows: differences(s.Follows), Absent: differences(s.Absent),
		Workload: s.Workload, Version: s.Version, Rig: s.Rig, Statistic: s.Statistic, Unit: s.Unit,
		Limits: []ReadingJSON{}, CannotSay: remarksJSON(s.CannotSay), Remarks: remarksJSON(s.Remarks),
		Elsewhere: ElsewhereJSON{s.Elsewhere.RefreshHertz, s.Elsewhere.RefreshShare, s.Elsewhere.GraphicsBusy, s.Elsewhere.StorageBusy, s.Elsewhere.StorageWait},
		Factors:   []FactorJSON{}, Cells: []CellJSON{}, Anova: []TermJSON{}, Days: s.Days, ByMeans: s.ByMeans,
		LeftOut: leftJSON(s.LeftOut), Played: s.Played(), Method: s.method(), Balanced: s.Balanced(),
	}
	if g := s.Grade(); g.Usable() {
		j.Marks = g.Reason
	} else {
		j.Refused = g.Reason
	}
	for _, r := range s.Readings {
		j.Limits = append(j.Limits, ReadingJSON{r.ID, r.Factor, finite(r.P), r.Words})
	}
	for i, f := range s.Factors {
		j.Factors = append(j.Factors, f.json(s.scaledAt(i), s.Options.Rule))
	}
	for _, c := range s.Cells {
		j.Cells = append(j.Cells, s.cellJSON(c))
	}
	s.fitJSON(&j)
	return j
}

// MarshalJSON gives JSON.
func (s Scaling) MarshalJSON() ([]byte, error) { return json.Marshal(s.JSON()) }

func remarksJSON(rs []Remark) []RemarkJSON {
	out := []RemarkJSON{}
	for _, r := range rs {
		out = append(out, RemarkJSON(r))
	}
	return out
}

func leftJSON(ls []LeftOut) map[string][]string {
	m := map[string][]string{}
	for _, l := range ls {
		m[l.Why] = l.Runs
	}
	return m
}

// scaledAt is what was found of one factor; nil when it was not varied or fitted.
func (s Scaling) scaledAt(i int) *stats.FactorScaling {
	found := s.Scaled()
	switch {
	case s.One != nil && i == s.Varied && s.One.Usable():
		return &found[0]
	case s.Two != nil && s.Two.Usable():
		return &found[i]
	}
	return nil
}

func (f Factor) json(s *stats.FactorScaling, rule stats.ScalingOptions) FactorJSON {
	j := FactorJSON{Fact: f.Fact, Name: f.Name, Unit: f.Unit, Settings: f.Settings, Measured: f.Measured, Source: f.Source, Levels: []LevelJSON{}, Arcs: []ArcJSON{}}
	if j.Settings == nil {
		j.Settings = []rig.Key{}
	}
	for _, l := range f.Levels {
		j.Levels = append(j.Levels, LevelJSON(l))
	}
	if s == nil {
		return j
	}
	estimate := func(i stats.Interval) *EstimateJSON {
		return &EstimateJSON{Value: numberOf(s.Elasticity), Low: finite(i.Low), High: finite(i.High), Level: i.Level, SE: finite(s.SE)}
	}
	j.Elasticity, j.Reading = estimate(s.Interval), estimate(s.Reading)
	for _, a := range s.Arcs {
		arc := ArcJSON{From: a.From, To: a.To, Elasticity: finite(a.Elasticity), SE: finite(a.SE)}
		if a.Other != 0 {
			arc.Other = finite(a.Other)
		}
		j.Arcs = append(j.Arcs, arc)
	}
	return j
}

func (s Scaling) cellJSON(c GridCell) CellJSON {
	j := CellJSON{Levels: c.At, Label: s.Label(c), Runs: c.Runs, Missing: len(c.Runs) == 0, Values: []*float64{}}
	if j.Runs == nil {
		j.Runs = []string{}
	}
	for _, v := range c.Values {
		j.Values = append(j.Values, finite(v))
	}
	if len(c.Rates) > 0 {
		j.Mean = finite(math.Exp(stats.Mean(logs(c.Rates))))
		j.CV = finite(100 * stats.SD(logs(c.Rates)))
	}
	return j
}

func (s Scaling) fitJSON(j *ScalingJSON) {
	term := func(name string, t stats.Term) {
		j.Anova = append(j.Anova, TermJSON{name, t.DF, finite(t.SS), finite(t.MS), finite(t.F), finite(t.P)})
	}
	lack := func(l stats.LackOfFit) {
		if l.DF1 > 0 {
			j.LackOfFit = &LackJSON{finite(l.F), finite(l.P), l.DF1, l.DF2}
		}
	}
	switch {
	case s.One != nil && s.One.Usable():
		j.Rest, j.Sum = numberOf(s.One.Rest), numberOf(s.One.Factor.Elasticity)
		lack(s.One.LackOfFit)
	case s.Two != nil && s.Two.Usable():
		t := s.Two
		j.Sum, j.Rest = numberOf(t.Sum), numberOf(t.Rest)
		d := t.Difference
		j.Difference = &EstimateJSON{finite(d.Difference), finite(d.Interval.Low), finite(d.Interval.High), d.Interval.Level, finite(d.SE), finite(d.P)}
		if i := t.Interaction; i != nil {
			j.Interaction = &InteractionJSON{finite(i.Estimate), finite(i.SE), finite(i.P), i.DF}
		}
		lack(t.LackOfFit)
		a, b := s.Factors[0].Name, s.Factors[1].Name
		if t.Anova.Block.DF > 0 {
			term("days", t.Anova.Block)
		}
		term(a, t.Anova.A)
		term(b, t.Anova.B)
		term(a+" x "+b, t.Anova.AB)
		term("repeats", t.Anova.Error)
		if !t.Anova.Balanced {
			term(b+" before "+a, t.Anova.BBeforeA)
			term(a+" after "+b, t.Anova.AAfterB)
		}
	}
}

func (s Scaling) method() ScalingMethodJSON {
	r := s.Options.Rule.Filled()
	return ScalingMethodJSON{
		Elasticity: "least squares of log rate on log factor (scaling.elasticity)", Level: r.Level, ReadingLevel: r.ReadingLevel, WidestHalf: r.WidestHalf,
		Insensitive: r.Insensitive, Mainly: r.Mainly, Shared: r.Shared, ArcSpread: r.ArcSpread, InteractionP: r.InteractionP, SumLimit: r.SumLimit,
		NegativeLimit: r.NegativeLimit, SessionGapSeconds: s.Options.SessionGap.Seconds(), LeastStep: s.Options.LeastStep, Declared: s.Options.Follows,
	}
}

// Balanced says whether every cell has the same number of runs, and some.
func (s Scaling) Balanced() bool {
	for _, c := range s.Cells {
		if len(c.Runs) == 0 || len(c.Runs) != len(s.Cells[0].Runs) {
			return false
		}
	}
	return len(s.Cells) > 0
}

// Played says whether runs of the grid were made up and not measured.
func (s Scaling) Played() bool {
	for _, c := range s.Cells {
		for _, r := range c.runs {
			if r.Played != "" {
				return true
			}
		}
	}
	return false
}
