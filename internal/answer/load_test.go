package answer_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/compare"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
)

// brief is a workload whose runs are small.
func brief() sim.Workload {
	w := sim.Orrery()
	w.LeadIn, w.Scenes = 0, []sim.Scene{{Seconds: 1.2, Milliseconds: 12, Memory: 0.5}}
	return w
}

// lab is a collector with a bench that delivers to it.
type lab struct {
	*sim.Bench
	rig    *labtest.Rig
	conn   *labtest.Collector
	client answer.Client
}

func newLab(t testing.TB, name string) *lab {
	r := labtest.Seeded(11)
	c := labtest.NewCollector(t)
	return &lab{sim.NewBench(name, r), labtest.NewRig(name, r), c, answer.NewClient(c)}
}

// deliver makes runs by one command and delivers them.
func (l *lab) deliver(t testing.TB, w sim.Workload, n int, s sim.State, change ...func(*compare.Run)) (ids []string) {
	for _, run := range l.Runs(w, n, s) {
		for _, c := range change {
			c(&run)
		}
		rec, data := sim.Record(run)
		signed := l.rig.Sign(rec, data)
		if _, err := deliver.Send(context.Background(), l.conn, signed.Signed, signed.Parts()); err != nil {
			t.Fatal(err)
		}
		ids = append(ids, run.ID)
	}
	return ids
}

