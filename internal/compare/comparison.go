package compare

import (
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// Options are the settings of Compare; zero fields mean the default. Margin and
// level are design choices of the lab: set them before measuring.
type Options struct {
	Terms
	Margin    float64             // 0.01
	Alpha     float64             // 0.05
	Power     float64             // 0.9, of the plan
	Statistic string              // the figure that the verdict is about; "" is the first of Figures that both sides have
	Paired    bool                // runs were made as interleaved pairs
	History   map[string]Spread   // by workload: how its repeats scatter, from other runs
	Weights   map[string]float64  // by workload, of the suite; nil for equal weights
	Moments   stats.MomentOptions // its Advance comes from the runs
	NoMoments bool
}

// Spread is the standard deviation of the log rates of repeats, with the degrees
// of freedom it rests on.
type Spread struct {
	SD float64
	DF int
}

// Comparison is the answer: what was controlled, and each workload's verdict.
type Comparison struct {
	Controlled
	Options   Options // with the defaults filled in
	Workloads []Workload
	Suite     *stats.Suite // nil for a single workload
}

// Workload is one workload on both sides. When it is refused there is no ratio
// and no verdict, but each side's own figures stand.
type Workload struct {
	Name, Version string // the version of the base
	stats.Grade
	Controlled    bool
	Base, Against Side
	Verdict       stats.FamilyMember // of the first figure
	Figures       []Figure           // the one that the verdict is about comes first
	Moments       *Moments           // nil when refused, NoMoments says why
	NoMoments     string
	Outliers      []Outlier
	WithoutThem   *stats.Comparison // of the first figure, without the outliers; nil when there are none
	Sessions      bool              // the values compared are the means of sessions, which differ
}

// Side is the runs of one side, in the order they were made.
type Side struct {
	Runs     []Run
	Sessions int
}

// Figure is one statistic of all runs, compared.
type Figure struct {
	Name          string // "rate_mean", "frametime_ms.p99", "result.score"
	Unit          string
	Method        string // of each run's number, such as frametime.p99.hf7
	Better        stats.Direction
	Base, Against []Point
	stats.Comparison
}

// Point is one run's value.
type Point struct {
	Run   string
	Value float64
	stats.Grade
}

// Outlier is a run that lies apart from the others of its side. It stays in.
type Outlier struct {
	Run    string
	Side   string // "base" or "against"
	Value  float64
	Method string
	Weak   bool // by a rule of thumb, not by a test of known error rate
}

// Moments is the comparison along the sequence, against over base, on the clock
// of the base's first run.
type Moments struct {
	stats.Moments // A is the base, B is what is held against it
	Advance       stats.Advance
	BaseRuns      []string // of AlignedA
	AgainstRuns   []string // of AlignedB
}

// Ratio gives a gap's ratio as against over base.
func (Moments) Ratio(g stats.Gap) float64 { return 1 / g.Ratio }

// Values gives a figure's usable values.
func Values(ps []Point) (out []float64) {
	for _, p := range ps {
		if p.Usable() {
			out = append(out, p.Value)
		}
	}
	return out
}

// Kept says whether the fact may be a factor by what chose the sides alone:
// what changes the thing that is measured has to be named outright.
func Kept(k rig.Key) bool { return classOf(k) == "" }
