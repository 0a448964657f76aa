package report

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/figure"
	"witnessmark/internal/stats"
)

// verdicts is a section for each comparison, or one that describes.
func (r report) verdicts() (out []figure.Section) {
	if r.alone() {
		s := figure.Section{Heading: "What was measured"}
		for _, w := range r.Alone.Workloads {
			s.Parts = append(s.Parts, r.described(w)...)
		}
		return append(out, s)
	}
	for i, c := range r.Comparisons {
		s := figure.Section{Heading: r.heading("Verdict", i)}
		if len(r.Comparisons) > 1 {
			s.Lead, s.Warn = c.Headline(), !c.Controlled.Controlled
		}
		for _, w := range c.Workloads {
			s.Parts = append(s.Parts, r.verdict(c, w, r.labels[i+1])...)
		}
		if c.Suite != nil {
			s.Parts = append(s.Parts, figure.Part{Text: suite(*c.Suite)})
		}
		out = append(out, s)
	}
	return out
}

// heading names a section, and the comparison where there are more.
func (r report) heading(what string, i int) string {
	if len(r.Comparisons) == 1 {
		return what
	}
	return what + ": " + r.labels[i+1] + " against " + r.labels[0]
}

func named(w compare.Workload) string { return strings.TrimSpace(w.Name + " " + w.Version) }

// verdict is what one workload's comparison came to.
func (r report) verdict(c compare.Comparison, w compare.Workload, against string) []figure.Part {
	v := figure.Verdict{Subject: named(w), Word: compare.VerdictWords(w.Verdict.Verdict), Ratio: interval(w.Verdict.Comparison)}
	if v.Word == "" {
		v.Word = "no verdict"
	}
	if !c.Controlled.Controlled {
		v.Word = "not controlled; " + v.Word
	}
	_, said, _ := strings.Cut(w.Sentence(), ": ")
	v.Lines = append(v.Lines, sentence(said))
	if !c.Controlled.Controlled && w.Usable() {
		v.Lines = append(v.Lines, "The sides differ in more than the factor: this is how far apart they are, not what the factor does.")
	}
	for _, side := range []struct {
		name, label string
		side        compare.Side
	}{{"base", r.labels[0], w.Base}, {"other side", against, w.Against}} {
		if side.side.ByMeans {
			v.Lines = append(v.Lines, fmt.Sprintf("The %d sessions of %s differ by more than the runs in them: their means are compared.", len(side.side.Sessions), side.label))
		}
	}
	for _, o := range w.Outliers {
		weak := ""
		if o.Weak {
			weak = ", weak evidence"
		}
		v.Lines = append(v.Lines, fmt.Sprintf("Run %s lies apart from its side (%s%s); it is used.", o.Run, o.Method, weak))
	}
	if x := w.WithoutThem; x != nil {
		v.Lines = append(v.Lines, "Without what lies apart: "+orWords(compare.VerdictWords(x.Verdict), "no verdict")+", ratio "+orWords(interval(*x), "withheld")+".")
	}
	if w.Verdict.Verdict != stats.NoVerdict {
		for _, m := range compare.Marks(w.Verdict.Grade) {
			v.Lines = append(v.Lines, "Mark: "+sentence(m))
		}
	}
	if t := w.Verdict.Test; t != nil && len(c.Workloads) > 1 {
		v.Lines = append(v.Lines, fmt.Sprintf("Of %d workloads together: p = %.2g for a difference, %.2g for equivalence (Holm).", len(c.Workloads), w.Verdict.AdjustedP, w.Verdict.AdjustedEquivalence))
	}
	return append([]figure.Part{{Verdict: &v}}, r.numbers(c, w, against)...)
}

