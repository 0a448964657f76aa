package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/figure"
	"witnessmark/internal/stats"
)

// plates is all figures. One that has nothing to draw is not there.
func (r report) plates() figure.Section {
	s := figure.Section{Heading: "Figures"}
	add := func(f figure.Figure, err error) {
		if err == nil {
			s.Parts = append(s.Parts, figure.Part{Figure: &f})
		}
	}
	for i, c := range r.Comparisons {
		add(r.ratios(c, i).Figure())
	}
	for _, name := range r.workloads() {
		add(r.repeats(name).Figure())
		for i, c := range r.Comparisons {
			w := find(c, name)
			if w == nil {
				continue
			}
			if w.Moments != nil {
				add(r.rates(*w, i).Figure())
			}
			add(r.frameTimes(*w, i).Figure())
		}
		if r.alone() {
			add(r.frameTimes(*find(*r.Alone, name), -1).Figure())
		}
		add(r.distribution(name).Figure())
	}
	for _, id := range Shown(r.Input) {
		add(r.course(id).Figure())
	}
	if len(s.Parts) == 0 {
		s.Parts = append(s.Parts, figure.Part{Text: "There is nothing to draw: the runs have no timing log, no result and no signal."})
	}
	return s
}

// workloads names all of them.
func (r report) workloads() []string {
	return names(r.all(), func(run compare.Run) string { return run.Workload })
}

func find(c compare.Comparison, name string) *compare.Workload {
	for i := range c.Workloads {
		if c.Workloads[i].Name == name {
			return &c.Workloads[i]
		}
	}
	return nil
}

// head is what the figures of a comparison have in common; i is -1 where nothing
// is compared.
func (r report) head(name, subject string, i int, runs ...[]compare.Run) figure.Head {
	h := figure.Head{Name: name, Subject: subject}
	if i >= 0 {
		h.NotControlled = spoiledBy(r.Comparisons[i].Controlled)
	}
	for _, run := range slices.Concat(runs...) {
		h.Played = h.Played || run.Played != ""
	}
	return h
}

// headOfAll is head for a figure that shows all sides.
func (r report) headOfAll(name, subject string) figure.Head {
	h := r.head(name, subject, -1, r.all())
	var spoiled []string
	for i, c := range r.Comparisons {
		by := spoiledBy(c.Controlled)
		if by != "" && len(r.Comparisons) > 1 {
			by = r.labels[i+1] + ": " + by
		}
		if by != "" {
			spoiled = append(spoiled, by)
		}
	}
	h.NotControlled = strings.Join(spoiled, "; ")
	return h
}

// spoiledBy names the facts that were not controlled, a few of them, the heaviest
// first; "" where all were.
func spoiledBy(c compare.Controlled) string {
	var parts []string
	for _, k := range []struct {
		ds        []compare.Difference
		one, many string
	}{{c.NotControlled, "differs", "differ"}, {c.NotKnown, "is not known", "are not known"}} {
		const few = 3
		var keys []string
		for _, d := range heaviest(k.ds) {
			if name := d.Fact; !slices.Contains(keys, string(name)) {
				keys = append(keys, string(name))
			}
		}
		switch n := len(keys); {
		case n == 1:
			parts = append(parts, keys[0]+" "+k.one)
		case n > few+1:
			parts = append(parts, fmt.Sprintf("%s and %d more %s", strings.Join(keys[:few], ", "), n-few, k.many))
		case n > 0:
			parts = append(parts, enumerate(keys)+" "+k.many)
		}
	}
	return strings.Join(parts, "; ")
}

// heaviest puts first what refuses a ratio, then what weighs most.
func heaviest(ds []compare.Difference) []compare.Difference {
	out := slices.Clone(ds)
	slices.SortStableFunc(out, func(a, b compare.Difference) int {
		return cmp.Or(cmp.Compare(b2i(b.Class != ""), b2i(a.Class != "")), cmp.Compare(b.Weight, a.Weight))
	})
	return out
}

