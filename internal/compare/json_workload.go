package compare

import (
	"slices"
	"time"

	"witnessmark/internal/stats"
)

// verdictWords are the verdicts as answers say them.
var verdictWords = map[stats.Verdict]string{
	stats.Different:             "different",
	stats.NoPracticalDifference: "no practical difference",
	stats.NotResolved:           "not resolved",
}

// VerdictWords gives a verdict as answers say it; "" for none.
func VerdictWords(v stats.Verdict) string { return verdictWords[v] }

func (w Workload) json(opt Options, workloads int) WorkloadJSON {
	v := w.Verdict
	j := WorkloadJSON{
		Workload: w.Name, Version: w.Version, Ratio: ratioOf(v.Comparison), Margin: opt.Margin, Notes: slices.Clone(v.Notes),
		Base: w.Base.json(), Against: w.Against.json(), Statistics: []FigureJSON{}, Outliers: []OutlierJSON{},
		PAdjusted: finite(v.AdjustedP), PEquivalenceAdjusted: finite(v.AdjustedEquivalence),
		MinimumResolvable: numberOf(v.Resolvable), RepeatsToDetectMargin: numberOf(v.RepeatsDetect), RepeatsForEquivalence: numberOf(v.RepeatsEqual),
		MomentsRefused: w.NoMoments,
	}
	j.Ratio.Level = 1 - opt.Alpha
	if j.Notes == nil {
		j.Notes = []stats.Note{}
	}
	if words := VerdictWords(v.Verdict); words != "" {
		j.Verdict, j.Marks = &words, v.Reason
	} else {
		j.Refused = v.Reason
	}
	if v.Test != nil {
		j.P, j.PEquivalence = finite(v.Test.P), finite(v.Equivalence.P)
	}
	if v.Simultaneous != nil && workloads > 1 {
		j.Simultaneous = &RatioJSON{ratioValue(v.Comparison), finite(v.Simultaneous.Low), finite(v.Simultaneous.High), v.Simultaneous.Level, "bonferroni"}
	}
	if w.Unresolved() {
		j.RepeatsNeeded, j.RepeatsNeededReason = numberOf(v.RepeatsNeeded), v.RepeatsNeeded.Reason
	}
	for i, f := range w.Figures {
		if i == 0 {
			j.Statistic = f.Name
			j.Base.spread(w.Base, f.Comparison.Base, f.Base)
			j.Against.spread(w.Against, f.Comparison.Against, f.Against)
		}
		j.Statistics = append(j.Statistics, f.json(opt))
		j.Base.Statistics[f.Name], j.Against.Statistics[f.Name] = numberOf(f.Comparison.Base.GeoMean), numberOf(f.Comparison.Against.GeoMean)
	}
	for _, o := range w.Outliers {
		j.Outliers = append(j.Outliers, OutlierJSON(o))
	}
	if w.WithoutThem != nil {
		r := ratioOf(*w.WithoutThem)
		j.WithoutOutliers, j.WithoutOutliersVerdict = &r, VerdictWords(w.WithoutThem.Verdict)
	}
	if w.Moments != nil {
		j.Moments = w.Moments.json(w)
	}
	return j
}

// Unresolved says whether more repeats are asked for: there is no verdict yet,
// and what stands against it is their number.
func (w Workload) Unresolved() bool {
	v := w.Verdict
	return v.Verdict == stats.NotResolved || v.Verdict == stats.NoVerdict && v.Has(stats.SingleRun)
}

func (s Side) json() SideJSON {
	j := SideJSON{Runs: []string{}, Rigs: []string{}, Setups: []string{}, Sessions: len(s.Sessions), ByMeans: s.ByMeans, Statistics: map[string]*float64{}}
	for _, r := range s.Runs {
		j.Runs = append(j.Runs, r.ID)
		if !slices.Contains(j.Rigs, r.Rig) {
			j.Rigs = append(j.Rigs, r.Rig)
		}
		if !slices.Contains(j.Setups, r.Setup) {
			j.Setups = append(j.Setups, r.Setup)
		}
	}
	return j
}

// spread fills in how the side scatters in the statistic that the verdict is about.
func (j *SideJSON) spread(s Side, r stats.Repeats, points []Point) {
	j.CVPercent = numberOf(r.CV)
	if u, df := s.Uncertainty(points); df > 0 {
		j.StandardUncertainty, j.DegreesOfFreedom = finite(u), df
	}
}

func (f Figure) json(opt Options) FigureJSON {
	j := FigureJSON{Name: f.Name, Unit: f.Unit, Method: f.Method, Better: f.Better, Ratio: ratioOf(f.Comparison),
		Base: numberOf(f.Comparison.Base.GeoMean), Against: numberOf(f.Comparison.Against.GeoMean)}
	j.Ratio.Level = 1 - opt.Alpha
	if f.Interval == nil {
		j.Refused = f.Reason
	} else {
		j.Marks = f.Reason
	}
	return j
}

func suiteJSON(s stats.Suite, level float64) *SuiteJSON {
	j := &SuiteJSON{Ratio: numberOf(s.GeoMean), Min: numberOf(s.Min), Max: numberOf(s.Max), M: s.M, Better: string(stats.HigherBetter)}
	interval := func(i *stats.Interval, method string) RatioJSON {
		r := RatioJSON{Value: j.Ratio, Level: level, Method: method}
		if i != nil {
			r.Low, r.High, r.Level = finite(i.Low), finite(i.High), i.Level
		}
		return r
	}
	j.Measurement, j.Workloads = interval(s.Measurement, "suite.geomean.measurement"), interval(s.Workloads, "suite.geomean.workloads")
	if s.Usable() {
		j.Marks = s.Reason
	} else {
		j.Refused = s.Reason
	}
	return j
}

