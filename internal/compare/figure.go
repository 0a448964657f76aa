package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/stats"
	"witnessmark/internal/timing"
)

// Figure is one statistic of all runs, compared. Its verdict is only used of the
// first figure of a workload: for the others ratio and interval are given, which
// hold each by itself.
type Figure struct {
	Name          string // "rate_mean", "frametime_ms.p99", "result.score"
	Unit          string
	Method        string // of each run's number, such as frametime.p99.hf7
	Better        stats.Direction
	Base, Against []Point
	stats.Comparison
}

// Point is one run's value of a figure.
type Point struct {
	Run   string
	Value float64
	stats.Grade
	number  stats.Number // of a statistic of the log
	decimal int          // digits after the point, of a result
}

// Values gives the usable values.
func Values(ps []Point) (out []float64) {
	for _, p := range usable(ps) {
		out = append(out, p.Value)
	}
	return out
}

func usable(ps []Point) (out []Point) {
	for _, p := range ps {
		if p.Usable() {
			out = append(out, p)
		}
	}
	return out
}

// statistic is one figure of a timing log.
type statistic struct {
	name   string
	better stats.Direction
	of     func(stats.Run) stats.Number
}

// statistics lists the figures of a timing log in the order they are shown.
var statistics = []statistic{
	{"rate_mean", stats.HigherBetter, func(r stats.Run) stats.Number { return r.RateMean }},
	{"frametime_ms.p50", stats.LowerBetter, func(r stats.Run) stats.Number { return r.P50 }},
	{"frametime_ms.p95", stats.LowerBetter, func(r stats.Run) stats.Number { return r.P95 }},
	{"frametime_ms.p99", stats.LowerBetter, func(r stats.Run) stats.Number { return r.P99 }},
	{"frametime_ms.p999", stats.LowerBetter, func(r stats.Run) stats.Number { return r.P999 }},
	{"slowest_1pct_mean_ms", stats.LowerBetter, func(r stats.Run) stats.Number { return r.SlowestOnePctMean }},
	{"low_1pct.percentile", stats.HigherBetter, func(r stats.Run) stats.Number { return r.OnePctLow.Percentile }},
	{"low_1pct.mean_count", stats.HigherBetter, func(r stats.Run) stats.Number { return r.OnePctLow.MeanCount }},
	{"low_1pct.mean_time", stats.HigherBetter, func(r stats.Run) stats.Number { return r.OnePctLow.MeanTime }},
	{"low_1pct.boundary_time", stats.HigherBetter, func(r stats.Run) stats.Number { return r.OnePctLow.BoundaryTime }},
	{"window_min", stats.HigherBetter, func(r stats.Run) stats.Number { return r.WindowMin.Number }},
	{"pacing_mad_log", stats.LowerBetter, func(r stats.Run) stats.Number { return r.Pacing.MADLog }},
}

// resultPrefix begins the name of a figure that the workload prints.
const resultPrefix = "result."

// KnownStatistic says whether a figure of that name can exist.
func KnownStatistic(name string) bool {
	return len(name) > len(resultPrefix) && strings.HasPrefix(name, resultPrefix) ||
		slices.ContainsFunc(statistics, func(s statistic) bool { return s.name == name })
}

// StatisticNames lists the figures of a timing log.
func StatisticNames() (out []string) {
	for _, s := range statistics {
		out = append(out, s.name)
	}
	return out
}

