package report

import (
	"fmt"
	"html"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/figure"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// bench makes runs of the invented rig heron.
func bench(seed uint64) *sim.Bench { return sim.NewBench("heron", rand.New(rand.NewPCG(seed, 1))) }

func firmware(version string) sim.State {
	s := sim.Rated
	s.Setup, s.Facts = "updated", map[string]any{"firmware.version": version}
	return s
}

// input sets up a report of sides against the first, with a receipt for each run.
func input(vary []rig.Key, sides ...[]compare.Run) Input {
	in := Input{Kept: map[string]Kept{}, Signals: map[string][]rig.Signal{}, Made: time.Date(2031, 4, 1, 12, 0, 0, 0, time.UTC), By: "collector 0.1.0"}
	o := compare.Options{Terms: compare.Terms{Vary: vary}}
	for i, runs := range sides {
		in.Sides = append(in.Sides, Side{Text: fmt.Sprintf("group=%d", i+1), Runs: runs})
		for k, r := range runs {
			in.Kept[r.ID] = Kept{RecordSHA256: fmt.Sprintf("%064x", 1000*i+k), Index: int64(10*i + k), TreeSize: 40, At: r.Started, Head: "workshop.example\n40\n"}
			in.Signals[r.ID] = r.Signals
		}
		if i > 0 {
			in.Comparisons = append(in.Comparisons, compare.Compare(sides[0], runs, o))
		}
	}
	if len(sides) == 1 {
		c := compare.Compare(sides[0], nil, o)
		in.Alone = &c
	}
	return in
}

// text is the page's words, in order, without its elements.
func text(t *testing.T, p figure.Page) string {
	t.Helper()
	b, err := p.HTML()
	if err != nil {
		t.Fatal(err)
	}
	_, body, _ := strings.Cut(string(b), "<body>")
	var out strings.Builder
	for body != "" {
		before, rest, ok := strings.Cut(body, "<")
		out.WriteString(before)
		if !ok {
			break
		}
		_, body, _ = strings.Cut(rest, ">")
	}
	return html.UnescapeString(out.String())
}

func TestFirstLine(t *testing.T) {
	b := bench(1)
	rated, low, updated := b.Runs(sim.Orrery(), 3, sim.Rated), b.Runs(sim.Orrery(), 3, sim.Default), b.Runs(sim.Orrery(), 3, firmware("1.10"))
	hidden := b.Runs(sim.Orrery(), 3, sim.State{ClockMHz: 4100, MemoryMTps: 2400, Setup: "hidden", Facts: map[string]any{"cpu.governor": nil}})
	memory := []rig.Key{"memory.speed"}
	for _, c := range []struct {
		name string
		in   Input
		want string
		warn bool
	}{
		{"controlled", input(memory, rated, low), "controlled; the factor is memory.speed: 3200 MT/s on the base, 2400 MT/s against it", false},
		{"a driver of the result differs", input(memory, rated, updated), "not controlled: firmware.version: 1.08 on the base, 1.10 against it", true},
		{"unread on one side", input(memory, rated, hidden), "not controlled: not known: cpu.governor: performance on the base, unread", true},
		{"all of several controlled", input(memory, rated, low, b.Runs(sim.Orrery(), 3, sim.State{ClockMHz: 4100, MemoryMTps: 2666, Setup: "between"})), "controlled: all 2 comparisons with memory-rated", false},
		{"one of several not", input(memory, rated, low, updated), "not controlled: 1 of 2 comparisons with memory-rated; updated: firmware.version", true},
		{"described", input(nil, rated), "described, not compared: 3 runs of orrery 3 on heron", false},
		{"described, of two configurations", input(nil, append(append([]compare.Run{}, rated...), low...)), "described, not compared: 6 runs of orrery 3 on heron; they are not of one configuration: memory.", true},
	} {
		p := Page(c.in)
		if !strings.HasPrefix(p.Lead, c.want) || p.Warn != c.warn {
			t.Errorf("%s: the page begins (warning %v)\n%s\nwant\n%s", c.name, p.Warn, p.Lead, c.want)
		}
		if first := strings.TrimSpace(text(t, p)); !strings.HasPrefix(first, p.Lead) {
			t.Errorf("%s: before the first line stands %.80q", c.name, first)
		}
		for _, f := range Figures(p) {
			spoiled := c.warn && len(c.in.Sides) > 1
			if course := strings.Contains(f.Name, "course"); !course && len(c.in.Sides) == 2 && strings.HasPrefix(f.Caption, "not controlled: ") != spoiled {
				t.Errorf("%s: the caption of %s begins %.60q", c.name, f.Name, f.Caption)
			}
			if !strings.Contains(f.Caption, "played") {
				t.Errorf("%s: the caption of %s does not say played", c.name, f.Name)
			}
		}
		if !strings.HasPrefix(p.Played, "played: ") {
			t.Errorf("%s: the page does not say played", c.name)
		}
	}
}

// TestNothingIsLost holds that every run, record and receipt of the input, every
// fact, and every number that compare prints is on the page.
func TestNothingIsLost(t *testing.T) {
	b := bench(2)
	low := b.Runs(sim.Orrery(), 4, sim.Default)
	low[2].Flags = []drift.Flag{{Kind: drift.Underrated, Fact: "memory.speed", Expected: rig.NumberOf(3200), Seen: rig.NumberOf(2400), Unit: rig.MTps, Weight: rig.Caution, Evidence: "type 17"}}
	in := input([]rig.Key{"memory.speed"}, b.Runs(sim.Orrery(), 4, sim.Rated), low)
	in.Sides[1].Left = map[string][]string{"void": {"20310302-120000-abcdefgh"}}
	delete(in.Kept, low[3].ID)
	page := text(t, Page(in))
	wanted := []string{"20310302-120000-abcdefgh", "type 17", "caution", "underrated", "workshop.example", "ratio.welch_log", "4 h", "1 %"}
	for _, s := range in.Sides {
		wanted = append(wanted, s.Text)
		for _, r := range s.Runs {
			wanted = append(wanted, r.ID)
			if k, ok := in.Kept[r.ID]; ok {
				wanted = append(wanted, k.RecordSHA256, fmt.Sprintf("entry %d of the trail", k.Index))
			}
			for _, f := range r.Before.Configuration() {
				wanted = append(wanted, string(f.Key), f.String())
			}
		}
	}
	w := in.Comparisons[0].Workloads[0]
	for _, f := range w.Figures {
		value, low, high := compare.RatioText(f.Comparison)
		wanted = append(wanted, value, low+" to "+high, compare.MeanText(f.Comparison.Base), compare.MeanText(f.Comparison.Against), f.Method)
	}
	wanted = append(wanted, compare.VerdictWords(w.Verdict.Verdict))
	for _, s := range wanted {
		if !strings.Contains(page, s) {
			t.Errorf("the page lacks %q", s)
		}
	}
}

// TestOneRunASide holds that one run a side gives neither interval nor verdict.
func TestOneRunASide(t *testing.T) {
	b := bench(3)
	p := Page(input([]rig.Key{"memory.speed"}, b.Runs(sim.Orrery(), 1, sim.Rated), b.Runs(sim.Orrery(), 1, sim.Default)))
	page := text(t, p)
	for _, want := range []string{"no verdict", "runs on each side", "Where there is one run there is no interval.", "from one run, without an uncertainty"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, never := range []string{"different", "no practical difference 1", "NaN"} {
		if strings.Contains(strings.ReplaceAll(page, "Verdict, in this order: no practical difference, if two one-sided tests at 5 % hold with the margin of 1 %; different, if", ""), never) {
			t.Errorf("the page says %q", never)
		}
	}
}

func TestLabelsTellSidesApart(t *testing.T) {
	run := func(rigName, setup string) []compare.Run { return []compare.Run{{Rig: rigName, Setup: setup}} }
	for _, c := range []struct {
		sides [][]compare.Run
		want  string
	}{
		{[][]compare.Run{run("heron", "rated"), run("heron", "default")}, "rated | default"},
		{[][]compare.Run{run("heron", "rated"), run("plover", "rated")}, "heron | plover"},
		{[][]compare.Run{run("heron", "rated"), run("plover", "rated"), run("heron", "default")}, "heron, rated | plover, rated | heron, default"},
		{[][]compare.Run{run("heron", ""), run("heron", "")}, "one | two"},
		{[][]compare.Run{append(run("heron", ""), run("plover", "")...), run("heron", "rated")}, "one | two"},
		{[][]compare.Run{run("heron", "rated")}, "heron, rated"},
	} {
		var in Input
		for i, runs := range c.sides {
			in.Sides = append(in.Sides, Side{Text: []string{"one", "two", "three"}[i], Runs: runs})
		}
		if got := strings.Join(labels(in), " | "); got != c.want {
			t.Errorf("labels %s, want %s", got, c.want)
		}
	}
	same := Input{Sides: []Side{{Text: "x", Runs: run("heron", "")}, {Text: "x", Runs: run("heron", "")}}}
	if got := labels(same); got[0] == got[1] {
		t.Errorf("both sides are called %s", got[0])
	}
}

// TestDrawnAsCompared holds the drawings' input to what compare found: the gap is
// marked where it is claimed, and the other side is moved by the offset found.
func TestDrawnAsCompared(t *testing.T) {
	b := bench(4)
	late := sim.Default
	late.Lead = 2350 * time.Millisecond
	base := sim.Rated
	base.Lead = time.Nanosecond
	in := input([]rig.Key{"memory.speed"}, b.Runs(sim.Orrery(), 4, base), b.Runs(sim.Orrery(), 4, late))
	r := report{in, labels(in)}
	w := in.Comparisons[0].Workloads[0]
	if w.Moments == nil || !w.Moments.Claimed {
		t.Fatalf("no gap is claimed: %s", w.NoMoments)
	}
	f := r.frameTimes(w, 0)
	if len(f.Traces) != 2 || f.Moment == nil || f.Moment.From != w.Moments.Largest.Start {
		t.Fatalf("%d traces, marked %v, want a mark at %v", len(f.Traces), f.Moment, w.Moments.Largest.Start)
	}
	if got := -f.Traces[1].Shift; (got - late.Lead).Abs() > 20*time.Millisecond {
		t.Errorf("the other side is moved by %v, it started %v later", got, late.Lead)
	}
	rates := r.rates(w, 0)
	if len(rates.Start) != len(w.Moments.Profile) || rates.Base[0] != w.Moments.Profile[0].RateA || rates.Against[0] != w.Moments.Profile[0].RateB {
		t.Error("the rates drawn are not those of the profile")
	}
}

// TestSessionsThatDiffer holds that a side described alone has the interval of its
// sessions' means where those differ (GUM H.5).
func TestSessionsThatDiffer(t *testing.T) {
	b := bench(5)
	var runs []compare.Run
	for _, factor := range []float64{1, 1.05, 0.97} {
		s := sim.Rated
		s.Factor = factor
		runs = append(runs, b.Runs(sim.Orrery(), 4, s)...)
		b.Wait(24 * time.Hour)
	}
	in := input(nil, runs)
	w := in.Alone.Workloads[0]
	values, byMeans := valuesOf(w.Base, w.Figures[0].Base)
	if !byMeans || len(values) != 3 {
		t.Fatalf("%d values, by means of sessions: %v", len(values), byMeans)
	}
	if page := text(t, Page(in)); !strings.Contains(page, "2 degrees of freedom") || !strings.Contains(page, "means of sessions") {
		t.Error("the page states an uncertainty of the runs, though their sessions differ")
	}
}

func TestStrips(t *testing.T) {
	counter := func(key rig.Key, unit rig.Unit, exponent int, values ...int64) rig.Signal {
		s := rig.Signal{Key: key, Unit: unit, Exponent: exponent, Counter: true, Values: values}
		for i := range values {
			s.Offsets = append(s.Offsets, time.Duration(i)*time.Second)
		}
		return s
	}
	signals := []rig.Signal{
		counter("energy[package-0]", rig.Joule, -6, 0, 65e6, 130e6, 10e6, 75e6), // it turns over once
		counter("throttle[cpu0 core].count", rig.NoUnit, 0, 5, 5, 7, 8, 8),
		{Key: "temperature[nothing]", Unread: rig.Unread{Reason: rig.Absent}},
	}
	for i := range 6 {
		s := counter(rig.Of("temperature", fmt.Sprintf("board/board.0 sensor %d", i), ""), rig.Celsius, -3, int64(30000+1000*i), int64(40000+1000*i))
		s.Counter, s.Limits = false, []rig.Limit{{Name: "max", Value: 100 - float64(i)}}
		signals = append(signals, s)
	}
	got, events := strips(signals)
	if len(got) != 2 || got[0].Name != "temperature, the 4 hottest of 6 sensors" || len(got[0].Tracks) != 4 || got[0].Tracks[0].Label != "sensor 5" {
		t.Fatalf("the strips are %+v", got)
	}
	if len(got[0].Bounds) != 1 || got[0].Bounds[0].Value != 95 {
		t.Errorf("the bounds are %+v, want the lowest of the sensors shown", got[0].Bounds)
	}
	if p := got[1].Tracks[0]; len(p.Values) != 3 || p.Values[0] != 65 || p.Values[2] != 65 {
		t.Errorf("the power is %v W, want 65 three times", p.Values)
	}
	if len(events) != 1 || events[0].From != time.Second || events[0].To != 3*time.Second {
		t.Errorf("the events are %+v, want one from 1 s to 3 s", events)
	}
}

// TestIntervalOfTheMean holds the interval to Student's: of 2 values d apart on
// the log scale the half width is 12.706 d/2 (t with 1 degree of freedom, from
// memory).
func TestIntervalOfTheMean(t *testing.T) {
	low, high, ok := meanInterval([]float64{100, 101}, 0.95)
	if !ok {
		t.Fatal("two runs have an interval")
	}
	c := stats.DescribeRepeats([]float64{100, 101}, "")
	if ratio := high / low; ratio < 1.134 || ratio > 1.136 { // exp(12.706 * log 1.01) = 1.1348
		t.Errorf("the interval is %v to %v, a ratio of %v", low, high, ratio)
	}
	if mean := c.GeoMean.Value; !(low < mean && mean < high) {
		t.Errorf("the mean %v is not in %v to %v", mean, low, high)
	}
	if _, _, ok := meanInterval([]float64{100}, 0.95); ok {
		t.Error("one run has no interval")
	}
}
