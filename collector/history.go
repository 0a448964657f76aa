package main

import (
	"context"
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
	"witnessmark/internal/screen"
	"witnessmark/internal/stats"
)

// history is the flags of collector history.
type history struct {
	pick
	by, statistic string
	clean         bool
	limit         int
	options       compare.HistoryOptions
}

func historyCommand(d *desk) *cobra.Command {
	var h history
	var out drawing
	cmd := &cobra.Command{
		Use:   "history",
		Short: "Chart a workload on a rig over time, and name what changed where it changed",
		Long: `Chart a workload on a rig over time, and name what changed where it changed.

The outcome, the clock under load and the temperature over the room are held
against the series' first points: a Shewhart chart finds jumps, a CUSUM drift.
Where the mean of one changed, the facts that moved between the last run before
and the first after are the likely causes. Void runs are left out; runs under
caution are part of a rig's history.`,
		Example: "  collector history --workload orrery --rig heron\n  collector history --workload orrery --rig heron --setup memory-rated --since 2031-01-01 --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, o, err := h.resolve(d.now())
			if err == nil {
				err = out.free()
			}
			if err != nil {
				return err
			}
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				got, err := h.fetch(cmd.Context(), b, where, s, o)
				if err != nil {
					return err
				}
				if _, err := out.draw(report.OfHistory(got)); err != nil {
					return err
				}
				if d.json {
					return screen.JSON(d.stdout, got)
				}
				return printHistory(d.stdout, got)
			})
		},
	}
	h.pick.flags(cmd)
	cmd.MarkFlagRequired("rig")
	f := cmd.Flags()
	f.Lookup("include").Hidden = true // runs under caution are taken in already
	f.BoolVar(&h.clean, "clean", false, "leave out runs under caution, too")
	f.StringVar(&h.by, "by", "", fmt.Sprintf("make every `WORD` a point: run or session (default: session from %d sessions on)", compare.EnoughSessions))
	f.StringVar(&h.statistic, "statistic", "", "follow the statistic `NAME` in place of the mean rate")
	f.IntVar(&h.options.Baseline, "baseline", 30, "draw the limits from the first `N` points")
	f.Float64Var(&h.options.Chart.Limit, "limit-sigma", 3, "signal beyond `N` sigma")
	f.Float64Var(&h.options.Chart.K, "cusum-k", 0.5, "reference value of the CUSUM, `N` sigma")
	f.Float64Var(&h.options.Chart.H, "cusum-h", 5, "decision interval of the CUSUM, `N` sigma")
	f.IntVar(&h.limit, "limit", 2000, "the newest `N` runs (0: all)")
	out.flags(cmd)
	d.jsonFlag(cmd)
	return cmd
}

func (h *history) resolve(now time.Time) (s answer.Selection, o compare.HistoryOptions, err error) {
	if s, err = h.selection(now); err != nil {
		return s, o, err
	}
	o = h.options
	if err := oneOf("--by", h.by, "run", "session"); err != nil {
		return s, o, err
	}
	if h.by != "" {
		session := h.by == "session"
		o.BySession = &session
	}
	if h.statistic != "" && !answer.HasOutcome(h.statistic) {
		return s, o, screen.Misuse("it is one of "+strings.Join(answer.OutcomeNames(), ", ")+", or result.NAME", "--statistic %s: not known", h.statistic)
	}
	for _, x := range []struct {
		flag  string
		value float64
	}{{"--limit-sigma", o.Chart.Limit}, {"--cusum-k", o.Chart.K}, {"--cusum-h", o.Chart.H}} {
		if !(x.value > 0 && x.value <= 100) {
			return s, o, screen.Misuse("give a number above 0 and up to 100", "%s %g: not possible", x.flag, x.value)
		}
	}
	switch {
	case o.Baseline < 8:
		return s, o, screen.Misuse("limits from fewer than 8 points say nothing", "--baseline %d: it is too few", o.Baseline)
	case h.limit < 0:
		return s, o, screen.Misuse("give a number of 1 or more, or 0 for all", "--limit %d: it is below zero", h.limit)
	}
	return s, o, nil
}

