package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/report"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
	"witnessmark/internal/stats"
)

// pick is the flags that choose runs of one workload for a longer look.
type pick struct {
	workload, version, rig, setup string
	since, until, where           string
	include                       []string
}

func (p *pick) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&p.workload, "workload", "", "runs of the workload `NAME`")
	f.StringVar(&p.version, "version", "", "of its version `TEXT`; without it the newest")
	f.StringVar(&p.rig, "rig", "", "runs of the rig `NAME`")
	f.StringVar(&p.setup, "setup", "", "runs declared in the setup `LABEL`")
	f.StringVar(&p.since, "since", "", "runs started at or after `TIME`: 7d, 12h, 2031-03-02, 2031-03-02T09:00:00Z")
	f.StringVar(&p.until, "until", "", "runs started before `TIME`; a date counts to its end")
	f.StringVar(&p.where, "where", "", "and chosen by `SELECTION`: facts such as memory.size=32768, or the ids of runs")
	f.StringSliceVar(&p.include, "include", nil, "use runs of a `STANDING` that is not clean: caution")
	cmd.MarkFlagRequired("workload")
}

// selection puts the flags into one selection.
func (p *pick) selection(now time.Time) (answer.Selection, error) {
	var terms []string
	for _, t := range [][2]string{
		{"workload", p.workload}, {"version", p.version}, {"rig", p.rig}, {"setup", p.setup}, {"since", p.since}, {"until", p.until},
	} {
		if t[1] == "" {
			continue
		}
		if strings.Contains(t[1], `"`) {
			return answer.Selection{}, screen.Misuse("leave the quotes out", "--%s %s: it holds a quote", t[0], t[1])
		}
		terms = append(terms, t[0]+`="`+t[1]+`"`)
	}
	if p.where != "" {
		terms = append(terms, p.where)
	}
	s, err := answer.ParseSelection(strings.Join(terms, ","), now)
	if err != nil {
		return s, screen.Misuse(fault.HintOf(err), "%s", err)
	}
	return s, nil
}

// caution says whether runs under caution are to be used.
func (p *pick) caution() (bool, error) {
	for _, w := range p.include {
		if w != string(drift.Careful) {
			return false, screen.Misuse("runs under caution may be taken in with --include caution; void ones never", "--include %s: not possible", w)
		}
	}
	return len(p.include) > 0, nil
}

// scaling is the flags of collector scaling.
type scaling struct {
	pick
	factors, follows []string
	statistic        string
	rule             stats.ScalingOptions
}

func scalingCommand(d *desk) *cobra.Command {
	var s scaling
	var out drawing
	cmd := &cobra.Command{
		Use:   "scaling",
		Short: "Say what limits a workload, from runs at several memory speeds or clocks",
		Long: `Say what limits a workload, from runs at several memory speeds or clocks.

It sorts the runs it finds into a grid of one or two factors: any fact that is a
number, or cpu.clock for the clock of the cores. Settings tell the cells apart;
the value of the clock is the one that was measured under load. A flag that says
no more than that a factor was varied bars no run.

An elasticity is the percentage of rate for each percent of the factor: the share
of the time that scales with it. The bounds of the reading are choices, printed
with the result.`,
		Example: "  collector scaling --workload orrery --factors memory.speed,cpu.clock\n" +
			"  collector scaling --workload orrery --rig heron --factors memory.speed --where cpu.clock_max=4100 --json",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			q, err := s.resolve(d.now())
			if err == nil {
				err = out.free()
			}
			if err != nil {
				return err
			}
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				got, err := q.fetch(cmd.Context(), b, where)
				if err != nil {
					return err
				}
				if _, err := out.draw(report.OfScaling(got)); err != nil {
					return err
				}
				if d.json {
					return screen.JSON(d.stdout, got)
				}
				return printScaling(d.stdout, got)
			})
		},
	}
	s.flags(cmd)
	out.flags(cmd)
	d.jsonFlag(cmd)
	return cmd
}

