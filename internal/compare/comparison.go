package compare

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/stats"
)

// Options are the settings of Compare; zero fields mean the default. Margin and
// alpha are design choices of the lab: set them before measuring.
type Options struct {
	Terms
	Margin     float64             // 0.01
	Alpha      float64             // 0.05
	Power      float64             // 0.9, of the plan
	Statistic  string              // the figure that the verdict is about; "" is the first that both sides have
	Paired     bool                // runs were made as interleaved pairs
	SessionGap time.Duration       // 4 h without a run begin a new session, as a boot does
	History    map[string]Spread   // by workload: how repeats scatter, from other runs
	Weights    map[string]float64  // by workload, of the suite; nil for equal weights
	Moments    stats.MomentOptions // its Advance comes from the runs
	NoMoments  bool                // leave the moments out
}

func (o Options) filled() Options {
	o.Margin, o.Alpha, o.Power = cmp.Or(o.Margin, 0.01), cmp.Or(o.Alpha, 0.05), cmp.Or(o.Power, 0.9)
	o.SessionGap = cmp.Or(o.SessionGap, 4*time.Hour)
	o.Moments.Margin, o.Moments.Alpha = cmp.Or(o.Moments.Margin, o.Margin), cmp.Or(o.Moments.Alpha, o.Alpha)
	o.Moments.Window, o.Moments.Step = cmp.Or(o.Moments.Window, 2*time.Second), cmp.Or(o.Moments.Step, 100*time.Millisecond)
	return o
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
	Base, Against Side
	Verdict       stats.FamilyMember // of the first figure, within all workloads
	Figures       []Figure           // the one that the verdict is about comes first
	Moments       *Moments           // nil when refused or left out
	NoMoments     string             // why
	Outliers      []Outlier          // of the first figure
	WithoutThem   *stats.Comparison  // of the first figure, without the outliers; nil when there are none, for pairs and for means of sessions
}

// Side is the runs of one side, in the order they were made.
type Side struct {
	Runs     []Run
	Sessions [][]int // of each session, the places of its runs in Runs
	ByMeans  bool    // sessions differ: their means are compared, not the runs
}

// Outlier is a run that lies apart from the others of its side. It stays in.
type Outlier struct {
	Run, Side string // "base" or "against"
	Value     float64
	Method    string
	Weak      bool // by a rule of thumb, not by a test of known error rate
}

// Confounded is the reason for which a ratio is withheld: what was measured is
// not the same on both sides.
const Confounded stats.Code = "confounded"

// RunLeftOut says that a run has no value of a figure.
const RunLeftOut stats.Code = "run_left_out"

// Compare compares the runs that were made against the base, each workload with
// itself. A run may be on one side only.
func Compare(base, against []Run, opt Options) Comparison {
	opt = opt.filled()
	lists := straightened(base, against)
	base, against = lists[0], lists[1]
	c := Comparison{Controlled: opt.Terms.Control(base, against), Options: opt}
	b, a := byWorkload(base), byWorkload(against)
	names := map[string]bool{}
	for n := range b {
		names[n] = true
	}
	for n := range a {
		names[n] = true
	}
	var table []stats.Comparison
	for _, n := range slices.Sorted(maps.Keys(names)) {
		w := c.workload(n, b[n], a[n], opt)
		c.Workloads = append(c.Workloads, w)
		table = append(table, w.Verdict.Comparison)
	}
	for i, m := range stats.Family(table) {
		c.Workloads[i].Verdict = m
	}
	c.suite()
	return c
}

// Shared gives the runs that are on both sides, which no comparison allows.
func Shared(base, against []Run) (ids []string) {
	on := map[string]bool{}
	for _, r := range base {
		on[r.ID] = true
	}
	for _, r := range against {
		if on[r.ID] {
			ids = append(ids, r.ID)
		}
	}
	return ids
}

func byWorkload(runs []Run) map[string][]Run {
	m := map[string][]Run{}
	for _, r := range runs {
		m[r.Workload] = append(m[r.Workload], r)
	}
	for _, rs := range m {
		slices.SortStableFunc(rs, inTime)
	}
	return m
}