func (h *history) fetch(ctx context.Context, b answer.Book, where string, s answer.Selection, o compare.HistoryOptions) (compare.History, error) {
	load := answer.LoadOptions{Limit: h.limit}
	if !h.clean {
		load.Include = []drift.Standing{drift.Careful}
	}
	events, left, err := answer.Events(ctx, b, s, load, h.statistic)
	if err != nil {
		return compare.History{}, err
	}
	if len(events) == 0 {
		return compare.History{}, noneFit(s, answer.Loaded{Left: left}, where)
	}
	got := compare.Trace(events, o)
	for _, why := range slices.Sorted(maps.Keys(left)) {
		got.AlsoLeft(why, left[why])
	}
	if len(got.Points) == 0 {
		return got, fault.New("chart", s.Text, fmt.Errorf("no run of %d has the figure", len(events))).WithHint("see what the runs have with: collector runs --json")
	}
	return got, nil
}

func printHistory(w io.Writer, h compare.History) error {
	p := printer{w: w}
	j := h.JSON()
	p.line("%s on %s in %s, %s: %s, by %s", screen.Named(h.Workload, h.Version), h.Rig, strings.Join(setupNames(h.Setups), ", "),
		screen.At(h.Points[0].Started)+" to "+screen.At(h.Points[len(h.Points)-1].Started), screen.Count(len(h.Points), strings.TrimSuffix(j.PointsAre, "s")), h.Statistic)
	p.line("%s", changesWords(h))
	p.remarks("to be known", h.Remarks)
	for _, c := range h.Changes {
		p.change(h, c)
	}
	p.charts(j)
	p.points(h)
	m := j.Method
	p.line("")
	p.line("method: changes by %s, at least 3 points apart; weak below %g;", m.Changes, 0.95)
	p.line("  Shewhart beyond %g sigma, CUSUM k = %g, h = %g; a CUSUM goes on after it signals;", m.Shewhart, m.K, m.H)
	p.line("  a new session begins with a boot or after %s without a run", screen.Seconds(h.Options.SessionGap))
	for _, l := range h.LeftOut {
		p.line("left out, %s: %s: %s", l.Why, screen.Count(len(l.Runs), "run"), shorts(l.Runs))
	}
	return p.err
}

func setupNames(labels []string) (out []string) {
	for _, l := range labels {
		out = append(out, setupName(l))
	}
	return out
}

func changesWords(h compare.History) string {
	t := h.Tracks[0].Changes
	if !t.Usable() {
		return "whether the outcome changed cannot be told: " + t.Reason
	}
	n, weak := 0, 0
	for _, c := range h.Changes {
		if c.Track == "outcome" {
			n++
			if c.Weak {
				weak++
			}
		}
	}
	s := "no change of the outcome is found"
	if n > 0 {
		s = screen.Count(n, "change") + " of the outcome"
	}
	if weak > 0 {
		s += fmt.Sprintf(", %d of them weak", weak)
	}
	if t.Reason != "" {
		s += "; mark: " + t.Reason
	}
	return s
}