func (r report) ratios(c compare.Comparison, i int) figure.Ratios {
	f := figure.Ratios{
		Head: r.head(fmt.Sprintf("ratios %d", i+1), r.labels[i+1]+" against "+r.labels[0], i, r.Sides[0].Runs, r.Sides[i+1].Runs),
		What: "ratio of " + r.labels[i+1] + " to " + r.labels[0], Margin: c.Options.Margin, Level: 1 - c.Options.Alpha,
	}
	for _, w := range c.Workloads {
		v := w.Verdict
		row := figure.Ratio{Label: named(w), Value: math.NaN(), Text: "no ratio"}
		if value, low, high := compare.RatioText(v.Comparison); value != "" {
			row.Value, row.Text = v.Ratio.Value, value
			if low != "" {
				row.Low, row.High, row.Text = v.Interval.Low, v.Interval.High, value+" ("+low+" to "+high+")"
			}
		}
		row.Text += ", " + orWords(compare.VerdictWords(v.Verdict), "no verdict")
		f.Rows = append(f.Rows, row)
	}
	return f
}

// side is one workload's runs on one side of the report.
type side struct {
	place   int
	label   string
	runs    compare.Side
	figures []compare.Figure
	base    bool // of the comparison they come from
}

func (s side) points() []compare.Point {
	if len(s.figures) == 0 {
		return nil
	}
	if s.base {
		return s.figures[0].Base
	}
	return s.figures[0].Against
}

// sidesOf gathers a workload's runs on every side of the report.
func (r report) sidesOf(name string) (out []side) {
	if r.alone() {
		w := find(*r.Alone, name)
		return []side{{0, r.labels[0], w.Base, w.Figures, true}}
	}
	for i, c := range r.Comparisons {
		w := find(c, name)
		if w == nil {
			continue
		}
		if len(out) == 0 && len(w.Base.Runs) > 0 {
			out = append(out, side{0, r.labels[0], w.Base, w.Figures, true})
		}
		if len(w.Against.Runs) > 0 {
			out = append(out, side{i + 1, r.labels[i+1], w.Against, w.Figures, false})
		}
	}
	return out
}

func (r report) level() float64 {
	if r.alone() {
		return 1 - r.Alone.Options.Alpha
	}
	return 1 - r.Comparisons[0].Options.Alpha
}

func (r report) repeats(name string) figure.Repeats {
	f := figure.Repeats{Level: r.level()}
	for _, s := range r.sidesOf(name) {
		if len(s.figures) == 0 {
			continue
		}
		first := s.figures[0]
		f.What, f.Unit = wordsFor(first.Name), first.Unit
		row := figure.Row{Label: s.label, Side: s.place, Values: compare.Values(s.points()), Mean: math.NaN()}
		values, byMeans := valuesOf(s.runs, s.points())
		d := stats.DescribeRepeats(values, first.Unit)
		if mean, ok := d.GeoMean.Get(); ok {
			row.Mean, row.Text = mean, compare.MeanText(d)
		}
		f.Sessions = f.Sessions || byMeans
		if low, high, ok := meanInterval(values, r.level()); ok {
			u := row.Mean * d.CV.Value / 100 / math.Sqrt(float64(len(values)))
			row.Low, row.High = low, high
			row.Text = fmt.Sprintf("%s (%s to %s)", compare.Rounded(row.Mean, u), compare.Rounded(low, u), compare.Rounded(high, u))
		} else if len(row.Values) == 1 {
			row.Text += " (one run)"
		}
		f.Rows = append(f.Rows, row)
	}
	f.Head = r.headOfAll(name, r.versioned(name))
	return f
}

// meanInterval is the interval of the geometric mean by Student's t on the logs.
func meanInterval(values []float64, level float64) (low, high float64, ok bool) {
	var logs []float64
	for _, v := range values {
		if !(v > 0) {
			return 0, 0, false
		}
		logs = append(logs, math.Log(v))
	}
	u := stats.TypeA(logs, "1", level)
	if !u.Usable() || !(u.Expanded > 0) {
		return 0, 0, false
	}
	return math.Exp(u.Value - u.Expanded), math.Exp(u.Value + u.Expanded), true
}

// versioned is a workload's name with the versions that were run.
func (r report) versioned(name string) string {
	var of []compare.Run
	for _, run := range r.all() {
		if run.Workload == name {
			of = append(of, run)
		}
	}
	return strings.TrimSpace(name + " " + enumerate(names(of, func(run compare.Run) string { return run.WorkloadVersion })))
}

