package screen

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// Run prints one run: what it was, its standing, flags, statistics, results,
// configuration in brief, cost and receipt. Parts that r lacks are left out; the
// configuration needs r.Facts.
func Run(w io.Writer, r answer.Run) error {
	p := &printer{w: w}
	p.heading(r)
	p.flags(r)
	p.statistics(r)
	p.results(r)
	p.configuration(r)
	p.noted(r)
	p.logs(r)
	p.remarks(r)
	p.rest(r)
	return p.err
}

type printer struct {
	w   io.Writer
	err error
}

func (p *printer) line(s string) {
	if p.err == nil {
		_, p.err = io.WriteString(p.w, s+"\n")
	}
}

func (p *printer) table(t *Table) {
	if p.err == nil {
		p.err = t.Write(p.w)
	}
}

func (p *printer) section(name string) {
	p.line("")
	p.line(name)
}

func (p *printer) heading(r answer.Run) {
	t := NewTable()
	t.Row("run", r.ID)
	t.Row("rig", r.Rig)
	t.Row("workload", Named(r.Workload, r.WorkloadVersion))
	t.Row("setup", or(r.Setup, "none declared"))
	t.Row("started", At(r.Started)+" UTC")
	clockRows(t, r.Clock)
	took := "not known"
	if s := r.ElapsedSeconds; s != nil {
		took = Seconds(time.Duration(*s * 1e9))
	}
	t.Row("took", took)
	t.Row("outcome", Outcome(r))
	if r.Played != "" {
		t.Row("played", r.Played)
	}
	t.Row("standing", string(r.Standing))
	if x := r.Retracted; x != nil {
		t.Row("retracted", x.Why)
	}
	p.table(t)
	p.retractions(r)
	p.span(r.Span)
}

// clockRows tells how the rig's wall clock stood, and what became of the clocks.
func clockRows(t *Table, c *answer.ClockJSON) {
	if c == nil {
		return
	}
	how := "not held against the collector's: " + Clean(or(c.Detail, string(c.Unread)))
	if c.AheadSeconds != nil && c.UncertaintySeconds != nil {
		way := "ahead of"
		if *c.AheadSeconds < 0 {
			way = "behind"
		}
		how = fmt.Sprintf("%s %s the collector's, give or take %s", seconds(math.Abs(*c.AheadSeconds)), way, seconds(*c.UncertaintySeconds))
	}
	t.Row("wall clock", how)
	for _, e := range c.Events {
		what := "the machine was started anew"
		switch {
		case e.Kind == record.ClockSuspend:
			what = "the machine slept for " + seconds(e.BySeconds)
		case e.Kind == record.ClockStep && e.BySeconds < 0:
			what = "it was set back by " + seconds(-e.BySeconds)
		case e.Kind == record.ClockStep:
			what = "it was set forward by " + seconds(e.BySeconds)
		}
		t.Row("", what+", "+seconds(e.AtSeconds)+" into the run")
	}
}

func seconds(s float64) string { return Seconds(time.Duration(s * 1e9)) }

// span tells when a run made from a log took place, and how that is known.
func (p *printer) span(s *answer.SpanJSON) {
	if s == nil {
		return
	}
	name := "Made from a log; when it ran"
	if s.Name != "" {
		name += ", span " + Clean(s.Name)
	}
	p.section(name)
	t := NewTable()
	t.Indent = 2
	for _, b := range []struct {
		name string
		answer.BoundJSON
	}{{"from", s.From}, {"to", s.To}} {
		since := "not placed on the boot clock"
		if v := b.SinceBootSeconds; v != nil {
			since = Seconds(time.Duration(*v*1e9)) + " after boot " + b.BootID
		}
		t.Row(b.name, At(b.Wall)+" UTC", since, foundBy(b.How))
		if b.Detail != "" {
			t.Tail(b.Detail)
		}
	}
	p.table(t)
}

