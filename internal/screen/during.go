package screen

import (
	"io"
	"strconv"
	"strings"

	"witnessmark/internal/answer"
	"witnessmark/internal/rig"
)

// FactsOfRun prints every fact before a run, and after it where that differs.
func FactsOfRun(w io.Writer, f answer.FactsJSON) error {
	p := &printer{w: w}
	p.section("Facts before the run, and after it where they differ")
	after := rig.Snapshot{Facts: f.After}
	t := NewTable("fact", "before", "after", "source")
	t.Indent = 2
	seen := map[rig.Key]bool{}
	for _, b := range f.Before {
		seen[b.Key] = true
		t.Row(string(b.Key), factText(b), afterText(b, after), b.Source)
	}
	for _, a := range f.After {
		if !seen[a.Key] {
			t.Row(string(a.Key), "not there", factText(a), a.Source)
		}
	}
	p.table(t)
	return p.err
}

func afterText(before rig.Fact, after rig.Snapshot) string {
	a, ok := after.Find(before.Key)
	switch {
	case !ok:
		return "not there"
	case factText(a) == factText(before):
		return ""
	}
	return factText(a)
}

// Signals prints of each signal how often it was sampled, its lowest, mean and
// highest sample, and the limits its sensor states. A counter has what it
// counted over the run instead.
func Signals(w io.Writer, signals []answer.SignalJSON) error {
	p := &printer{w: w}
	p.section("Signals through the run")
	t := NewTable("signal", "unit", "samples", "lowest", "mean", "highest", "limits and gaps")
	t.Indent = 2
	for _, s := range signals {
		if s.Unread != "" {
			t.Row(string(s.Key), string(s.Unit), "0", none, none, none, "unread: "+rig.Unread{Reason: s.Unread, Detail: s.Detail}.String())
			continue
		}
		low, mean, high := spread(s)
		t.Row(string(s.Key), string(s.Unit), strconv.Itoa(len(s.Values)), low, mean, high, bounds(s))
	}
	p.table(t)
	return p.err
}

// spread gives the three figures of a signal, or dashes where it has no sample.
// A counter's own height says nothing.
func spread(s answer.SignalJSON) (low, mean, high string) {
	if len(s.Values) == 0 || s.Counter {
		return none, none, none
	}
	lo, hi, sum := s.Values[0], s.Values[0], 0.0
	for _, v := range s.Values {
		lo, hi, sum = min(lo, v), max(hi, v), sum+v
	}
	return reading(lo), asRead(sum/float64(len(s.Values)), s.Values), reading(hi)
}

// reading prints a sample as the sensor gave it.
func reading(f float64) string { return Value(rig.NumberOf(f), rig.NoUnit) }

// asRead prints a mean of readings with no more decimals than they have.
func asRead(mean float64, readings []float64) string {
	decimals := 0
	for _, r := range readings {
		_, d, _ := strings.Cut(reading(r), ".")
		decimals = max(decimals, len(d))
	}
	_, d, _ := strings.Cut(Significant(mean), ".")
	return strconv.FormatFloat(mean, 'f', min(decimals, len(d)), 64)
}

func bounds(s answer.SignalJSON) string {
	var words []string
	if n := len(s.Values); s.Counter && n > 0 {
		words = append(words, "counted "+reading(s.Values[n-1]-s.Values[0]))
	}
	for _, name := range sorted(s.Limits) {
		if v := s.Limits[name]; v != nil {
			words = append(words, name+" "+reading(*v))
		}
	}
	for _, g := range s.Gaps {
		words = append(words, "no samples from "+Significant(g.FromSeconds)+" s to "+Significant(g.ToSeconds)+" s: "+rig.Unread{Reason: g.Unread, Detail: g.Detail}.String())
	}
	return strings.Join(words, ", ")
}
