package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"witnessmark/internal/answer"
	"witnessmark/internal/capture"
	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
	"witnessmark/internal/stats"
)

// untilFlags say how long to go on repeating.
type untilFlags struct {
	until, against, margin, statistic string
	vary, include                     []string
	most                              int
}

func (f *untilFlags) register(fl *pflag.FlagSet) {
	fl.StringVar(&f.until, "until", "", "`resolved`: go on repeating until the difference to --against is resolved, or --most is reached")
	fl.StringVar(&f.against, "against", "", "the kept runs to compare with, as a `SELECTION` such as workload=orrery,setup=memory-default")
	fl.StringVar(&f.margin, "margin", "1%", "a difference below this `SHARE` makes no practical difference")
	fl.IntVar(&f.most, "most", 20, "make no more than `N` repeats")
	fl.StringVar(&f.statistic, "figure", "", "the `FIGURE` that is compared: rate, or a result by its name (default: rate where there is a log)")
	fl.StringSliceVar(&f.vary, "vary", nil, "the `FACT` that is meant to differ; may be given more than once")
	fl.StringSliceVar(&f.include, "include", nil, "`caution`: count runs under caution too")
}

// study is a series of repeats that ends when the verdict is in.
type study struct {
	sequential *stats.Sequential
	selection  string
	figure     string
	direction  stats.Direction
	include    []drift.Standing
	vary       []rig.Key
	base       []compare.Run
	baseValues []float64
	counted    []*capture.Outcome
	values     []float64
	leftOut    int
	careful    int // runs of the base that caution keeps out
	look       stats.SequentialLook
}

// plan fetches the base and plans the looks; nil without --until.
func (s *session) plan(ctx context.Context, f untilFlags, job *capture.Job) (*study, error) {
	if f.until == "" {
		if f.against != "" {
			return nil, screen.Misuse("add --until resolved", "--against is given and --until is not")
		}
		return nil, nil
	}
	st, err := f.study()
	if err != nil {
		return nil, err
	}
	margin, err := parseShare(f.margin)
	if err != nil {
		return nil, err
	}
	if err := s.fetchBase(ctx, st, job.Workload.Name, job.Workload.Version); err != nil {
		return nil, err
	}
	st.sequential, err = stats.NewSequential(len(st.baseValues), stats.SequentialOptions{Margin: margin, Direction: st.direction, Limit: f.most})
	if err != nil {
		hint := "make the base of three runs or more, and let --most be three or more"
		if n := st.careful; n > 0 {
			hint = fmt.Sprintf("%d of the runs chosen are under caution; to use such runs knowingly, add --include caution", n)
		}
		return nil, screen.Misuse(hint, "--until resolved: %v", err)
	}
	job.Repeats = f.most
	return st, nil
}

func (f untilFlags) study() (*study, error) {
	switch {
	case f.until != "resolved":
		return nil, screen.Misuse("write --until resolved", "--until %q", f.until)
	case f.against == "":
		return nil, screen.Misuse("add --against SELECTION, such as --against workload=orrery,setup=memory-default", "--until resolved needs runs to compare with")
	}
	st := &study{selection: f.against, figure: f.statistic}
	for _, v := range f.vary {
		st.vary = append(st.vary, rig.Key(v))
	}
	for _, w := range f.include {
		if w != string(drift.Careful) {
			return nil, screen.Misuse("write --include caution; void runs never count", "--include %q", w)
		}
		st.include = append(st.include, drift.Careful)
	}
	return st, nil
}

// parseShare reads "1%" or "0.01".
func parseShare(text string) (float64, error) {
	number, percent := strings.CutSuffix(strings.TrimSpace(text), "%")
	f, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if percent {
		f /= 100
	}
	if err != nil || !(f > 0 && f < 1) {
		return 0, screen.Misuse("write it as --margin 1%", "--margin %q is no share above 0 and below 100%%", text)
	}
	return f, nil
}

