package main

import (
	"context"
	"errors"
	"fmt"
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
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
)

// sides is the flags that choose what is compared and how.
type sides struct {
	base, against string
	vary, follows []string
	within        []string
	include       []string
	margin, level string
	statistic     string
	paired        bool
	window        time.Duration
}

func (s *sides) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&s.base, "base", "", "`SELECTION` of runs to start from")
	f.StringVar(&s.against, "against", "", "`SELECTION` of runs to hold against them")
	s.rules(cmd)
	cmd.MarkFlagRequired("base")
	cmd.MarkFlagRequired("against")
}

// rules is the flags that say how to compare.
func (s *sides) rules(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringSliceVar(&s.vary, "vary", nil, "the `FACT` that is meant to differ; more of them apart by commas")
	f.StringSliceVar(&s.follows, "follows", nil, "a `FACT` that follows from it, beside those that are known to")
	f.StringSliceVar(&s.within, "within", nil, "take a fact as equal within a number, `FACT=NUMBER` in its unit")
	f.StringSliceVar(&s.include, "include", nil, "use runs of a `STANDING` that is not clean: caution")
	f.StringVar(&s.margin, "margin", "1%", "the least `DIFFERENCE` that matters; decide on it before measuring")
	f.StringVar(&s.level, "level", "95%", "`SHARE` that all intervals are to hold")
	f.StringVar(&s.statistic, "statistic", "", "give the verdict on the statistic `NAME` in place of the mean rate")
	f.BoolVar(&s.paired, "paired", false, "the runs were made as interleaved pairs")
	f.DurationVar(&s.window, "window", 2*time.Second, "`TIME` that a gap along the sequence has to last, from 1s on")
}

