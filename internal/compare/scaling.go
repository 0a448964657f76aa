package compare

import (
	"cmp"
	"math"
	"slices"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// ScalingOptions are the settings of Scale; zero fields mean the default.
type ScalingOptions struct {
	Factors    []rig.Key     // one or two facts with numbers; CoreClock for the clock
	Statistic  string        // the figure to scale; "" is the average rate, else the first result
	Caution    bool          // take runs under caution, too
	Follows    []rig.Key     // declared to follow from the factors, beside what the catalogue says
	SessionGap time.Duration // 4 h without a run begin a new session and, over all cells, a new day
	ClockBand  float64       // 0.02: measured clocks this close are one level where no setting was read
	LeastStep  float64       // 0.1: narrower steps of a factor are remarked on
	Rule       stats.ScalingOptions
}

func (o ScalingOptions) filled() ScalingOptions {
	o.SessionGap = cmp.Or(o.SessionGap, 4*time.Hour)
	o.ClockBand = cmp.Or(o.ClockBand, 0.02)
	o.LeastStep = cmp.Or(o.LeastStep, 0.1)
	return o
}

// Scaling is what limits one workload on one rig, from a grid of runs.
type Scaling struct {
	Controlled // of all cells against the first, outside the factors
	Options    ScalingOptions
	Workload   string
	Version    string
	Rig        string
	Statistic  string
	Unit       string
	Factors    []Factor
	Cells      []GridCell // every combination of levels
	LeftOut    []LeftOut
	Days       int  // as blocks of the fit; 0 when they are not in it
	ByMeans    bool // the values are the means of sessions, which differ
	Elsewhere  stats.Elsewhere
	Two        *stats.Scaling   // of both factors
	One        *stats.OneFactor // of the factor that was varied, where only one was
	Varied     int              // its place in Factors
	Readings   []stats.Reading  // what limits the workload; the first is the headline
	CannotSay  []Remark
	Remarks    []Remark

	place map[string]int // of each run in the order of all
}

// Remark is something to know about an answer, with a stable code.
type Remark struct {
	Code  stats.Code
	Words string
}

// The codes of remarks beside those of package stats.
const (
	NotControlledCode stats.Code = "not_controlled"
	SettingsOnly      stats.Code = "settings_only"    // the factor was set, not measured
	NotAsSet          stats.Code = "not_as_set"       // what was measured did not move as the setting did
	NarrowStep        stats.Code = "narrow_step"      // the levels lie close together
	OneSessionEach    stats.Code = "one_session_each" // no cell was made twice
	NotVaried         stats.Code = "not_varied"
	DaysConfounded    stats.Code = "days_confounded" // cells were made on days of their own
	FollowsUnseen     stats.Code = "follows_unseen"  // what follows from a factor beyond what facts show
)

// GridCell is one combination of levels. One that was not run has no runs.
type GridCell struct {
	At     []int     // the level of each factor
	Values []float64 // of each factor, as measured in this cell; NaN without a run
	Runs   []string  // in the order they were made
	Rates  []float64 // of each run, the better the higher
	runs   []Run
}

// LeftOut is runs that were found and did not enter.
type LeftOut struct {
	Why  string
	Runs []string
}

// Scale sorts the runs of one workload on one rig into the grid of the factors'
// levels, checks what else differs between its cells, and reads what limits the
// workload by package stats. A level is a setting; the value of the clock is the
// measured one wherever it was measured.
func Scale(runs []Run, opt ScalingOptions) Scaling {
	opt = opt.filled()
	s := Scaling{Options: opt}
	for _, k := range opt.Factors {
		s.Factors = append(s.Factors, newFactor(k))
	}
	runs = s.admit(runs)
	s.level(runs)
	values := s.outcomes(s.enter(runs))
	s.grid(values)
	s.control()
	s.checkElsewhere()
	s.fit()
	s.remark()
	return s
}

// terms is what the grid varies.
func (s *Scaling) terms() Terms {
	t := Terms{Follows: s.Options.Follows}
	for _, f := range s.Factors {
		t.Vary = append(t.Vary, f.Settings...)
	}
	return t
}

func (s *Scaling) leave(why, run string) {
	i := slices.IndexFunc(s.LeftOut, func(l LeftOut) bool { return l.Why == why })
	if i < 0 {
		s.LeftOut = append(s.LeftOut, LeftOut{Why: why})
		i = len(s.LeftOut) - 1
	}
	s.LeftOut[i].Runs = append(s.LeftOut[i].Runs, run)
}

// admit takes the runs of the newest version that may be used.
func (s *Scaling) admit(runs []Run) (out []Run) {
	runs = straightened(runs)[0]
	slices.SortFunc(runs, inTime)
	for _, r := range runs {
		if r.Standing != drift.Voided {
			s.Workload, s.Version, s.Rig = r.Workload, r.WorkloadVersion, r.Rig
		}
	}
	terms := s.terms()
	for _, r := range runs {
		switch standing := terms.besides(r); {
		case r.Standing == drift.Voided || standing == drift.Voided:
			s.leave("void", r.ID)
		case standing == drift.Careful && !s.Options.Caution:
			s.leave("caution", r.ID)
		case r.WorkloadVersion != s.Version:
			s.leave("another version of the workload", r.ID)
		default:
			out = append(out, r)
		}
	}
	return out
}

// besides is the run's standing without the flags that say no more than that a
// fact of the factor, or one that follows from it, was varied.
func (t Terms) besides(r Run) drift.Standing {
	var rest []drift.Flag
	for _, f := range r.Flags {
		_, follows := t.cause(f.Fact)
		meant := t.varies(f.Fact) || follows
		if kind := f.Kind; meant && (kind == drift.Undeclared || kind == drift.Underrated || kind == drift.Moved) {
			continue
		}
		rest = append(rest, f)
	}
	if len(rest) == len(r.Flags) {
		return r.Standing
	}
	return drift.StandingOf(rest)
}

// enter drops the runs that a factor has no level for.
func (s *Scaling) enter(runs []Run) (out []Run) {
	for _, r := range runs {
		ok := true
		for i := range s.Factors {
			f := &s.Factors[i]
			if _, known := f.at[r.ID]; !known && ok {
				ok = false
				s.leave(f.missing(r), r.ID)
			}
		}
		if ok {
			out = append(out, r)
		}
	}
	return out
}

// valued is a run with its figure.
type valued struct {
	Run
	rate float64
}

// outcomes gives each run's figure, times turned over so that more is better.
func (s *Scaling) outcomes(runs []Run) (out []valued) {
	f, ok := pick(runs, s.Options.Statistic)
	if !ok {
		for _, r := range runs {
			s.leave("no figure to scale", r.ID)
		}
		return nil
	}
	s.Statistic, s.Unit = f.Name, f.Unit
	if f.Better == stats.LowerBetter {
		s.Unit = "1/" + cmp.Or(f.Unit, "1")
	}
	for i, p := range f.Base {
		if !p.Usable() || !(p.Value > 0) {
			s.leave("no value of "+f.Name, p.Run)
			continue
		}
		v := valued{runs[i], p.Value}
		if f.Better == stats.LowerBetter {
			v.rate = 1 / p.Value
		}
		out = append(out, v)
	}
	return out
}

// pick gives the figure of that name, or the first that a run has a value of.
func pick(runs []Run, name string) (Figure, bool) {
	figures := append(logFigures(runs, nil), resultFigures(runs, nil)...)
	i := slices.IndexFunc(figures, func(f Figure) bool {
		if name != "" {
			return f.Name == name
		}
		return len(Values(f.Base)) > 0
	})
	if i < 0 {
		return Figure{}, false
	}
	return figures[i], true
}

// grid sorts the runs into cells, and makes the cells that have none.
func (s *Scaling) grid(runs []valued) {
	used := make([]map[int]bool, len(s.Factors))
	for i, f := range s.Factors {
		used[i] = map[int]bool{}
		for _, r := range runs {
			used[i][f.at[r.ID]] = true
		}
	}
	s.drop(used)
	at := []int{0}
	if len(s.Factors) == 2 {
		at = []int{0, 0}
	}
	for at[0] = range s.Factors[0].Levels {
		if len(at) == 1 {
			s.Cells = append(s.Cells, s.cell(at, runs))
			continue
		}
		for at[1] = range s.Factors[1].Levels {
			s.Cells = append(s.Cells, s.cell(at, runs))
		}
	}
	s.place = map[string]int{}
	for i, r := range s.inOrder() {
		s.place[r.ID] = i
	}
}

// drop leaves out levels that no run is left in.
func (s *Scaling) drop(used []map[int]bool) {
	for i := range s.Factors {
		f := &s.Factors[i]
		place, levels := map[int]int{}, []Level{}
		for old, l := range f.Levels {
			if used[i][old] {
				place[old] = len(levels)
				levels = append(levels, l)
			}
		}
		for id, old := range f.at {
			f.at[id] = place[old]
		}
		f.Levels = levels
	}
}

func (s *Scaling) cell(at []int, runs []valued) GridCell {
	c := GridCell{At: slices.Clone(at)}
	measured := make([][]float64, len(at))
	for _, r := range runs {
		in := true
		for i, f := range s.Factors {
			in = in && f.at[r.ID] == at[i]
		}
		if !in {
			continue
		}
		c.Runs, c.Rates, c.runs = append(c.Runs, r.ID), append(c.Rates, r.rate), append(c.runs, r.Run)
		for i, f := range s.Factors {
			measured[i] = append(measured[i], f.value[r.ID])
		}
	}
	for i := range at {
		c.Values = append(c.Values, middle(measured[i]))
	}
	return c
}

// control holds every cell against the first that was run, and then gives each
// fact it found with what all runs have of it.
func (s *Scaling) control() {
	var base, rest []Run
	s.Controlled = Controlled{Controlled: true, Rule: ByVary}
	terms := s.terms()
	for i, c := range s.Cells {
		switch {
		case len(c.runs) == 0:
		case base == nil:
			base = s.Cells[i].runs
			s.Controlled = terms.Control(base, base)
		default:
			rest = append(rest, c.runs...)
			s.Controlled.join(terms.Control(base, c.runs))
		}
	}
	s.Controlled.Runs = len(base) + len(rest)
	if len(rest) > 0 {
		s.Controlled.complete(terms.Control(base, rest))
	}
}

func (c *Controlled) lists() []*[]Difference {
	return []*[]Difference{&c.Factor, &c.Follows, &c.NotControlled, &c.NotKnown, &c.Absent}
}

// join adds what another comparison with the same base found.
func (c *Controlled) join(o Controlled) {
	from := o.lists()
	for i, to := range c.lists() {
		for _, d := range *from[i] {
			if !slices.ContainsFunc(*to, d.sameFact) {
				*to = append(*to, d)
			}
		}
		slices.SortStableFunc(*to, func(a, b Difference) int { return rig.Compare(a.Fact, b.Fact) })
	}
	c.Follows = slices.DeleteFunc(c.Follows, func(d Difference) bool { return slices.ContainsFunc(c.NotControlled, d.sameFact) })
	c.Controlled = len(c.NotControlled) == 0 && len(c.NotKnown) == 0
}

// complete takes what both sides have of each fact from a comparison of all runs.
func (c *Controlled) complete(all Controlled) {
	for _, to := range c.lists() {
		for i := range *to {
			d := &(*to)[i]
			for _, from := range all.lists() {
				if at := slices.IndexFunc(*from, d.sameFact); at >= 0 {
					d.Base, d.Against, d.Runs = (*from)[at].Base, (*from)[at].Against, (*from)[at].Runs
					break
				}
			}
		}
	}
}

func (d Difference) sameFact(o Difference) bool { return d.Fact == o.Fact && d.Workload == o.Workload }

// merged gives the ids of both, each once.
func merged(a, b []string) []string {
	out := slices.Clone(a)
	for _, id := range b {
		if !slices.Contains(a, id) {
			out = append(out, id)
		}
	}
	return out
}

// AlsoLeft adds runs that were left out before they came here.
func (s *Scaling) AlsoLeft(why string, runs []string) {
	for _, id := range runs {
		s.leave(why, id)
	}
}

// SameFactor says whether two of the facts are one factor.
func SameFactor(facts []rig.Key) bool {
	met := map[rig.Key]bool{}
	for _, k := range facts {
		f := newFactor(k)
		if met[f.Fact] {
			return true
		}
		met[f.Fact] = true
	}
	return false
}

// middle is the geometric mean. What all runs have alike, such as a setting, it
// gives back to the last digit.
func middle(values []float64) float64 {
	if len(values) > 0 && slices.Max(values) == slices.Min(values) {
		return values[0]
	}
	return math.Exp(stats.Mean(logs(values)))
}