// numbers is the table of all figures, and what the sequence shows.
func (r report) numbers(c compare.Comparison, w compare.Workload, against string) (out []figure.Part) {
	if len(w.Figures) > 0 {
		t := figure.Table{Caption: "All figures of " + named(w) + ", " + against + " against " + r.labels[0], Columns: []figure.Column{
			{Name: "figure"}, {Name: "unit", Short: true}, {Name: r.labels[0], Number: true}, {Name: against, Number: true},
			{Name: "ratio", Number: true}, {Name: compare.Percent(1-c.Options.Alpha) + " interval", Number: true}, {Name: "remark", Prose: true},
		}}
		for i, f := range w.Figures {
			value, low, high := compare.RatioText(f.Comparison)
			span := ""
			if low != "" {
				span = low + " to " + high
			}
			t.Rows = append(t.Rows, []string{wordsFor(f.Name), f.Unit, compare.MeanText(f.Comparison.Base), compare.MeanText(f.Comparison.Against),
				orWords(value, "–"), orWords(span, "–"), remark(w, i)})
		}
		out = append(out, figure.Part{Table: &t})
	}
	out = append(out, figure.Part{List: r.uncertainties(w, []string{r.labels[0], against}, 1-c.Options.Alpha)})
	if w.Moments == nil {
		return append(out, figure.Part{Text: "Along the sequence: " + sentence(w.NoMoments)})
	}
	list := []string{}
	for _, s := range w.Moments.Sentences() {
		list = append(list, sentence(s))
	}
	for _, m := range compare.Marks(w.Moments.Grade) {
		list = append(list, "Mark: "+sentence(m))
	}
	return append(out, figure.Part{Text: "Along the sequence, on the clock of run " + w.Moments.BaseRuns[0] + ":"}, figure.Part{List: list})
}

// remark is what else is to be known of a figure that has no verdict of its own.
func remark(w compare.Workload, i int) string {
	f := w.Figures[i]
	if i == 0 {
		return "the verdict is about this"
	}
	if !w.Usable() {
		return ""
	}
	var out []string
	for _, m := range compare.Marks(f.Grade) {
		if !slices.Contains(compare.Marks(w.Verdict.Grade), m) {
			out = append(out, m)
		}
	}
	return strings.Join(out, "; ")
}

// uncertainties states each side's first figure as it should be published.
func (r report) uncertainties(w compare.Workload, sides []string, level float64) (out []string) {
	if len(w.Figures) == 0 {
		return []string{"There is no figure: the runs have neither a timing log nor a result."}
	}
	f := w.Figures[0]
	for i, side := range []struct {
		side   compare.Side
		points []compare.Point
	}{{w.Base, f.Base}, {w.Against, f.Against}}[:len(sides)] {
		values := valuesOf(side.side, side.points)
		if len(values) == 0 {
			out = append(out, sides[i]+": no run has a value.")
			continue
		}
		u := stats.TypeA(values, f.Unit, level)
		u.Sessions = len(side.side.Sessions)
		said := u.String()
		if !u.Usable() {
			said = fmt.Sprintf("%s %s from one run, without an uncertainty", compare.Rounded(values[0], 0), f.Unit)
		} else if side.side.ByMeans {
			said += ", of the means of sessions"
		}
		out = append(out, sides[i]+", "+wordsFor(f.Name)+": "+said+".")
	}
	return out
}

// valuesOf is the values of a side's runs, or the geometric means of its sessions
// where those are compared.
func valuesOf(side compare.Side, points []compare.Point) []float64 {
	if !side.ByMeans {
		return compare.Values(points)
	}
	var out []float64
	for _, places := range side.Sessions {
		var session []compare.Point
		for _, i := range places {
			session = append(session, points[i])
		}
		if v, ok := stats.DescribeRepeats(compare.Values(session), "").GeoMean.Get(); ok {
			out = append(out, v)
		}
	}
	return out
}

