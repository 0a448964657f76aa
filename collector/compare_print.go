package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/screen"
	"witnessmark/internal/stats"
)

// print says what was controlled before anything else.
func (a answered) print(w io.Writer) error {
	p := printer{w: w}
	p.line("%s", a.Headline())
	j := a.JSON()
	if j.Played {
		p.line("played: runs of this comparison were made up and not measured")
	}
	p.line("%s", factorWords(a.Comparison))
	p.differences("not controlled", a.NotControlled)
	p.differences("not known", a.NotKnown)
	p.differences("follows from the factor", a.Follows)
	if n := len(a.Absent); n > 0 {
		p.line("")
		p.line("absent on both sides alike, taken as equal: %s", names(a.Absent))
	}
	for _, x := range a.Workloads {
		p.workload(x, a)
	}
	p.suite(a)
	p.method(a.Options)
	p.runs(j)
	return p.err
}

// printer writes lines and tables until one fails.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintln(p.w, screen.Clean(fmt.Sprintf(format, args...)))
	}
}

func (p *printer) table(t *screen.Table) {
	if p.err == nil {
		p.err = t.Write(p.w)
	}
}

// factorWords says who named the factor, and what to do where nobody did.
func factorWords(c compare.Comparison) string {
	switch c.Rule {
	case compare.ByVary:
		return "the factor is named by --vary"
	case compare.BySelection:
		return "the factor is named by the two selections"
	case compare.BySetup:
		return "the factor is named by the setups of the two selections"
	}
	if c.Only != "" {
		return fmt.Sprintf("no factor is named; %s alone explains what differs: if it is meant to, add --vary %s", c.Only, c.Only)
	}
	if len(c.NotControlled) > 0 {
		return "no factor is named; name what is meant to differ with --vary"
	}
	return "no factor is named, and no fact differs that was read"
}

func names(ds []compare.Difference) string {
	var out []string
	for _, d := range ds {
		out = append(out, string(d.Fact))
	}
	return strings.Join(out, ", ")
}

func (p *printer) differences(title string, ds []compare.Difference) {
	if len(ds) == 0 {
		return
	}
	p.line("")
	t := screen.NewTable(title, "base", "against", "runs that differ")
	gone := map[string]int{} // facts of devices that are on one side only
	for _, d := range ds {
		if d.Device() != "" {
			gone[d.Device()]++
		}
	}
	for _, d := range ds {
		name, base, against := string(d.Fact), d.Side(d.Base), d.Side(d.Against)
		if d.Workload != "" {
			name = d.Workload + " " + name
		}
		if n := gone[d.Device()]; n > 1 {
			name = fmt.Sprintf("%s, %d facts", d.Device(), n)
			base, against = thereOrNot(base), thereOrNot(against)
			gone[d.Device()] = -1
		} else if n < 0 {
			continue
		}
		t.Row(name, base, against, shorts(d.Runs))
		switch {
		case d.Class != "":
			t.Tail(string(d.Class))
		case d.From != "":
			t.Tail("from " + string(d.From))
		}
	}
	p.table(t)
}

func thereOrNot(s string) string {
	if s != compare.NotThere {
		return "there"
	}
	return s
}