// figure makes the workload's figures, the one the verdict is about first, and
// compares them.
func (w *Workload) figure(opt Options) {
	w.Figures = append(logFigures(w.Base.Runs, w.Against.Runs), resultFigures(w.Base.Runs, w.Against.Runs)...)
	first := slices.IndexFunc(w.Figures, func(f Figure) bool {
		if opt.Statistic != "" {
			return f.Name == opt.Statistic
		}
		return len(Values(f.Base)) > 0 && len(Values(f.Against)) > 0
	})
	switch {
	case first > 0:
		f := w.Figures[first]
		w.Figures = slices.Insert(slices.Delete(w.Figures, first, first+1), 0, f)
	case first < 0 && opt.Statistic != "":
		w.refuse(stats.BadOption, "no run has the statistic %s", opt.Statistic)
	case first < 0:
		w.refuse(stats.TooFewValues, "no figure is on both sides: the base has %s, %s against it", having(w.Figures, true), having(w.Figures, false))
	}
	if first >= 0 && !opt.Paired {
		w.sessions(w.Figures[0])
	}
	for i := range w.Figures {
		w.compare(&w.Figures[i], opt)
	}
	if first < 0 {
		w.Verdict.Comparison = stats.Comparison{Grade: w.Grade}
		return
	}
	w.Verdict.Comparison = w.Figures[0].Comparison
}

func having(figures []Figure, base bool) string {
	var names []string
	for _, f := range figures {
		if points := f.Against; !base && len(Values(points)) > 0 || base && len(Values(f.Base)) > 0 {
			names = append(names, f.Name)
		}
	}
	if len(names) == 0 {
		return "none"
	}
	if len(names) > 3 {
		names = append(names[:3], "others")
	}
	return strings.Join(names, ", ")
}

// logFigures describes each log once.
func logFigures(base, against []Run) []Figure {
	var out []Figure
	for _, s := range statistics {
		out = append(out, Figure{Name: s.name, Better: s.better})
	}
	any := false
	for i, side := range [][]Run{base, against} {
		for _, r := range side {
			var d stats.Run
			if r.Durations != nil {
				d, any = stats.Describe(r.Durations, stats.DefaultOptions()), true
			}
			for j, s := range statistics {
				p := Point{Run: r.ID, Grade: stats.Grade{Status: stats.Refused, Reason: reason(stats.TooFewValues, "%s", cmp.Or(r.NoLog, "no timing log"))}}
				if r.Durations != nil {
					n := s.of(d)
					p.Value, p.Grade, p.number = n.Value, n.Grade, n
					out[j].Unit, out[j].Method = n.Unit, n.Method
				}
				out[j].add(i, p)
			}
		}
	}
	if !any {
		return nil
	}
	return out
}

func (f *Figure) add(side int, p Point) {
	if side == 0 {
		f.Base = append(f.Base, p)
	} else {
		f.Against = append(f.Against, p)
	}
}

// resultFigures gathers the results of all runs by name.
func resultFigures(base, against []Run) []Figure {
	var names []string
	for _, r := range slices.Concat(base, against) {
		for _, x := range r.Results {
			if !slices.Contains(names, x.Name) {
				names = append(names, x.Name)
			}
		}
	}
	slices.Sort(names)
	var out []Figure
	for _, name := range names {
		f := Figure{Name: resultPrefix + name, Method: "result"}
		for i, side := range [][]Run{base, against} {
			for _, r := range side {
				f.add(i, f.result(r, name))
			}
		}
		out = append(out, f)
	}
	return out
}

// result takes one run's result; what is defined otherwise than in the runs
// before it is refused.
func (f *Figure) result(r Run, name string) Point {
	refused := func(code stats.Code, format string, args ...any) Point {
		return Point{Run: r.ID, Grade: stats.Grade{Status: stats.Refused, Reason: reason(code, format, args...)}}
	}
	i := slices.IndexFunc(r.Results, func(x timing.Result) bool { return x.Name == name })
	if i < 0 {
		return refused(stats.TooFewValues, "it did not print %s", name)
	}
	x := r.Results[i]
	v, err := strconv.ParseFloat(x.Value, 64)
	better := stats.Direction(x.Better)
	switch {
	case err != nil || math.IsNaN(v) || math.IsInf(v, 0):
		return refused(stats.NotPositive, "%q is no number", x.Value)
	case f.Better == "":
		f.Unit, f.Better = x.Unit, better
	case f.Better != better:
		return refused(stats.MixedDirections, "%s is better %s here and %s in other runs", name, better, f.Better)
	case f.Unit != x.Unit:
		return refused(stats.MixedDirections, "%s is in %s here and in %s in other runs", name, cmp.Or(x.Unit, "no unit"), cmp.Or(f.Unit, "no unit"))
	}
	return Point{Run: r.ID, Value: v, Grade: stats.Grade{Status: stats.OK}, decimal: decimals(x.Value)}
}