func (s *scaling) flags(cmd *cobra.Command) {
	s.pick.flags(cmd)
	f := cmd.Flags()
	f.StringSliceVar(&s.factors, "factors", nil, "one `FACT` or two apart by a comma, such as memory.speed,cpu.clock")
	f.StringSliceVar(&s.follows, "follows", nil, "a `FACT` that follows from a factor, beside those that are known to")
	f.StringVar(&s.statistic, "statistic", "", "scale the statistic `NAME` in place of the mean rate")
	d := stats.ScalingOptions{}.Filled()
	for _, x := range []struct {
		to    *float64
		name  string
		value float64
		what  string
	}{
		{&s.rule.Level, "level", d.Level, "level of the intervals printed, a `SHARE`"},
		{&s.rule.ReadingLevel, "reading-level", d.ReadingLevel, "level of the intervals that the limits are read by, a `SHARE`"},
		{&s.rule.WidestHalf, "widest", d.WidestHalf, "a wider half interval, a `NUMBER`, resolves nothing"},
		{&s.rule.Insensitive, "insensitive", d.Insensitive, "an interval inside plus and minus this `NUMBER` says that a factor does not matter"},
		{&s.rule.Mainly, "mainly", d.Mainly, "an interval above this `NUMBER` says that it is mainly this factor"},
		{&s.rule.Shared, "shared", d.Shared, "both intervals above this `NUMBER` say that both matter"},
	} {
		f.Float64Var(x.to, x.name, x.value, x.what)
	}
	cmd.MarkFlagRequired("factors")
}

// gridQuestion is which runs to scale, and how.
type gridQuestion struct {
	selection answer.Selection
	options   compare.ScalingOptions
}

func (s *scaling) resolve(now time.Time) (q gridQuestion, err error) {
	if q.selection, err = s.selection(now); err != nil {
		return q, err
	}
	if q.options.Caution, err = s.caution(); err != nil {
		return q, err
	}
	for _, w := range s.factors {
		k := rig.Key(strings.TrimSpace(w))
		if !compare.KnownFactor(k) {
			return q, screen.Misuse("give a fact that is a number, such as memory.speed or cpu.cores, or cpu.clock; facts are listed by: agent facts",
				"--factors %s: it is no fact with a number", w)
		}
		q.options.Factors = append(q.options.Factors, k)
	}
	if n := len(q.options.Factors); n == 0 || n > 2 {
		return q, screen.Misuse("give one or two, and hold the others with --setup or --where", "--factors: %d factors are given", n)
	}
	if compare.SameFactor(q.options.Factors) {
		return q, screen.Misuse("give another one, or this one alone", "--factors: both are the same")
	}
	for _, w := range s.follows {
		k, err := factOf("--follows", w)
		if err != nil {
			return q, err
		}
		q.options.Follows = append(q.options.Follows, k)
	}
	if s.statistic != "" && !compare.KnownStatistic(s.statistic) {
		return q, screen.Misuse("it is one of "+strings.Join(compare.StatisticNames(), ", ")+", or result.NAME", "--statistic %s: not known", s.statistic)
	}
	r := s.rule
	for _, x := range []struct {
		name  string
		value float64
		most  float64
	}{{"level", r.Level, 0.9999}, {"reading-level", r.ReadingLevel, 0.9999}, {"widest", r.WidestHalf, 10}, {"insensitive", r.Insensitive, 1}, {"mainly", r.Mainly, 1}, {"shared", r.Shared, 1}} {
		if !(x.value > 0 && x.value <= x.most) {
			return q, screen.Misuse(fmt.Sprintf("give a number above 0 and up to %g", x.most), "--%s %g: not possible", x.name, x.value)
		}
	}
	q.options.Statistic, q.options.Rule = s.statistic, r
	return q, nil
}