func compareCommand(d *desk) *cobra.Command {
	var s sides
	cmd := &cobra.Command{
		Use:   "compare",
		Short: "Compare two sets of runs, and say what was and was not controlled",
		Long: `Compare two sets of runs, and say what was and was not controlled.

A selection is labels, facts, times and ids apart by commas: rig, workload,
version, setup and group; facts as they are listed by: agent facts; since and
until. The factor is what --vary names, or else what the two selections or both
setups in them declare differently. Whatever else differs is not controlled, and
what was not read is not known.`,
		Example: `  collector compare --base workload=orrery,setup=memory-rated --against workload=orrery,setup=memory-default
  collector compare --base rig=heron,until=2031-03-01 --against rig=heron,since=2031-03-01 --vary firmware.version --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			q, err := s.resolve(d.now())
			if err != nil {
				return err
			}
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				got, err := q.fetch(cmd.Context(), b, where)
				if err != nil {
					return err
				}
				if d.json {
					return screen.JSON(d.stdout, got.JSON())
				}
				return got.print(d.stdout)
			})
		},
	}
	s.flags(cmd)
	d.jsonFlag(cmd)
	return cmd
}

// question is two selections with what to make of them.
type question struct {
	base, against answer.Selection
	terms         compare.Terms // Vary is what --vary names
	options       compare.Options
	load          answer.LoadOptions
}

func (s *sides) resolve(now time.Time) (q question, err error) {
	if q.base, err = s.selection("--base", s.base, now); err != nil {
		return q, err
	}
	if q.against, err = s.selection("--against", s.against, now); err != nil {
		return q, err
	}
	err = s.rule(&q)
	return q, err
}

// rule adds how to compare.
func (s *sides) rule(q *question) (err error) {
	for _, list := range []struct {
		flag  string
		words []string
		to    *[]rig.Key
	}{{"--vary", s.vary, &q.terms.Vary}, {"--follows", s.follows, &q.terms.Follows}} {
		for _, w := range list.words {
			k, err := factOf(list.flag, w)
			if err != nil {
				return err
			}
			*list.to = append(*list.to, k)
		}
	}
	if q.terms.Within, err = tolerances(s.within); err != nil {
		return err
	}
	for _, w := range s.include {
		if w != string(drift.Careful) {
			return screen.Misuse("runs under caution may be taken in with --include caution; void ones never", "--include %s: not possible", w)
		}
		q.load.Include = append(q.load.Include, drift.Careful)
	}
	q.load.NeedLogs = true
	q.options, err = s.options()
	return err
}

func (s *sides) options() (o compare.Options, err error) {
	if o.Margin, err = share("--margin", s.margin, 0.5); err != nil {
		return o, err
	}
	level, err := share("--level", s.level, 0.9999)
	if err == nil && level <= 0.5 {
		err = screen.Misuse("give it as 95%", "--level %s: it is not above 50%%", s.level)
	}
	if err != nil {
		return o, err
	}
	o.Alpha = math.Round((1-level)*1e9) / 1e9
	if s.statistic != "" && !compare.KnownStatistic(s.statistic) {
		return o, screen.Misuse("it is one of "+strings.Join(compare.StatisticNames(), ", ")+", or result.NAME", "--statistic %s: not known", s.statistic)
	}
	if s.window < time.Second {
		return o, screen.Misuse("give 1s or more: shorter gaps are noise", "--window %s: it is too short", s.window)
	}
	o.Statistic, o.Paired, o.Moments.Window = s.statistic, s.paired, s.window
	return o, nil
}

func (s *sides) selection(flag, text string, now time.Time) (answer.Selection, error) {
	sel, err := answer.ParseSelection(text, now)
	if err != nil {
		return sel, screen.Misuse(fault.HintOf(err), "%s: %s", flag, err)
	}
	return sel, nil
}

// factOf reads the name of a fact, or of a label that stands for one.
func factOf(flag, w string) (rig.Key, error) {
	switch w {
	case "rig":
		return compare.RigName, nil
	case "version":
		return compare.WorkloadVersion, nil
	case "setup":
		return "", screen.Misuse("name the facts that the setups declare differently, or leave "+flag+" out", "%s setup: a setup is no fact", flag)
	}
	if !answer.KnownFact(rig.Key(w)) {
		return "", screen.Misuse("the nearest is "+string(rig.Nearest(rig.Key(w)))+"; facts are listed by: agent facts", "%s %s: there is no such fact", flag, w)
	}
	return rig.Key(w), nil
}

func tolerances(words []string) (map[rig.Key]rig.Tolerance, error) {
	var m map[rig.Key]rig.Tolerance
	for _, w := range words {
		i := strings.LastIndexByte(w, '=')
		f, err := strconv.ParseFloat(w[i+1:], 64)
		if i < 0 || err != nil || !(f >= 0) {
			return nil, screen.Misuse("write it as noted.room_temperature=1.5", "--within %s: it is no fact with a number", w)
		}
		k, err := factOf("--within", w[:i])
		if err != nil {
			return nil, err
		}
		if m == nil {
			m = map[rig.Key]rig.Tolerance{}
		}
		m[k] = rig.Tolerance{Absolute: f}
	}
	return m, nil
}

// share reads 1%, 1 % or 0.01.
func share(flag, s string, most float64) (float64, error) {
	t, percent := strings.CutSuffix(strings.TrimSpace(s), "%")
	f, err := strconv.ParseFloat(strings.TrimSpace(t), 64)
	if percent {
		f /= 100
	}
	if err != nil || !(f > 0 && f <= most) {
		return 0, screen.Misuse("write it as 1% or 0.01", "%s %s: it is no share between 0 and %g", flag, s, most)
	}
	return f, nil
}

// answered is a comparison with what was left out of it.
type answered struct {
	compare.Comparison
	left [2]map[string][]string
}

// fetch gets the runs and compares them.
func (q question) fetch(ctx context.Context, b answer.Book, where string) (answered, error) {
	base, err := q.side(ctx, b, "--base", q.base, where)
	if err != nil {
		return answered{}, err
	}
	against, err := q.side(ctx, b, "--against", q.against, where)
	if err != nil {
		return answered{}, err
	}
	return q.weigh(ctx, b, base, against)
}

// side gets the runs of one side, at least one.
func (q question) side(ctx context.Context, b answer.Book, flag string, s answer.Selection, where string) (answer.Loaded, error) {
	l, err := answer.Load(ctx, b, s, q.load)
	if err == nil && len(l.Runs) == 0 {
		err = nothingToCompare(flag, s, l, where)
	}
	return l, err
}

// weigh compares the runs of the question's two sides.
func (q question) weigh(ctx context.Context, b answer.Book, base, against answer.Loaded) (answered, error) {
	got := answered{left: [2]map[string][]string{base.Left, against.Left}}
	if shared := compare.Shared(base.Runs, against.Runs); len(shared) > 0 {
		return got, screen.Misuse("choose the sides so that they have no run in common", "run %s is on both sides", shared[0])
	}
	o := q.options
	if o.Terms = q.terms; len(o.Vary) == 0 {
		t := answer.Factor(q.base, q.against, base.Runs, against.Runs)
		o.Vary, o.Rule = t.Vary, t.Rule
	}
	var err error
	if o.History, err = answer.History(ctx, b, base.Runs, against.Runs); err != nil {
		return got, err
	}
	got.Comparison = compare.Compare(base.Runs, against.Runs, o)
	return got, nil
}

// nothingToCompare says why a side is empty.
func nothingToCompare(flag string, s answer.Selection, l answer.Loaded, where string) error {
	why, hint := errors.New("no run in "+where+" fits"), "list what there is with: collector runs"
	if n := leftWords(l.Left); n != "" {
		why, hint = errors.New("no run enters: "+n), "void runs are never used; see why with: collector flags"
		if len(l.Left[answer.LeftCaution]) > 0 {
			hint = "to use runs under caution knowingly, add --include caution"
		}
	}
	return fault.New("choose runs", flag+" "+s.Text, why).WithHint(hint)
}

func leftWords(left map[string][]string) string {
	var parts []string
	for _, why := range slices.Sorted(maps.Keys(left)) {
		parts = append(parts, fmt.Sprintf("%d %s", len(left[why]), why))
	}
	return strings.Join(parts, ", ")
}

// JSON gives the comparison with what was left out.
func (a answered) JSON() compare.ComparisonJSON {
	j := a.Comparison.JSON()
	for i, to := range []map[string][]string{j.LeftOut.Base, j.LeftOut.Against} {
		maps.Copy(to, a.left[i])
	}
	return j
}