// decimals counts the digits after the point of a plain decimal; -1 for others.
func decimals(s string) int {
	if strings.ContainsAny(s, "eE") {
		return -1
	}
	_, after, _ := strings.Cut(s, ".")
	return len(after)
}

// compare compares one figure, unless the workload or the figure is refused.
func (w *Workload) compare(f *Figure, opt Options) {
	if why := f.mismatch(); why != "" || !w.Usable() {
		f.Comparison = stats.Comparison{Grade: stats.Grade{Status: stats.Refused, Reason: cmp.Or(w.Reason, why)}}
		if !strings.HasPrefix(why, string(stats.MixedDirections)) {
			f.Comparison.Base, f.Comparison.Against = stats.DescribeRepeats(Values(f.Base), f.Unit), stats.DescribeRepeats(Values(f.Against), f.Unit)
		}
		return
	}
	if opt.Paired {
		w.comparePairs(f, opt)
	} else {
		o := w.options(*f, opt)
		o.OrderBase, o.OrderOther = w.order(*f)
		f.Comparison = stats.Compare(w.Base.values(f.Base), w.Against.values(f.Against), o)
		f.Comparison.Base, f.Comparison.Against = f.sides(w)
	}
	for _, g := range f.gaps() {
		f.Comparison.Status = cmp.Or(map[bool]stats.Status{true: stats.Flagged}[f.Comparison.Status == stats.OK], f.Comparison.Status)
		f.Comparison.Reason = strings.TrimPrefix(f.Comparison.Reason+"; "+g, "; ")
	}
}

func (w *Workload) options(f Figure, opt Options) stats.CompareOptions {
	o := stats.CompareOptions{Alpha: opt.Alpha, Margin: opt.Margin, Power: opt.Power, Direction: f.Better, Unit: f.Unit, Paired: opt.Paired,
		HistorySD: opt.History[w.Name].SD}
	if strings.HasPrefix(f.Name, resultPrefix) {
		o.Resolution = f.resolution()
	}
	return o
}

// resolution is the least step that all results were printed in.
func (f Figure) resolution() float64 {
	most := -1
	for _, p := range slices.Concat(usable(f.Base), usable(f.Against)) {
		if p.decimal < 0 {
			return 0
		}
		most = max(most, p.decimal)
	}
	if most < 0 {
		return 0
	}
	return math.Pow10(-most)
}

// mismatch says why the runs' numbers are not one and the same statistic, or why
// a side has none.
func (f Figure) mismatch() string {
	var first stats.Number
	for _, p := range slices.Concat(usable(f.Base), usable(f.Against)) {
		switch {
		case p.number.Method == "":
		case first.Method == "":
			first = p.number
		default:
			if err := stats.SameMethod(first, p.number); err != nil {
				return reason(Confounded, "%s", err)
			}
		}
	}
	for _, points := range [][]Point{f.Base, f.Against} {
		for _, p := range points {
			if p.Has(stats.MixedDirections) || !p.Usable() && len(usable(points)) == 0 {
				return fmt.Sprintf("%s (run %s)", p.Reason, p.Run)
			}
		}
	}
	return ""
}

// gaps says which runs have no value, and what makes the others weak, each once.
func (f Figure) gaps() (out []string) {
	var missing []string
	met := map[string]bool{}
	for _, p := range slices.Concat(f.Base, f.Against) {
		if !p.Usable() {
			missing = append(missing, p.Run)
		} else if code, _, _ := strings.Cut(p.Reason, ":"); p.Status == stats.Flagged && !met[code] {
			met[code] = true
			out = append(out, p.Reason+" (run "+p.Run+")")
		}
	}
	if len(missing) > 0 && len(missing) < len(f.Base)+len(f.Against) {
		out = append(out, reason(RunLeftOut, "no value in %s", strings.Join(missing, ", ")))
	}
	return out
}