// fetch gets the runs and scales them. Runs under caution are fetched, too: a flag
// on a factor is no reason to leave a run out.
func (q gridQuestion) fetch(ctx context.Context, b answer.Book, where string) (compare.Scaling, error) {
	l, err := answer.Load(ctx, b, q.selection, answer.LoadOptions{Include: []drift.Standing{drift.Careful}, NeedLogs: true, NeedSignals: true})
	if err != nil {
		return compare.Scaling{}, err
	}
	if len(l.Runs) == 0 {
		return compare.Scaling{}, noneFit(q.selection, l, where)
	}
	rigs := map[string]int{}
	for _, r := range l.Runs {
		rigs[r.Rig]++
	}
	if len(rigs) > 1 {
		return compare.Scaling{}, fault.New("scale", q.selection.Text, fmt.Errorf("it chooses runs of %d rigs: %s", len(rigs), strings.Join(slices.Sorted(maps.Keys(rigs)), ", "))).
			WithHint("a grid is of one rig: name it with --rig")
	}
	s := compare.Scale(l.Runs, q.options)
	for _, why := range slices.Sorted(maps.Keys(l.Left)) {
		s.AlsoLeft(why, l.Left[why])
	}
	return s, nil
}

// noneFit says why no run is there to look at.
func noneFit(s answer.Selection, l answer.Loaded, where string) error {
	why, hint := errors.New("no run in "+where+" fits"), "list what there is with: collector runs"
	if n := leftWords(l.Left); n != "" {
		why, hint = errors.New("no run enters: "+n), "void runs are never used; see why with: collector flags"
	}
	return fault.New("choose runs", s.Text, why).WithHint(hint)
}

func printScaling(w io.Writer, s compare.Scaling) error {
	p := printer{w: w}
	p.line("%s", s.Headline())
	if s.Played() {
		p.line("played: runs of this grid were made up and not measured")
	}
	p.line("%s on %s, by %s:", screen.Named(s.Workload, s.Version), s.Rig, s.Statistic)
	for _, r := range s.Readings {
		words := "  " + r.Words
		if !math.IsNaN(r.P) {
			words += fmt.Sprintf(" (p = %.2g)", r.P)
		}
		p.line("%s", words)
	}
	p.remarks("cannot be said", s.CannotSay)
	p.remarks("to be known", s.Remarks)
	for _, m := range compare.Marks(s.Grade()) {
		p.line("mark: %s", m)
	}
	p.spread("not controlled", s.NotControlled)
	p.spread("not known", s.NotKnown)
	p.spread("follows from a factor", s.Follows)
	p.elasticities(s)
	p.cells(s)
	p.variance(s)
	p.scalingMethod(s)
	return p.err
}

func (p *printer) remarks(title string, rs []compare.Remark) {
	if len(rs) == 0 {
		return
	}
	p.line("%s:", title)
	for _, r := range rs {
		p.line("  %s (%s)", r.Words, r.Code)
	}
}

// spread lists facts with what all runs have of them.
func (p *printer) spread(title string, ds []compare.Difference) {
	if len(ds) == 0 {
		return
	}
	p.line("")
	t := screen.NewTable(title, "values", "")
	for _, d := range ds {
		from := ""
		if d.From != "" {
			from = "from " + string(d.From)
		}
		t.Row(string(d.Fact), d.Everywhere(), from)
	}
	p.table(t)
}

func (p *printer) elasticities(s compare.Scaling) {
	j := s.JSON()
	level := compare.Percent(j.Method.Level)
	t := screen.NewTable("factor", "elasticity", level+" interval", compare.Percent(j.Method.ReadingLevel)+" interval", "values")
	for _, f := range j.Factors {
		how := "as set"
		if f.Measured {
			how = "as measured"
		}
		if f.Elasticity == nil || f.Elasticity.Value == nil {
			t.Row(f.Name, "-", "-", "-", how)
			continue
		}
		t.Row(f.Name, estimate(f.Elasticity.Value, f.Elasticity.SE), span2(f.Elasticity), span2(f.Reading), how)
	}
	if d := j.Difference; d != nil && d.Value != nil {
		t.Row("difference", estimate(d.Value, d.SE), "-", span2(d), "")
	}
	if i := j.Interaction; i != nil && i.Estimate != nil {
		t.Row("interaction", estimate(i.Estimate, i.SE), "-", "-", "p = "+probability(i.P))
	}
	p.line("")
	p.table(t)
	for _, f := range j.Factors {
		for _, a := range f.Arcs {
			at := ""
			if a.Other != nil {
				at = fmt.Sprintf(" with the other factor at %.4g", *a.Other)
			}
			p.line("  %s from %.4g to %.4g%s: %s", f.Name, a.From, a.To, at, estimate(a.Elasticity, a.SE))
		}
	}
	if j.Rest != nil && len(j.Factors) > 0 {
		p.line("  the rest, which no factor moves: %s", compare.Percent(*j.Rest))
	}
}