func (l *lab) load(t testing.TB, text string, o answer.LoadOptions) answer.Loaded {
	s, err := answer.ParseSelection(text, noon)
	if err != nil {
		t.Fatal(err)
	}
	got, err := answer.Load(context.Background(), l.client, s, o)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func ids(l answer.Loaded) (out []string) {
	for _, r := range l.Runs {
		out = append(out, r.ID)
	}
	return out
}

func TestLoad(t *testing.T) {
	l := newLab(t, "heron")
	rated := l.deliver(t, brief(), 3, sim.Rated)
	low := l.deliver(t, brief(), 2, sim.Default)
	undeclared := sim.Default
	undeclared.Setup = ""
	caution := l.deliver(t, brief(), 1, undeclared) // memory below its rating, which nobody declared
	void := l.deliver(t, brief(), 1, sim.Rated, func(r *compare.Run) { r.Durations = []int64{5, 6} })
	other := brief()
	other.Name, other.Version = "dome-encode", "1"
	encode := l.deliver(t, other, 1, sim.Rated)

	all := slices.Concat(rated, low, caution)
	for text, want := range map[string]struct {
		runs    []string
		include []drift.Standing
	}{
		"workload=orrery":                                     {slices.Concat(rated, low), nil},
		"rig=heron,workload=orrery":                           {all, []drift.Standing{drift.Careful}},
		"workload=orrery,workload=dome-encode":                {slices.Concat(rated, low, encode), nil},
		"setup=memory-default":                                {low, nil},
		"workload=orrery,memory.speed=3200":                   {rated, nil},
		"workload=orrery,memory.speed=3200.5":                 {rated, nil}, // within the catalogue's tolerance
		"workload=orrery,memory.speed=2401,memory.speed=3199": {slices.Concat(rated, low), nil},
		"memory.module[].speed=2400":                          {low, nil},
		"cpu.governor=performance,version=3":                  {slices.Concat(rated, low), nil},
		"machine.virtual=no,version=1":                        {encode, nil},
		"machine.virtual=yes":                                 {nil, nil},
		rated[1] + "," + low[0]:                               {[]string{rated[1], low[0]}, nil},
		rated[1] + "," + low[0] + ",setup=memory-default":     {[]string{low[0]}, nil},
		rated[1][16:]:                                         {[]string{rated[1]}, nil},
		"workload=orrery,until=2031-03-01":                    {nil, nil},
		"rig=plover":                                          {nil, nil},
	} {
		if got := ids(l.load(t, text, answer.LoadOptions{Include: want.include, NeedLogs: true})); !slices.Equal(got, want.runs) {
			t.Errorf("%s gives %v, want %v", text, got, want.runs)
		}
	}
	got := l.load(t, "workload=orrery", answer.LoadOptions{NeedLogs: true})
	if !slices.Equal(got.Left[answer.LeftVoid], void) || !slices.Equal(got.Left[answer.LeftCaution], caution) {
		t.Errorf("left out: %v", got.Left)
	}
	got = l.load(t, "workload=orrery,memory.speed=3200", answer.LoadOptions{})
	if !slices.Equal(got.Left[answer.LeftVoid], void) || len(got.Left[answer.LeftCaution]) != 0 {
		t.Errorf("left out of those with a fact: %v", got.Left)
	}
	newest := answer.LoadOptions{Limit: 2}
	if got := l.load(t, "workload=orrery", newest); !slices.Equal(ids(got), low) {
		t.Errorf("the newest two: %v", ids(got))
	}
	unknown := answer.Selection{IDs: []string{"zzzzzzzz"}}
	if _, err := answer.Load(context.Background(), l.client, unknown, answer.LoadOptions{}); !errors.Is(err, answer.ErrNotFound) {
		t.Errorf("an unknown id: %v", err)
	}
}

// TestLoadWhole holds that a run comes with all that was recorded of it, and that
// facts alone are fetched once for all runs of a command.
func TestLoadWhole(t *testing.T) {
	l := newLab(t, "heron")
	w := brief()
	made := l.Runs(w, 1, sim.Rated)[0]
	made.Noted = map[string]string{"cooler": "two-fan tower"}
	made.Settings = map[string]string{"width": "1280"}
	rec, data := sim.Record(made)
	signed := l.rig.Sign(rec, data)
	if _, err := deliver.Send(context.Background(), l.conn, signed.Signed, signed.Parts()); err != nil {
		t.Fatal(err)
	}
	got := l.load(t, "workload=orrery", answer.LoadOptions{NeedLogs: true, NeedSignals: true}).Runs[0]
	if !slices.Equal(got.Durations, made.Durations) || got.Noted["cooler"] != "two-fan tower" || got.Settings["width"] != "1280" ||
		got.Declared["memory.speed"] != "3200" || got.Content != "time" || got.Played == "" || got.Configuration != made.Configuration || len(got.After.Facts) == 0 {
		t.Errorf("%+v", got)
	}
	if got.Definition["log"] != "frame_ms as duration" || got.Definition["command"] != "./orrery" {
		t.Errorf("%v", got.Definition)
	}
	if c := compare.Control([]compare.Run{made}, []compare.Run{got}, nil); len(c.NotKnown) > 0 || len(c.NotControlled) != 2 {
		t.Errorf("what was made and what was kept differ in more than the definitions: %s", c.Headline())
	}
	l.deliver(t, w, 5, sim.Rated)
	counted := &counting{Book: l.client}
	s, _ := answer.ParseSelection("workload=orrery", noon)
	facts, err := answer.Load(context.Background(), counted, s, answer.LoadOptions{})
	if err != nil || len(facts.Runs) != 6 || counted.shows != 2 {
		t.Errorf("%d runs by %d records: %v", len(facts.Runs), counted.shows, err)
	}
}

type counting struct {
	answer.Book
	shows int
}

func (c *counting) Show(ctx context.Context, id string) (answer.Detail, error) {
	c.shows++
	return c.Book.Show(ctx, id)
}

func TestNoLog(t *testing.T) {
	l := newLab(t, "heron")
	l.deliver(t, brief(), 1, sim.Rated, func(r *compare.Run) { r.Durations = nil })
	got := l.load(t, "workload=orrery", answer.LoadOptions{NeedLogs: true}).Runs
	if len(got) != 1 || got[0].Durations != nil || got[0].NoLog == "" {
		t.Errorf("%+v", got)
	}
}

func TestFactor(t *testing.T) {
	declared := func(setup, speed, governor string) []compare.Run {
		d := map[string]string{"memory.speed": speed, "memory.modules": "2"}
		if governor != "" {
			d["cpu.governor"] = governor
		}
		return []compare.Run{{ID: setup, Setup: setup, Declared: d}}
	}
	bench := sim.NewBench("heron", labtest.Seeded(5))
	low := sim.Default
	low.Facts = map[string]any{"firmware.version": "1.10"}
	updated := sim.Rated
	updated.Facts = low.Facts
	bare := func(s sim.State) []compare.Run {
		rs := bench.Runs(brief(), 2, s)
		for i := range rs {
			rs[i].Declared = nil
		}
		return rs
	}
	for name, c := range map[string]struct {
		base, against string
		b, a          []compare.Run
		want          []rig.Key
		rule          compare.Rule
	}{
		"facts":               {"memory.speed=3200,cpu.governor=performance", "memory.speed=2400,cpu.governor=performance", nil, nil, []rig.Key{"memory.speed"}, compare.BySelection},
		"a fact on one side":  {"rig=heron", "rig=heron,memory.speed=2400", nil, nil, []rig.Key{"memory.speed"}, compare.BySelection},
		"rigs":                {"rig=heron", "rig=plover", nil, nil, []rig.Key{compare.RigName}, compare.BySelection},
		"times":               {"since=7d", "since=3d", nil, nil, nil, compare.ByNobody},
		"versions":            {"version=3", "version=4", nil, nil, nil, compare.ByNobody},
		"setups that declare": {"setup=x", "setup=y", declared("x", "3200", "performance"), declared("y", "2400", ""), []rig.Key{"memory.speed"}, compare.BySetup},
		"setups that do not":  {"setup=x", "setup=y", bare(sim.Rated), bare(sim.Default), nil, compare.ByNobody},
		"one setup declares":  {"setup=x", "setup=y", declared("x", "3200", ""), bare(sim.Default), nil, compare.ByNobody},
		"setups, two facts":   {"setup=x", "setup=y", bare(sim.Rated), bare(low), nil, compare.ByNobody},
		"setups, firmware":    {"setup=x", "setup=y", bare(sim.Rated), bare(updated), nil, compare.ByNobody},
		"the same":            {"setup=x", "setup=x", bare(sim.Rated), bare(sim.Default), nil, compare.ByNobody},
		"ids":                 {"a1", "b1", bare(sim.Rated), bare(sim.Default), nil, compare.ByNobody},
	} {
		base, err := answer.ParseSelection(c.base, noon)
		if err != nil {
			t.Fatal(err)
		}
		against, err := answer.ParseSelection(c.against, noon)
		if err != nil {
			t.Fatal(err)
		}
		if got := answer.Factor(base, against, c.b, c.a); !slices.Equal(got.Vary, c.want) || got.Rule != c.rule {
			t.Errorf("%s: %v by %s, want %v by %s", name, got.Vary, got.Rule, c.want, c.rule)
		}
	}
}

func TestHistory(t *testing.T) {
	l := newLab(t, "heron")
	w := brief()
	w.Noise = 0.01
	for range 12 {
		l.deliver(t, w, 3, sim.Rated)
		l.Wait(time.Hour)
	}
	used := l.load(t, "workload=orrery", answer.LoadOptions{Limit: 3})
	h, err := answer.History(context.Background(), l.client, used.Runs[:1], used.Runs[1:])
	// A run of 1.2 s adds some 1.3 % by its frames to the noise of 1 %.
	// 33 other runs in 11 commands: 22 degrees of freedom; the runs used are one command.
	if s := h["orrery"]; err != nil || s.DF != 22 || s.SD < 0.01 || s.SD > 0.025 {
		t.Errorf("%+v %v", h, err)
	}
	many := l.load(t, "workload=orrery", answer.LoadOptions{})
	if h, err := answer.History(context.Background(), l.client, many.Runs[:18], many.Runs[18:]); err != nil || len(h) != 0 {
		t.Errorf("enough runs, and yet %v %v", h, err)
	}
}

// BenchmarkLoad chooses ten runs out of archives of 100, 1,000 and 10,000 of one
// rig, by the rig, the workload and the day.
func BenchmarkLoad(b *testing.B) {
	for _, n := range []int{100, 1000, 10000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			l := newLab(b, "heron")
			for i := range n / 10 {
				if i > 0 {
					l.Wait(24 * time.Hour)
				}
				l.deliver(b, brief(), 10, sim.Rated)
			}
			text := "workload=orrery,rig=heron,since=2031-03-02,until=2031-03-02"
			b.ResetTimer()
			for range b.N {
				if got := l.load(b, text, answer.LoadOptions{NeedLogs: true}); len(got.Runs) != 10 {
					b.Fatal(len(got.Runs))
				}
			}
		})
	}
}