func (s *session) fetchBase(ctx context.Context, st *study, workload, version string) error {
	sel, err := answer.ParseSelection(st.selection, time.Now())
	if err != nil {
		return screen.Misuse(fault.HintOf(err), "%v", err)
	}
	conn, err := s.connectAs(ctx, s.destination(), s.asAnalyst)
	if err != nil {
		return err
	}
	defer conn.Close()
	loaded, err := answer.Load(ctx, answer.NewClient(conn), sel, answer.LoadOptions{Include: st.include, NeedLogs: true})
	if err != nil {
		return err
	}
	st.careful = len(loaded.Left[answer.LeftCaution])
	for _, r := range loaded.Runs {
		if r.Workload != workload || r.WorkloadVersion != version {
			return screen.Misuse("choose runs of the same workload and version", "--against chooses run %s of %s, and %s is to be run", r.ID,
				screen.Named(r.Workload, r.WorkloadVersion), screen.Named(workload, version))
		}
		v, err := st.value(r)
		if err != nil {
			return screen.Misuse("name a figure that all runs have with --figure", "run %s: %v", r.ID, err)
		}
		st.base, st.baseValues = append(st.base, r), append(st.baseValues, v)
	}
	return nil
}

// value takes the figure of a run; the first run settles which it is.
func (st *study) value(r compare.Run) (float64, error) {
	if st.figure == "" {
		st.figure = "rate"
		if r.Durations == nil && len(r.Results) > 0 {
			st.figure = r.Results[0].Name
		}
	}
	if st.figure == "rate" {
		st.direction = stats.HigherBetter
		if r.Durations == nil {
			return 0, fmt.Errorf("it has no timing log that can be read")
		}
		v, ok := stats.HeadlineOf(r.Durations, stats.DefaultOptions()).RateMean.Get()
		if !ok {
			return 0, fmt.Errorf("its rate is refused")
		}
		return v, nil
	}
	for _, x := range r.Results {
		if x.Name == st.figure {
			st.direction = stats.Direction(x.Better)
			return strconv.ParseFloat(x.Value, 64)
		}
	}
	return 0, fmt.Errorf("it has no result %q", st.figure)
}

// take counts a new run in, or leaves it out, and says whether the study ends.
func (st *study) take(out *capture.Outcome, standing drift.Standing) (ended bool) {
	v, err := st.value(asRun(out))
	if err != nil || standing == drift.Voided || (standing == drift.Careful && !slices.Contains(st.include, standing)) {
		st.leftOut++
		return false
	}
	st.counted, st.values = append(st.counted, out), append(st.values, v)
	st.look = st.sequential.Look(st.baseValues, st.values)
	return st.look.Ended
}

// resolved counts the new run in and says whether the verdict is in.
func (r *repeats) resolved(out *capture.Outcome) bool {
	if r.study == nil {
		return false
	}
	if r.study.take(out, r.view(out).Standing) {
		return true
	}
	if len(r.study.counted) > 0 || r.study.leftOut < noneCounts {
		return false
	}
	r.failed = fault.New("compare with "+r.study.selection, "", fmt.Errorf("none of %d runs counts, so no more are made", r.study.leftOut)).
		WithHint("see why in their flags; --include caution counts runs under caution, of the base too")
	return true
}

// noneCounts is after how many runs, of which none counts, a study is given up.
const noneCounts = 5

// asRun gives the captured run as a comparison takes it.
func asRun(out *capture.Outcome) compare.Run {
	r := answer.RunOf(answer.Summarise(out.Run, out.SHA256, answer.Statistics{}, drift.Judgement{}), out.Run)
	r.Durations = out.Durations
	return r
}