func estimate(v, u *float64) string {
	if v == nil {
		return "-"
	}
	if u == nil {
		return compare.Rounded(*v, 0)
	}
	return compare.Rounded(*v, *u)
}

func span2(e *compare.EstimateJSON) string {
	if e == nil || e.Low == nil || e.High == nil || e.SE == nil {
		return "-"
	}
	return compare.Rounded(*e.Low, *e.SE) + " to " + compare.Rounded(*e.High, *e.SE)
}

func probability(p *float64) string {
	if p == nil {
		return "-"
	}
	return strconv.FormatFloat(*p, 'g', 2, 64)
}

func (p *printer) cells(s compare.Scaling) {
	head := []string{}
	for _, f := range s.Factors {
		head = append(head, f.Name)
		if f.Measured {
			head = append(head, "measured")
		}
	}
	t := screen.NewTable(append(head, "runs", s.Unit, "CV %")...)
	for _, c := range s.JSON().Cells {
		var row []string
		for i, f := range s.Factors {
			row = append(row, f.Levels[c.Levels[i]].Label)
			if f.Measured {
				v := "-"
				if c.Values[i] != nil {
					v = fmt.Sprintf("%.0f %s", *c.Values[i], f.Unit)
				}
				row = append(row, v)
			}
		}
		mean, cv := "missing", ""
		if c.Mean != nil {
			mean, cv = screen.Significant(*c.Mean), "-"
		}
		if c.CV != nil {
			cv = compare.Rounded(*c.CV, 0)
			mean = compare.Rounded(*c.Mean, *c.Mean**c.CV/100/math.Sqrt(float64(len(c.Runs))))
		}
		t.Row(append(row, strconv.Itoa(len(c.Runs)), mean, cv)...)
	}
	if t.Len() > 0 {
		p.line("")
		p.table(t)
	}
}

func (p *printer) variance(s compare.Scaling) {
	rows := s.JSON().Anova
	if len(rows) == 0 {
		return
	}
	p.line("")
	t := screen.NewTable("analysis of variance of the logs", "df", "sum of squares", "F", "p")
	for _, r := range rows {
		f := "-"
		if r.F != nil {
			f = compare.Rounded(*r.F, 0)
		}
		ss := "-"
		if r.SS != nil {
			ss = strconv.FormatFloat(*r.SS, 'g', 3, 64)
		}
		t.Row(r.Term, strconv.Itoa(r.DF), ss, f, probability(r.P))
	}
	p.table(t)
}

func (p *printer) scalingMethod(s compare.Scaling) {
	m := s.JSON().Method
	p.line("")
	p.line("method: %s; read by %s intervals;", m.Elasticity, compare.Percent(m.ReadingLevel))
	p.line("  chosen bounds: not resolved beyond +-%g, does not matter inside +-%g, mainly above %g, shared above %g,", m.WidestHalf, m.Insensitive, m.Mainly, m.Shared)
	p.line("  moves with p below %g and arcs %g apart, suspect above a sum of %g or below -%g", m.InteractionP, m.ArcSpread, m.SumLimit, m.NegativeLimit)
	if s.Days > 1 {
		p.line("  the %d days are blocks of the fit", s.Days)
	}
	if s.ByMeans {
		p.line("  sessions of a cell differ by more than the runs in them: their means are the values")
	}
	for _, l := range s.LeftOut {
		p.line("left out, %s: %s: %s", l.Why, screen.Count(len(l.Runs), "run"), shorts(l.Runs))
	}
}