// shorts names runs by their letters, a few of them.
func shorts(ids []string) string {
	const few = 6
	var out []string
	for _, id := range ids[:min(few, len(ids))] {
		out = append(out, short(id))
	}
	if more := len(ids) - few; more > 0 {
		out = append(out, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(out, ", ")
}

func (p *printer) workload(w compare.Workload, a answered) {
	p.line("")
	p.line("%s: %s", screen.Named(w.Name, w.Version), w.Sentence())
	if w.Verdict.Verdict != stats.NoVerdict {
		for _, m := range compare.Marks(w.Verdict.Grade) {
			p.line("  mark: %s", m)
		}
	}
	for _, o := range w.Outliers {
		weak := ""
		if o.Weak {
			weak = ", weak evidence"
		}
		p.line("  apart: run %s of the %s (%s%s); it is used", short(o.Run), o.Side, o.Method, weak)
	}
	if c := w.WithoutThem; c != nil {
		value, low, high := compare.RatioText(*c)
		p.line("  without: %s; ratio %s, %s to %s", orDash(compare.VerdictWords(c.Verdict)), value, orDash(low), orDash(high))
	}
	if len(a.Workloads) > 1 && w.Verdict.Test != nil {
		s := w.Verdict.Simultaneous
		u := w.Verdict.Ratio.Value * w.Verdict.Test.SE
		p.line("  of %d workloads together: p = %.2g (difference), %.2g (equivalence), interval %s to %s", len(a.Workloads),
			w.Verdict.AdjustedP, w.Verdict.AdjustedEquivalence, compare.Rounded(s.Low, u), compare.Rounded(s.High, u))
	}
	p.scatter(w)
	for _, s := range []struct {
		name string
		side compare.Side
	}{{"base", w.Base}, {"against", w.Against}} {
		if s.side.ByMeans {
			p.line("  the %d sessions of the %s differ by more than the runs in them: their means are compared", len(s.side.Sessions), s.name)
		}
	}
	p.figures(w)
	if w.Moments == nil {
		why := w.NoMoments
		if why == w.Reason {
			why = "nothing is compared, for the same reason"
		}
		p.line("  along the sequence: %s", strings.Join(compare.Marks(stats.Grade{Reason: why}), "; "))
		return
	}
	p.line("  along the sequence, on the clock of run %s:", short(w.Moments.BaseRuns[0]))
	for _, s := range w.Moments.Sentences() {
		p.line("    %s", s)
	}
	for _, m := range compare.Marks(w.Moments.Grade) {
		p.line("    mark: %s", m)
	}
}

// scatter says how each side scatters and what the design could find.
func (p *printer) scatter(w compare.Workload) {
	if len(w.Figures) == 0 {
		return
	}
	f := w.Figures[0]
	for _, s := range []struct {
		name   string
		side   compare.Side
		points []compare.Point
		mean   stats.Repeats
	}{{"base", w.Base, f.Base, f.Comparison.Base}, {"against", w.Against, f.Against, f.Comparison.Against}} {
		u, df := s.side.Uncertainty(s.points)
		v, ok := s.mean.GeoMean.Get()
		if !ok || df == 0 || !(u > 0) {
			continue
		}
		value, rounded := stats.RoundTo(v, u)
		p.line("  %s: %s %s, standard uncertainty %s (type A, %s, %s of freedom, %s)", s.name, value, f.Unit, rounded,
			screen.Count(len(compare.Values(s.points)), "run"), screen.Count(df, "degree"), screen.Count(len(s.side.Sessions), "session"))
	}
	if v, ok := w.Verdict.Resolvable.Get(); ok && w.Verdict.Test != nil {
		p.line("  this design finds differences of %s and more with a probability of 90 %%", compare.Percent(v))
	}
}

func (p *printer) figures(w compare.Workload) {
	if len(w.Figures) == 0 {
		return
	}
	t := screen.NewTable("statistic", "unit", "base", "against", "ratio", screenLevel(w)+" interval", "")
	t.Indent = 2
	for i, f := range w.Figures {
		value, low, high := compare.RatioText(f.Comparison)
		interval, remark := "", ""
		if low != "" {
			interval = low + " to " + high
		}
		if i > 0 && w.Usable() {
			remark = strings.Join(slices.DeleteFunc(compare.Marks(f.Grade), func(m string) bool {
				return slices.Contains(compare.Marks(w.Verdict.Grade), m)
			}), "; ")
		}
		t.Row(f.Name, f.Unit, compare.MeanText(f.Comparison.Base), compare.MeanText(f.Comparison.Against), orDash(value), orDash(interval), remark)
	}
	p.table(t)
}

func screenLevel(w compare.Workload) string {
	if w.Verdict.Interval == nil {
		return "95 %"
	}
	return compare.Percent(w.Verdict.Interval.Level)
}

func (p *printer) suite(a answered) {
	s := a.Suite
	if s == nil {
		return
	}
	p.line("")
	if !s.Usable() {
		p.line("all %d workloads: no summary, since not every one of them has a ratio with an interval", s.M)
		return
	}
	g := s.GeoMean.Value
	u := g * s.MeasurementSE
	p.line("all %d workloads: geometric mean of the ratios %s, least %s, greatest %s (ratios of times turned over: higher is better)",
		s.M, compare.Rounded(g, u), compare.Rounded(s.Min.Value, u), compare.Rounded(s.Max.Value, u))
	if i := s.Measurement; i != nil {
		p.line("  of these workloads (measurement): %s interval %s to %s", compare.Percent(i.Level), compare.Rounded(i.Low, u), compare.Rounded(i.High, u))
	}
	if i := s.Workloads; i != nil {
		p.line("  of the class they are a sample of (workloads): %s interval %s to %s", compare.Percent(i.Level), compare.Rounded(i.Low, u), compare.Rounded(i.High, u))
	}
}

func (p *printer) method(o compare.Options) {
	how := "Welch's t test on the logs of the runs (ratio.welch_log)"
	if o.Paired {
		how = "paired t test on the logs of interleaved runs (ratio.paired_log)"
	}
	p.line("")
	p.line("method: %s, level %s; equivalence by two one-sided tests, margin %s; Holm over the workloads;", how, compare.Percent(1-o.Alpha), compare.Percent(o.Margin))
	p.line("  the run is the unit of evidence; a new session begins with a boot or after %s without a run;", screen.Seconds(o.SessionGap))
	p.line("  only the first statistic has a verdict, the intervals of the others hold each by itself;")
	p.line("  the numbers say how these machines repeat, not how others of their kind would do")
}

func (p *printer) runs(j compare.ComparisonJSON) {
	for _, w := range j.Workloads {
		p.line("")
		p.line("runs of %s", w.Workload)
		for _, s := range []struct {
			name string
			side compare.SideJSON
		}{{"base", w.Base}, {"against", w.Against}} {
			p.line("  %s: %s in %s: %s", s.name, screen.Count(len(s.side.Runs), "run"), screen.Count(s.side.Sessions, "session"), strings.Join(s.side.Runs, ", "))
		}
	}
	for _, s := range []struct {
		name string
		in   map[string][]string
		what string
	}{
		{"base", j.Included.Base, "used knowingly"}, {"against", j.Included.Against, "used knowingly"},
		{"base", j.LeftOut.Base, "left out"}, {"against", j.LeftOut.Against, "left out"},
	} {
		if n := leftWords(s.in); n != "" {
			p.line("%s of the %s: %s", s.what, s.name, n)
		}
	}
}