// studyJSON is a study as JSON shows it.
type studyJSON struct {
	Against       string   `json:"against"`
	Figure        string   `json:"figure"`
	Controlled    bool     `json:"controlled"`
	NotControlled []string `json:"not_controlled"`
	NotKnown      []string `json:"not_known"`
	Verdict       string   `json:"verdict"`
	Ended         bool     `json:"ended"`
	Ratio         *float64 `json:"ratio"`
	Low           *float64 `json:"low"`
	High          *float64 `json:"high"`
	Level         float64  `json:"level"`
	Margin        float64  `json:"margin"`
	BaseRuns      []string `json:"base_runs"`
	Runs          []string `json:"runs"`
	LeftOut       int      `json:"left_out"`
	FalseAlarm    float64  `json:"false_alarm_rate"`
	Method        string   `json:"method"`
	Reason        string   `json:"reason,omitempty"`
}

func (st *study) json() *studyJSON {
	if st == nil {
		return nil
	}
	o := st.sequential.Options
	j := &studyJSON{
		Against: st.selection, Figure: st.figure, Verdict: verdict(st.look), Ended: st.look.Ended, Ratio: finite(st.look.Ratio), Level: 1 - o.Alpha, Margin: o.Margin,
		BaseRuns: []string{}, Runs: []string{}, LeftOut: st.leftOut, FalseAlarm: o.Alpha, Reason: st.look.Reason,
		Method: fmt.Sprintf("group-sequential, Welch's t on logs, %s spending, looks after %d to %d runs", o.Spending, o.First, o.Limit),
	}
	if i := st.look.Interval; i != nil {
		j.Low, j.High = finite(i.Low), finite(i.High)
	}
	against := []compare.Run{}
	for _, r := range st.base {
		j.BaseRuns = append(j.BaseRuns, r.ID)
	}
	for _, out := range st.counted {
		j.Runs = append(j.Runs, out.Run.ID)
		against = append(against, asRun(out))
	}
	c := compare.Control(st.base, against, st.vary)
	j.Controlled, j.NotControlled, j.NotKnown = c.Controlled && len(against) > 0, facts(c.NotControlled), facts(c.NotKnown)
	return j
}

func facts(ds []compare.Difference) []string {
	out := []string{}
	for _, d := range ds {
		out = append(out, string(d.Fact))
	}
	return out
}

func finite(f float64) *float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

func verdict(l stats.SequentialLook) string {
	if l.Verdict == stats.NoVerdict {
		return "none yet"
	}
	return strings.ReplaceAll(string(l.Verdict), "_", " ")
}

// print shows the study below the runs it was made of.
func (st *study) print(w io.Writer) error {
	if st == nil {
		return nil
	}
	fmt.Fprintf(w, "\nAgainst %s\n", screen.Clean(st.selection))
	t := screen.NewTable()
	t.Indent = 2
	for _, line := range st.words() {
		t.Row(line)
	}
	return t.Write(w)
}

// words gives the study in lines for a person, the control first.
func (st *study) words() []string {
	j := st.json()
	first := "controlled: only what is meant to differ does"
	switch {
	case len(j.Runs) == 0:
		first = "no run counts yet"
	case len(j.NotControlled) > 0:
		first = "not controlled: " + strings.Join(j.NotControlled, ", ")
	case !j.Controlled:
		first = "not controlled: not known are " + strings.Join(j.NotKnown, ", ")
	}
	lines := []string{first}
	line := fmt.Sprintf("%s: %s, %s against %s", st.figure, j.Verdict, screen.Count(len(j.Runs), "run"), screen.Count(len(j.BaseRuns), "run"))
	if j.Ratio != nil && j.Low != nil && j.High != nil {
		line += fmt.Sprintf("; ratio %.4f, %.0f %% interval %.4f to %.4f", *j.Ratio, 100*j.Level, *j.Low, *j.High)
	}
	lines = append(lines, line)
	if j.Reason != "" {
		lines = append(lines, j.Reason)
	}
	if j.LeftOut > 0 {
		lines = append(lines, screen.Count(j.LeftOut, "run")+" left out: void, under caution or without the figure")
	}
	return append(lines, fmt.Sprintf("%s; margin %.3g %%; a verdict is false in at most %.0f %% of such studies, all looks together", j.Method, 100*j.Margin, 100*j.FalseAlarm))
}