func (r report) rates(w compare.Workload, i int) figure.RateAlong {
	m := w.Moments
	f := figure.RateAlong{
		Head:   r.head(fmt.Sprintf("%s %d", w.Name, i+1), r.versioned(w.Name), i, w.Base.Runs, w.Against.Runs),
		Labels: [2]string{r.labels[0], r.labels[i+1]}, Window: m.Window, Moment: largest(*m),
	}
	for _, g := range m.Profile {
		f.Start, f.Base, f.Against = append(f.Start, g.Start), append(f.Base, g.RateA), append(f.Against, g.RateB)
	}
	if null, ok := m.LargestWithin.Get(); ok {
		f.Repeats = null
	}
	if !m.Claimed {
		f.Note = "No gap is claimed: " + orWords(strings.Join(compare.Marks(m.Grade), "; "), "it is within what repeats show") + "."
	}
	return f
}

// largest is the largest sustained gap, nil where none is claimed.
func largest(m compare.Moments) *figure.Moment {
	if !m.Claimed {
		return nil
	}
	u := 0.
	ratio := m.Ratio(m.Largest)
	if null, ok := m.LargestWithin.Get(); ok {
		u = ratio * math.Log(null)
	}
	return &figure.Moment{From: m.Largest.Start, To: m.Largest.Start + m.Window, Text: "ratio " + compare.Rounded(ratio, u)}
}

// frameTimes shows one run of each side: those that the sequence was aligned by,
// or the middle ones.
func (r report) frameTimes(w compare.Workload, i int) figure.FrameTimes {
	f := figure.FrameTimes{Head: r.head(fmt.Sprintf("%s %d", w.Name, i+1), r.versioned(w.Name), i, w.Base.Runs, w.Against.Runs)}
	base, against := middle(w.Base.Runs), middle(w.Against.Runs)
	shift := time.Duration(0)
	if m := w.Moments; m != nil {
		base = pickRun(w.Base.Runs, m.BaseRuns[0])
		for k, al := range m.AlignedB {
			if al.Usable() {
				against, shift = pickRun(w.Against.Runs, m.AgainstRuns[k]), -al.Refined
				break
			}
		}
		f.Moment, f.ByFrame = largest(*m), m.Advance == stats.ByFrame
		if f.ByFrame {
			f.Moment = nil // it is placed by time
		}
	} else if i >= 0 && base != nil && against != nil {
		f.Note = "The two are not aligned."
	}
	if base != nil {
		f.Traces = append(f.Traces, figure.Trace{Label: r.labels[0] + ", run " + short(base.ID), Nanos: base.Durations})
	}
	if against != nil && i >= 0 {
		f.Traces = append(f.Traces, figure.Trace{Label: r.labels[i+1] + ", run " + short(against.ID), Nanos: against.Durations, Shift: shift})
	}
	return f
}

func short(id string) string { return id[strings.LastIndexByte(id, '-')+1:] }

func pickRun(runs []compare.Run, id string) *compare.Run {
	for i := range runs {
		if runs[i].ID == id {
			return &runs[i]
		}
	}
	return nil
}

// middle is the run of the middle rate, nil where none has a log.
func middle(runs []compare.Run) *compare.Run {
	type rated struct {
		run  *compare.Run
		mean float64
	}
	var list []rated
	for i := range runs {
		var sum int64
		for _, n := range runs[i].Durations {
			sum += n
		}
		if sum > 0 {
			list = append(list, rated{&runs[i], float64(sum) / float64(len(runs[i].Durations))})
		}
	}
	if len(list) == 0 {
		return nil
	}
	slices.SortStableFunc(list, func(a, b rated) int { return int(math.Copysign(1, a.mean-b.mean)) })
	return list[len(list)/2].run
}

func (r report) distribution(name string) figure.Distribution {
	f := figure.Distribution{Head: r.headOfAll(name, r.versioned(name))}
	for _, s := range r.sidesOf(name) {
		g := figure.Group{Label: s.label, Side: s.place}
		for _, run := range s.runs.Runs {
			if run.Durations != nil {
				g.Runs = append(g.Runs, run.Durations)
			}
		}
		f.Groups = append(f.Groups, g)
	}
	return f
}

// Shown gives the runs whose signals the report draws: of each side the middle run
// of its first workload.
func Shown(in Input) (ids []string) {
	for _, s := range in.Sides {
		first := names(s.Runs, func(run compare.Run) string { return run.Workload })[0]
		var of []compare.Run
		for _, run := range s.Runs {
			if run.Workload == first {
				of = append(of, run)
			}
		}
		run := middle(of)
		if run == nil {
			run = &of[len(of)/2]
		}
		ids = append(ids, run.ID)
	}
	return ids
}