func (c Comparison) workload(name string, base, against []Run, opt Options) Workload {
	w := Workload{Name: name, Grade: stats.Grade{Status: stats.OK}}
	w.Base, w.Against = sideOf(base, opt), sideOf(against, opt)
	for _, r := range slices.Concat(base, against) {
		w.Version = cmp.Or(w.Version, r.WorkloadVersion)
	}
	why := c.withheld(name)
	for _, side := range []struct {
		name string
		runs []Run
	}{{"base", base}, {"against", against}} {
		if len(side.runs) == 0 {
			why = append(why, reason(stats.TooFewValues, "%s: no run of this workload", side.name))
		}
	}
	if shared := Shared(base, against); len(shared) > 0 {
		why = append(why, reason(stats.BadOption, "%s on both sides", strings.Join(shared, ", ")))
	}
	if len(why) > 0 {
		w.Grade = stats.Grade{Status: stats.Refused, Reason: strings.Join(why, "; ")}
	}
	w.figure(opt)
	if w.Usable() {
		w.outliers(opt)
	}
	w.moments(opt)
	return w
}

// withheld says which differences between the sides refuse a ratio. Another
// machine has other firmware and other drivers by its nature: where the rig is the
// factor they are not controlled all the same, but refuse nothing.
func (c Controlled) withheld(workload string) (why []string) {
	rigs := slices.ContainsFunc(c.Factor, func(d Difference) bool { return d.Fact == RigName && d.Differs() })
	more := 0
	for _, d := range c.NotControlled {
		switch {
		case d.Class == "" || d.Workload != "" && d.Workload != workload:
		case rigs && (d.Class == Firmware || d.Class == Driver):
		case len(why) == most:
			more++
		default:
			why = append(why, reason(Confounded, "%s, %s", d.Class, d.Words()))
		}
	}
	if more > 0 {
		why = append(why, reason(Confounded, "%s of such classes", count(more, "other fact", "other facts")))
	}
	return why
}

func reason(code stats.Code, format string, args ...any) string {
	return string(code) + ": " + strings.ReplaceAll(fmt.Sprintf(format, args...), "; ", ", ")
}

func (w *Workload) refuse(code stats.Code, format string, args ...any) {
	w.Status = stats.Refused
	if w.Reason != "" {
		w.Reason += "; "
	}
	w.Reason += reason(code, format, args...)
}

// sideOf finds the sessions of a side's runs.
func sideOf(runs []Run, opt Options) Side {
	s := Side{Runs: runs}
	for i, r := range runs {
		if i == 0 || !sameSession(runs[i-1], r, opt.SessionGap) {
			s.Sessions = append(s.Sessions, nil)
		}
		last := len(s.Sessions) - 1
		s.Sessions[last] = append(s.Sessions[last], i)
	}
	return s
}

// sameSession says whether nothing parts two runs that follow each other.
func sameSession(a, b Run, gap time.Duration) bool {
	x, okX := a.Before.Text("kernel.boot_id")
	y, okY := b.Before.Text("kernel.boot_id")
	return a.Rig == b.Rig && okX == okY && x == y && b.Started.Sub(a.Started.Add(a.Elapsed)) <= gap
}

// outliers looks for runs that lie apart in the first figure, and compares
// without them.
func (w *Workload) outliers(opt Options) {
	f := w.Figures[0]
	kept := [2][]float64{}
	for i, side := range []struct {
		name   string
		points []Point
	}{{"base", f.Base}, {"against", f.Against}} {
		points := usable(side.points)
		h := opt.History[w.Name]
		found := stats.FindOutliers(logs(Values(points)), stats.OutlierOptions{Alpha: opt.Alpha, HistorySD: h.SD, HistoryDF: h.DF})
		for j, p := range points {
			if slices.Contains(found.Indices, j) {
				w.Outliers = append(w.Outliers, Outlier{p.Run, side.name, p.Value, found.Method, found.Has(stats.WeakEvidence)})
			} else {
				kept[i] = append(kept[i], p.Value)
			}
		}
	}
	if len(w.Outliers) == 0 || opt.Paired || w.Base.ByMeans || w.Against.ByMeans {
		return
	}
	without := stats.Compare(kept[0], kept[1], w.options(f, opt))
	w.WithoutThem = &without
}

func logs(x []float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = math.Log(v)
	}
	return out
}

// suite summarises the workloads once there are two.
func (c *Comparison) suite() {
	if len(c.Workloads) < 2 {
		return
	}
	var members []stats.SuiteMember
	for _, w := range c.Workloads {
		m := stats.SuiteMember{Workload: w.Name, Comparison: w.Verdict.Comparison, Weight: c.Options.Weights[w.Name]}
		if m.Direction == stats.LowerBetter {
			m.Comparison = m.Inverted()
		}
		members = append(members, m)
	}
	s := stats.SummariseSuite(members, 1-c.Options.Alpha)
	c.Suite = &s
}