// change tells of one place where something changed.
func (p *printer) change(h compare.History, c compare.Change) {
	p.line("")
	moved := fmt.Sprintf("%s to %s", screen.Significant(c.Mean.Before), screen.Significant(c.Mean.After))
	if c.Track != "rise" {
		moved = fmt.Sprintf("%+.2g %%, %s", 100*(c.Mean.After/c.Mean.Before-1), moved)
	}
	unit := map[string]string{"outcome": h.Unit, "clock": "MHz", "rise": "degrees over the room"}[c.Track]
	weak := ""
	if c.Weak {
		weak = ", weak"
	}
	p.line("%s changed at run %s, %s: %s %s (%s of random orders show less%s)", c.Track, short(c.After), screen.At(c.At), moved, unit, sureness(c.Sure.Value), weak)
	for _, o := range []struct {
		name, unit string
		s          compare.Shift
	}{{"outcome", h.Unit, c.Outcome}, {"clock", "MHz", c.Clock}, {"rise", "degrees over the room", c.Rise}} {
		if o.name != c.Track && !math.IsNaN(o.s.Before) && !math.IsNaN(o.s.After) {
			p.line("  beside it, %s: %s to %s %s", o.name, screen.Significant(o.s.Before), screen.Significant(o.s.After), o.unit)
		}
	}
	if len(c.Causes) == 0 {
		p.line("  no fact moved between run %s and run %s", short(c.Before), short(c.After))
		return
	}
	t := screen.NewTable("moved, run "+short(c.Before)+" to "+short(c.After), "before", "after", "why it may matter")
	t.Indent = 2
	for _, m := range c.Causes {
		why := m.Why
		if m.Follows != "" {
			why = "follows from " + string(m.Follows)
		}
		t.Row(string(m.Fact), m.Side(m.Base), m.Side(m.Against), why)
	}
	p.table(t)
}

// charts says what the charts signal, and how often they would without a cause.
func (p *printer) charts(j compare.HistoryJSON) {
	for _, t := range j.Tracks {
		p.line("")
		if t.Refused != "" {
			p.line("%s is not charted: %s", t.Name, t.Refused)
			continue
		}
		limits := fmt.Sprintf("limits from the first %d points", t.Baseline.N)
		if t.Provisional {
			limits = "provisional " + limits
		}
		if len(t.Signals) == 0 {
			p.line("%s: no signal, by %s", t.Name, limits)
		} else {
			p.line("%s: %s; signals:", t.Name, limits)
		}
		for _, kind := range []string{"shewhart", "cusum"} {
			p.signals(kind, t)
		}
		if t.FalseAlarm != nil {
			p.line("  where nothing changes and the limits are well known, both charts together signal once in about %.0f points", *t.FalseAlarm)
		}
		for _, m := range compare.Marks(stats.Grade{Reason: t.Marks}) {
			p.line("  mark: %s", m)
		}
	}
}

// signals gives the first points of one chart that signal.
func (p *printer) signals(kind string, t compare.TrackJSON) {
	const few = 3
	n := 0
	for _, s := range t.Signals {
		if s.Chart != kind {
			continue
		}
		if n++; n > few {
			continue
		}
		if kind == "cusum" {
			p.line("  CUSUM at %.1f sigma, run %s", s.Sum, shorts(s.Runs))
		} else {
			p.line("  %+.1f sigma, run %s", s.Z, shorts(s.Runs))
		}
	}
	if n > few {
		p.line("  and %d more points (%s)", n-few, kind)
	}
}

func (p *printer) points(h compare.History) {
	z := map[int]float64{}
	if t := h.Tracks[0]; t.Chart.Usable() {
		for i, at := range t.Places {
			z[at] = t.Chart.Z[i]
		}
	}
	starts := map[int]bool{}
	for _, c := range h.Changes {
		if c.Track == "outcome" {
			starts[c.Point] = true
		}
	}
	t := screen.NewTable("started (UTC)", h.Unit, "sigma", "clock MHz", "rise °C", "standing", "runs", "")
	for i, pt := range h.Points {
		sigma, remark := "-", ""
		if v, ok := z[i]; ok {
			sigma = strconv.FormatFloat(v, 'f', 1, 64)
		}
		if starts[i] {
			remark = "changed here"
		}
		t.Row(screen.At(pt.Started), screen.Significant(pt.Outcome), sigma, known(pt.Clock), known(pt.Rise), string(pt.Standing), shorts(pt.Runs), remark)
	}
	p.line("")
	p.table(t)
}

// known is a number in a table; a dash where there is none.
func known(f float64) string {
	if math.IsNaN(f) {
		return "-"
	}
	return screen.Significant(f)
}

// sureness never claims more than a thousand reorderings can show.
func sureness(share float64) string {
	if share > 0.995 {
		return "more than 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*share)
}
