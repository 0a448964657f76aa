package report

import (
	"fmt"
	"math"
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
			s.Parts = append(s.Parts, figure.Part{Text: suite(c)})
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
	if said := r.said(w, against); said != "" {
		v.Lines = append(v.Lines, said)
	}
	if !c.Controlled.Controlled && w.Usable() {
		v.Lines = append(v.Lines, "The sides differ in more than the factor: this is how far apart they are, not what the factor does.")
	}
	for _, side := range []struct {
		name, label string
		side        compare.Side
	}{{"base", r.labels[0], w.Base}, {"other side", against, w.Against}} {
		if side.side.ByMeans && w.Usable() {
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

// said is what the workload's sentence adds to verdict and ratio.
func (r report) said(w compare.Workload, against string) string {
	_, all, _ := strings.Cut(w.Sentence(), ": ")
	parts := slices.DeleteFunc(strings.Split(all, "; "), func(p string) bool { return strings.HasPrefix(p, "ratio ") })
	all = strings.Join(parts, "; ")
	if rest, ok := strings.CutPrefix(all, "what is held against the base "); ok {
		return against + " " + rest + "."
	}
	if w.Verdict.Verdict == stats.NoVerdict {
		const few = 3
		why := compare.Marks(w.Grade)
		if len(why) > few {
			all = fmt.Sprintf("%s; and %d more, see what was controlled", strings.Join(why[:few], "; "), len(why)-few)
		}
		return "Why: " + strings.TrimSuffix(all, ".") + "."
	}
	return sentence(all)
}

// numbers is the table of all figures, and what the sequence shows.
func (r report) numbers(c compare.Comparison, w compare.Workload, against string) (out []figure.Part) {
	if len(w.Figures) > 0 {
		t := figure.Table{Caption: fmt.Sprintf("Figures of %s, %s against %s; the verdict is about the first", named(w), against, r.labels[0]), Columns: []figure.Column{
			{Name: "figure"}, {Name: r.labels[0], Number: true}, {Name: against, Number: true},
			{Name: "ratio", Number: true}, {Name: compare.Percent(1-c.Options.Alpha) + " interval", Number: true},
		}}
		for _, f := range w.Figures {
			value, low, high := compare.RatioText(f.Comparison)
			span := ""
			if low != "" {
				span = low + " to " + high
			}
			t.Rows = append(t.Rows, []string{withUnit(f), dash(compare.MeanText(f.Comparison.Base)), dash(compare.MeanText(f.Comparison.Against)), dash(value), dash(span)})
		}
		out = append(out, figure.Part{Table: &t})
		if remarks := remarks(w); len(remarks) > 0 {
			out = append(out, figure.Part{List: remarks})
		}
	}
	out = append(out, figure.Part{List: r.uncertainties(w, []string{r.labels[0], against}, 1-c.Options.Alpha)})
	if w.Moments == nil {
		return append(out, figure.Part{Text: "Along the sequence nothing is compared: " + whyNot(w) + "."})
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

// withUnit names a figure with its unit.
func withUnit(f compare.Figure) string {
	if f.Unit == "" || f.Unit == "1" {
		return wordsFor(f.Name)
	}
	return wordsFor(f.Name) + ", " + f.Unit
}

func dash(s string) string {
	if s == "" || s == "-" {
		return "–"
	}
	return s
}

// remarks is what else is to be known of figures that have no verdict of their own.
func remarks(w compare.Workload) (out []string) {
	if !w.Usable() {
		return nil
	}
	for _, f := range w.Figures[1:] {
		for _, m := range compare.Marks(f.Grade) {
			if !slices.Contains(compare.Marks(w.Verdict.Grade), m) {
				out = append(out, wordsFor(f.Name)+": "+strings.TrimSuffix(m, ".")+".")
			}
		}
	}
	return out
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
		values, byMeans := valuesOf(side.side, side.points)
		if len(values) == 0 {
			out = append(out, sides[i]+": no run has a value.")
			continue
		}
		u := stats.TypeA(values, f.Unit, level)
		u.Sessions = len(side.side.Sessions)
		said := u.String()
		if !u.Usable() {
			said = fmt.Sprintf("%s %s from one run, without an uncertainty", compare.Rounded(values[0], 0), f.Unit)
		}
		of := "arithmetic mean of the runs"
		if byMeans {
			of = "arithmetic mean of the means of sessions, which differ by more than the runs in them"
		}
		out = append(out, sides[i]+", "+wordsFor(f.Name)+", "+of+": "+said+".")
	}
	return out
}

// whyNot says why there are no moments.
func whyNot(w compare.Workload) string {
	if w.NoMoments == w.Reason {
		return "for the same reason"
	}
	if words := compare.Marks(stats.Grade{Reason: w.NoMoments}); len(words) > 0 {
		return strings.TrimSuffix(strings.Join(words, "; "), ".")
	}
	return strings.TrimSuffix(w.NoMoments, ".")
}

// valuesOf is the values of a side's runs, or the geometric means of its sessions
// where those differ by more than the runs in them, which byMeans says.
func valuesOf(side compare.Side, points []compare.Point) (values []float64, byMeans bool) {
	var sessions [][]float64 // logs
	for _, places := range side.Sessions {
		var of []compare.Point
		for _, i := range places {
			if i < len(points) {
				of = append(of, points[i])
			}
		}
		var logs []float64
		for _, v := range compare.Values(of) {
			logs = append(logs, math.Log(v))
		}
		if len(logs) > 0 {
			sessions = append(sessions, logs)
		}
	}
	if !side.ByMeans && !(len(sessions) > 1 && stats.BetweenSessions(sessions, 0.05).Has(stats.SessionSpread)) {
		return compare.Values(points), false
	}
	for _, logs := range sessions {
		values = append(values, math.Exp(stats.Mean(logs)))
	}
	return values, true
}

// described is the figures of one side that is not compared.
func (r report) described(w compare.Workload) []figure.Part {
	t := figure.Table{Caption: "Figures of " + named(w), Columns: []figure.Column{
		{Name: "figure"}, {Name: "geometric mean", Number: true}, {Name: "scatter, %", Number: true},
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
		t.Rows = append(t.Rows, []string{withUnit(f), dash(compare.MeanText(d)), number(d.CV, func(v float64) string { return fmt.Sprintf("%.2g", v) }),
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
func suite(c compare.Comparison) string {
	s := *c.Suite
	if !s.Usable() {
		why := strings.Join(compare.Marks(s.Grade), "; ")
		if slices.ContainsFunc(c.Workloads, func(w compare.Workload) bool { return !w.Usable() }) {
			why = "not every one has a ratio"
		}
		return fmt.Sprintf("%d workloads together have no summary: %s", s.M, sentence(why))
	}
	g := s.GeoMean.Value
	u := g * s.MeasurementSE
	out := fmt.Sprintf("%d workloads together: geometric mean of the ratios %s, least %s, greatest %s (ratios of times turned over, so that higher is better).",
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