// MomentsJSON is the comparison along the sequence; places are seconds on the
// clock of the base's first run, ratios against over base.
type MomentsJSON struct {
	Advance       stats.Advance   `json:"advance"`
	WindowSeconds float64         `json:"window_seconds"`
	RatioOverall  *float64        `json:"ratio_overall"`
	LargestGap    GapJSON         `json:"largest_gap"`
	RepeatsShow   *float64        `json:"repeats_show"` // the largest such gap between repeats of one side, as a ratio above 1
	Claimed       bool            `json:"claimed"`      // the gap exceeds it, and what held-out runs say
	HeldOut       *RatioJSON      `json:"held_out"`     // where half of the runs found the gap, by the other half
	HeldOutAt     *float64        `json:"held_out_at_seconds"`
	Level         *StretchJSON    `json:"no_difference"` // the longest stretch without any
	LevelBound    *float64        `json:"no_difference_bound"`
	RoughestBase  RoughJSON       `json:"roughest_base"`
	RoughestOther RoughJSON       `json:"roughest_against"`
	Profile       []GapJSON       `json:"profile"` // every half window
	Alignments    []AlignmentJSON `json:"alignments"`
	Marks         string          `json:"marks,omitempty"`
	NotLookedInto int             `json:"runs_not_aligned_for_number,omitempty"`
}

// GapJSON is one window with the rates of both sides, in frames a second.
type GapJSON struct {
	From    float64  `json:"from_seconds"`
	To      float64  `json:"to_seconds"`
	Base    *float64 `json:"base"`
	Against *float64 `json:"against"`
	Ratio   *float64 `json:"ratio"`
}

// StretchJSON is a part of the sequence.
type StretchJSON struct {
	From float64 `json:"from_seconds"`
	To   float64 `json:"to_seconds"`
}

// RoughJSON is where a side's pacing is roughest, with the mean absolute log step
// from frame to frame there.
type RoughJSON struct {
	StretchJSON
	Step *float64 `json:"step"`
}

// AlignmentJSON is how a run was laid over the first of the base.
type AlignmentJSON struct {
	Run     string   `json:"run"`
	Side    string   `json:"side"`
	Lag     *float64 `json:"lag_seconds"`
	Peak    *float64 `json:"correlation"`
	Refused string   `json:"refused,omitempty"`
}

func (m Moments) json(w Workload) *MomentsJSON {
	j := &MomentsJSON{
		Advance: m.Advance, WindowSeconds: m.Window.Seconds(), RatioOverall: finite(1 / m.Overall), LargestGap: m.gap(m.Largest),
		RepeatsShow: numberOf(m.LargestWithin), Claimed: m.Claimed, LevelBound: finite(m.LevelBound),
		RoughestBase: m.rough(m.RoughestA, m.RoughA), RoughestOther: m.rough(m.RoughestB, m.RoughB),
		Profile: []GapJSON{}, Marks: m.Reason, NotLookedInto: m.NotLookedInto,
	}
	if m.Level != nil {
		s := stretch(*m.Level)
		j.Level = &s
	}
	if h := m.HeldOutRatio(); h != nil {
		r := ratioOf(*h)
		j.HeldOut, j.HeldOutAt = &r, finite(m.HeldOutAt.Start.Seconds())
	}
	next := time.Duration(-1 << 62)
	for _, g := range m.Profile {
		if g.Start >= next {
			j.Profile, next = append(j.Profile, m.gap(g)), g.Start+m.Window/2
		}
	}
	for i, side := range []struct {
		name string
		als  []stats.Alignment
		runs []string
	}{{"base", m.AlignedA, m.BaseRuns}, {"against", m.AlignedB, m.AgainstRuns}} {
		for k, al := range side.als {
			a := AlignmentJSON{Run: side.runs[k], Side: side.name}
			if i == 0 && k == 0 {
				a.Lag = finite(0)
			} else if a.Lag, a.Refused = finite(al.Refined.Seconds()), ""; !al.Usable() {
				a.Lag, a.Refused = nil, al.Reason
			}
			if m.Advance == stats.ByTime {
				a.Peak = finite(al.Peak)
			}
			j.Alignments = append(j.Alignments, a)
		}
	}
	return j
}

// HeldOutRatio is the estimate by the runs that did not choose the moment,
// against over base; nil with too few runs.
func (m Moments) HeldOutRatio() *stats.Comparison {
	if m.HeldOut == nil {
		return nil
	}
	c := m.HeldOut.Inverted()
	c.Direction = stats.HigherBetter
	return &c
}

func (m Moments) gap(g stats.Gap) GapJSON {
	return GapJSON{g.Start.Seconds(), (g.Start + m.Window).Seconds(), finite(g.RateA), finite(g.RateB), finite(m.Ratio(g))}
}

func stretch(s stats.Stretch) StretchJSON { return StretchJSON{s.From.Seconds(), s.To.Seconds()} }

func (m Moments) rough(at stats.Stretch, steps []float64) RoughJSON {
	r := RoughJSON{StretchJSON: stretch(at)}
	if len(steps) > 0 {
		r.Step = finite(slices.Max(steps))
	}
	return r
}