// described is the figures of one side that is not compared.
func (r report) described(w compare.Workload) []figure.Part {
	t := figure.Table{Caption: "Figures of " + named(w), Columns: []figure.Column{
		{Name: "figure"}, {Name: "unit", Short: true}, {Name: "geometric mean", Number: true}, {Name: "scatter, %", Number: true},
		{Name: "least", Number: true}, {Name: "greatest", Number: true}, {Name: "runs", Number: true},
	}}
	for _, f := range w.Figures {
		d := stats.DescribeRepeats(compare.Values(f.Base), f.Unit)
		number := func(n stats.Number, digits func(float64) string) string {
			if v, ok := n.Get(); ok {
				return digits(v)
			}
			return "–"
		}
		plain := func(v float64) string { return compare.Rounded(v, 0) }
		t.Rows = append(t.Rows, []string{wordsFor(f.Name), f.Unit, compare.MeanText(d), number(d.CV, func(v float64) string { return fmt.Sprintf("%.2g", v) }),
			number(d.Min, plain), number(d.Max, plain), fmt.Sprint(d.N)})
	}
	parts := []figure.Part{{Table: &t}}
	if len(w.Figures) == 0 {
		parts = nil
	}
	return append(parts, figure.Part{List: r.uncertainties(w, r.labels, 1-r.Alone.Options.Alpha)})
}

// interval is a ratio with its interval: "1.080 (95 %: 1.072 to 1.087)".
func interval(c stats.Comparison) string {
	value, low, high := compare.RatioText(c)
	if value == "" || low == "" {
		return value
	}
	return fmt.Sprintf("%s (%s interval %s to %s)", value, compare.Percent(c.Interval.Level), low, high)
}

// suite says what the workloads come to together.
func suite(s stats.Suite) string {
	if !s.Usable() {
		return fmt.Sprintf("All %d workloads have no summary: %s", s.M, sentence(s.Reason))
	}
	g := s.GeoMean.Value
	u := g * s.MeasurementSE
	out := fmt.Sprintf("All %d workloads: geometric mean of the ratios %s, least %s, greatest %s (ratios of times turned over, so that higher is better).",
		s.M, compare.Rounded(g, u), compare.Rounded(s.Min.Value, u), compare.Rounded(s.Max.Value, u))
	if i := s.Measurement; i != nil {
		out += fmt.Sprintf(" Of this list of workloads: %s interval %s to %s (measurement).", compare.Percent(i.Level), compare.Rounded(i.Low, u), compare.Rounded(i.High, u))
	}
	if i := s.Workloads; i != nil {
		out += fmt.Sprintf(" Of the class that they are a sample of: %s interval %s to %s (workloads).", compare.Percent(i.Level), compare.Rounded(i.Low, u), compare.Rounded(i.High, u))
	}
	return out
}

// sentence makes a clause one: a capital in front, a full stop behind.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return s
	}
	if c := s[0]; 'a' <= c && c <= 'z' && !strings.ContainsAny(strings.SplitN(s, " ", 2)[0], "._[") {
		s = string(c-'a'+'A') + s[1:]
	}
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

func orWords(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// figureWords says what a figure is; the terms of the trade have an exact one.
var figureWords = map[string]string{
	"rate_mean":              "mean rate",
	"frametime_ms.p50":       "frame time, 50th percentile",
	"frametime_ms.p95":       "frame time, 95th percentile",
	"frametime_ms.p99":       "frame time, 99th percentile",
	"frametime_ms.p999":      "frame time, 99.9th percentile",
	"slowest_1pct_mean_ms":   "mean of the slowest 1 % of the frames",
	"low_1pct.percentile":    "99th-percentile frame time, as a rate",
	"low_1pct.mean_count":    "rate of the slowest 1 % of the frames",
	"low_1pct.mean_time":     "rate in the slowest 1 % of the time",
	"low_1pct.boundary_time": "time-weighted 99th percentile, as a rate",
	"window_min":             "least rate in a window of 1 s",
	"pacing_mad_log":         "mean step from frame to frame, log",
}

func wordsFor(name string) string {
	if w, ok := figureWords[name]; ok {
		return w
	}
	if n, ok := strings.CutPrefix(name, "result."); ok {
		return n + " (printed by the workload)"
	}
	return name
}