// foundBy says how the bound of a span was found.
func foundBy(how string) string {
	switch how {
	case record.ByStamps:
		return "by the log's time stamps"
	case record.ByLastWrite:
		return "when the log was last written"
	case record.ByDurations:
		return "by the log's length back from its end"
	case record.ByName:
		return "as it was named"
	}
	return how
}

// retractions tells what became of the run after it was judged.
func (p *printer) retractions(r answer.Run) {
	if len(r.Retractions) == 0 {
		return
	}
	p.section("Retractions of a run judged " + Clean(string(r.JudgedStanding)))
	t := NewTable()
	t.Indent = 2
	for _, x := range r.Retractions {
		what := "retracted"
		if x.Withdrawn {
			what = "reinstated"
		}
		t.Row(At(x.At)+" UTC", what, "by "+x.By, fmt.Sprintf("entry %d", x.Index), x.Why)
	}
	p.table(t)
}

// Named gives a name with its version, where there is one.
func Named(name, version string) string { return strings.TrimSpace(name + " " + version) }

// Outcome says how the workload ended.
func Outcome(r answer.Run) string {
	s := strings.ReplaceAll(r.Outcome, "_", " ")
	switch {
	case r.OutcomeDetail != "":
		s += ": " + r.OutcomeDetail
	case r.Exit > 0:
		s += ", exit code " + strconv.Itoa(r.Exit)
	}
	return s
}

func or(s, t string) string {
	if s == "" {
		return t
	}
	return s
}

// Tally counts flags by weight: "2 cautions, 1 note".
func Tally(flags []drift.Flag) string {
	var n [rig.Void + 1]int
	for _, f := range flags {
		if int(f.Weight) < len(n) {
			n[f.Weight]++
		}
	}
	var parts []string
	for w := rig.Void; w >= rig.Note; w-- {
		if n[w] == 0 {
			continue
		}
		s := fmt.Sprintf("%d %s", n[w], w)
		if n[w] > 1 && w != rig.Void {
			s += "s"
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, ", ")
}

func (p *printer) flags(r answer.Run) {
	if len(r.Flags) == 0 {
		p.section("Flags: none")
		return
	}
	p.section("Flags: " + Tally(r.Flags))
	if r.MarkRun != "" {
		p.line("  held against the mark, run " + Clean(r.MarkRun))
	}
	if p.err == nil {
		p.err = Flags(p.w, r.Flags)
	}
}

func (p *printer) statistics(r answer.Run) {
	s := r.Statistics
	p.section("Statistics of the frame times")
	if why := wholly(s); why != "" {
		p.line("  refused: " + Clean(why))
		return
	}
	t := NewTable()
	t.Indent = 2
	if s.Frames != nil {
		t.Row("frames", strconv.Itoa(*s.Frames))
	}
	add := func(name, key string, v *float64, show func(float64) string, what string) {
		switch {
		case v == nil:
			t.Row(name, "refused", what)
			t.Tail(or(s.Refused[key], "no reason is given"))
		default:
			t.Row(name, show(*v), what)
			if f := s.Flagged[key]; f != "" {
				t.Tail("weak: " + f)
			}
		}
	}
	f := s.FrametimeMS
	add("elapsed", "elapsed_seconds", s.ElapsedSeconds, func(v float64) string { return Seconds(time.Duration(v * 1e9)) }, "sum of the frame times")
	add("average rate", "rate_mean", s.RateMean, Rate, "frames over elapsed")
	add("p50", "frametime_ms.p50", f.P50, Milliseconds, "half of the frames took at most this")
	add("p95", "frametime_ms.p95", f.P95, Milliseconds, "95 % of the frames took at most this")
	add("p99", "frametime_ms.p99", f.P99, Milliseconds, "99 % of the frames took at most this")
	add("p99.9", "frametime_ms.p999", f.P999, Milliseconds, "99.9 % of the frames took at most this")
	add("slowest 1 % mean", "slowest_1pct_mean_ms", s.SlowestOnePctMean, Milliseconds, "mean time of the slowest hundredth of the frames")
	p.table(t)
}

// wholly gives the reason when every number is refused for one and the same.
func wholly(s answer.StatisticsJSON) (why string) {
	f := s.FrametimeMS
	for _, v := range []*float64{s.RateMean, f.P50, f.P95, f.P99, f.P999, s.SlowestOnePctMean} {
		if v != nil {
			return ""
		}
	}
	for _, w := range s.Refused {
		if why != "" && w != why {
			return ""
		}
		why = w
	}
	return why
}

func (p *printer) results(r answer.Run) {
	if len(r.Results) == 0 {
		return
	}
	p.section("Results the workload printed")
	t := NewTable()
	t.Indent = 2
	for _, name := range sorted(r.Results) {
		v := r.Results[name]
		if v.Refused != "" {
			t.Row(name, "refused", v.Refused)
			continue
		}
		t.Row(name, strings.TrimSpace(string(v.Value)+" "+v.Unit), or(v.Better, "neither direction")+" is better")
	}
	p.table(t)
}

func (p *printer) noted(r answer.Run) {
	if len(r.Noted) == 0 {
		return
	}
	p.section("Noted in the setup")
	t := NewTable()
	t.Indent = 2
	for _, k := range sorted(r.Noted) {
		t.Row(k, noted(r.Noted[k]))
	}
	p.table(t)
}

func noted(v any) string {
	switch v := v.(type) {
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case bool:
		return rig.TruthOf(v).String()
	}
	return fmt.Sprint(v)
}

func (p *printer) logs(r answer.Run) {
	if len(r.Logs) == 0 {
		return
	}
	p.section("Timing logs")
	t := NewTable()
	t.Indent = 2
	for _, l := range r.Logs {
		how := fmt.Sprintf("column %s, %s in %s, %s", or(l.Column, "1"), l.Kind, l.Unit, Count(l.Rows, "row"))
		if l.Refused != "" {
			how = "refused: " + l.Refused + ": " + l.Detail
		}
		t.Row(l.Name, Bytes(l.Bytes), how)
		for _, m := range l.Marks {
			t.Tail(m)
		}
	}
	p.table(t)
}

func (p *printer) remarks(r answer.Run) {
	if len(r.Remarks) == 0 {
		return
	}
	p.section("What the agent had to leave out")
	t := NewTable()
	t.Indent = 2
	for _, s := range r.Remarks {
		t.Row(s)
	}
	p.table(t)
}

func (p *printer) rest(r answer.Run) {
	p.section("Record")
	t := NewTable()
	t.Indent = 2
	t.Row("agent's own cost", Cost(r.AgentCost))
	t.Row("record", "sha256 "+r.RecordSHA256)
	switch c := r.Receipt; {
	case c != nil:
		t.Row("receipt", receipt(c))
	case r.Spooled != "":
		t.Row("receipt", "none yet: "+r.Spooled)
	}
	p.table(t)
}

// Receipt says where a receipt's record or mark stands in the trail.
func Receipt(c *answer.ReceiptJSON) string { return "receipt: " + receipt(c) }

func receipt(c *answer.ReceiptJSON) string {
	if c == nil {
		return "none"
	}
	origin, _, _ := strings.Cut(c.Head, "\n")
	return fmt.Sprintf("entry %d of the trail %s, kept %s UTC, under a signed head over %s",
		c.Index, origin, At(c.Kept), Many(int(c.TreeSize), "entry", "entries"))
}

// Cost says what the agent itself took.
func Cost(c answer.CostJSON) string {
	if c.CPUSeconds == nil {
		return "not known"
	}
	s := Seconds(time.Duration(*c.CPUSeconds*1e9)) + " of processor time"
	if c.PeakRSSBytes != nil {
		s += ", " + Bytes(*c.PeakRSSBytes) + " of memory at most"
	}
	return s
}

func sorted[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
