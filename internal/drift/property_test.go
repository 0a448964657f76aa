package drift_test

import (
	order "cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// anyKey draws a key of the catalogue or of a signal, with an index where it
// takes one, and now and then junk.
func anyKey(t *rapid.T) rig.Key {
	k := rapid.SampledFrom(append([]rig.Key{
		"cpu[].clock", "cpu.policy[].clock_limit", "throttle[].count", "throttle[].time", "cooling[].state", "load.other", "load.total", "energy[]", "temperature[]", "link[].speed",
	}, catalogueKeys...)).Draw(t, "key")
	if k.Family() != k {
		panic("not a family")
	}
	if i := rapid.SampledFrom([]string{"Processor", "Processor #2", "Fan", "coretemp/coretemp.0 Core 1", "DIMM_A1", "0000:01:00.0", "0000:01:00.1", "package-0", "cpu0 core", "acpitz passive"}).Draw(t, "index"); len(k) > 0 {
		for n := range len(k) - 1 {
			if k[n:n+2] == "[]" {
				return k[:n+1] + rig.Key(i) + k[n+1:]
			}
		}
	}
	if rapid.IntRange(0, 30).Draw(t, "junk") == 0 {
		return rig.Key(rapid.StringMatching(`[a-c.\[\]]{0,5}`).Draw(t, "junk key"))
	}
	return k
}

var catalogueKeys = func() (keys []rig.Key) {
	for _, e := range rig.Catalogue {
		keys = append(keys, e.Key)
	}
	return keys
}()

func anyFact(t *rapid.T, k rig.Key) rig.Fact {
	f := rig.Fact{Key: k, Source: "/source"}
	switch rapid.IntRange(0, 4).Draw(t, "kind") {
	case 0:
		f.Unread.Reason = rapid.SampledFrom(rig.Reasons).Draw(t, "reason")
	case 1:
		f.Value = rig.TextOf(rapid.SampledFrom([]string{"none", "3", "off", "on", "bridge", "graphics", "hpet", "x"}).Draw(t, "text"))
	case 2:
		f.Value = rig.TruthOf(rapid.Bool().Draw(t, "truth"))
	default:
		f.Value = rig.NumberOf(rapid.OneOf(rapid.SampledFrom([]float64{0, 1, 2.5, 8, 16, 100, 2400, 3200}), rapid.Float64()).Draw(t, "number"))
	}
	return f
}

func anySnapshot(t *rapid.T) rig.Snapshot {
	seen := map[rig.Key]bool{}
	var s rig.Snapshot
	for range rapid.IntRange(0, 40).Draw(t, "facts") {
		if k := anyKey(t); !seen[k] {
			seen[k] = true
			s.Facts = append(s.Facts, anyFact(t, k))
		}
	}
	return s
}

func anySignal(t *rapid.T) rig.Signal {
	s := rig.Signal{Key: anyKey(t), Unit: rapid.SampledFrom([]rig.Unit{rig.Celsius, rig.MHz, ""}).Draw(t, "unit"),
		Exponent: rapid.SampledFrom([]int{0, -3, -6, 3, 400, -400}).Draw(t, "exponent"), Source: "/source"}
	at := time.Duration(rapid.Int64Range(-5, 5).Draw(t, "first"))
	for range rapid.IntRange(0, 80).Draw(t, "samples") {
		at += time.Duration(rapid.Int64Range(1, int64(3*time.Second)).Draw(t, "step"))
		s.Offsets = append(s.Offsets, at)
		s.Values = append(s.Values, rapid.OneOf(rapid.Int64Range(-2, 200), rapid.Int64()).Draw(t, "value"))
	}
	if len(s.Values) > 0 && rapid.IntRange(0, 9).Draw(t, "ragged") == 0 {
		s.Values = s.Values[1:]
	}
	for range rapid.IntRange(0, 2).Draw(t, "limits") {
		s.Limits = append(s.Limits, rig.Limit{Name: rapid.SampledFrom([]string{"max", "crit", "active", "passive", ""}).Draw(t, "limit"), Value: rapid.SampledFrom([]float64{0, 80, 100, math.NaN(), math.Inf(1)}).Draw(t, "limit at")})
	}
	if len(s.Values) == 0 {
		s.Unread.Reason = rig.Absent
	}
	return s
}

func anyInput(t *rapid.T) drift.Input {
	in := drift.Input{Rig: "heron", Before: anySnapshot(t)}
	if rapid.Bool().Draw(t, "marked") {
		in.Mark = &drift.Mark{RunID: "r1", Snapshot: anySnapshot(t)}
		// Most of a mark is as the rig is now.
		in.Mark.Snapshot.Facts = append(in.Mark.Snapshot.Facts, in.Before.Facts...)
		in.Mark.Snapshot = rig.NewSnapshot(time.Time{}, in.Mark.Snapshot.Facts)
	}
	if rapid.Bool().Draw(t, "run") {
		in.Run = &drift.Run{After: anySnapshot(t), Outcome: rapid.SampledFrom([]string{"finished", "failed"}).Draw(t, "outcome"), Elapsed: time.Minute,
			Logs: []drift.Log{{Name: "a[b", Marks: []drift.LogMark{{Code: "stall"}, {Code: "stall"}}}}, MissingResults: []string{"score", "score"}}
		for range rapid.IntRange(0, 5).Draw(t, "signals") {
			in.Run.Signals = append(in.Run.Signals, anySignal(t))
		}
	}
	if rapid.IntRange(0, 4).Draw(t, "series") == 0 {
		outcomes := rapid.SliceOfN(rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(90, 110), rapid.Float64()), 0, 5), 0, 6)
		in.Series = &drift.Series{Figure: "rate_mean", Unit: "frames/s", Alike: outcomes.Draw(t, "alike"), All: outcomes.Draw(t, "all"),
			Outcome: rapid.OneOf(rapid.Float64Range(80, 120), rapid.Float64(), rapid.Just(math.NaN())).Draw(t, "figure")}
	}
	if rapid.Bool().Draw(t, "declared") {
		in.Setup = &setup.Setup{Label: "quiet", Expect: map[string]setup.Expectation{}}
		for range rapid.IntRange(0, 6).Draw(t, "expectations") {
			e := setup.Expectation{Value: setup.NumberOf(rapid.SampledFrom([]float64{0, 8, 16, 3200}).Draw(t, "expected"))}
			if rapid.Bool().Draw(t, "text") {
				e = setup.Expectation{OneOf: []setup.Value{setup.TextOf("none"), setup.TextOf("on")}}
			}
			in.Setup.Expect[string(anyKey(t))] = e
		}
	}
	return in
}

func TestJudgementsKeepTheirShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		j := drift.Judge(anyInput(t))
		met := map[string]bool{}
		for i, f := range j.Flags {
			id := fmt.Sprint(f.Kind, f.Fact)
			if met[id] {
				t.Errorf("%s stands twice", id)
			}
			met[id] = true
			if i > 0 && f.Weight > j.Flags[i-1].Weight {
				t.Errorf("%s is heavier than the flag before it", id)
			}
			if f.Weight < rig.Note || f.Weight > rig.Void || f.Evidence == "" || f.WeightBefore == f.Weight {
				t.Errorf("flag %+v", f)
			}
		}
		if j.Standing != drift.StandingOf(j.Flags) {
			t.Errorf("standing %s", j.Standing)
		}
		if _, err := json.Marshal(j.Flags); err != nil {
			t.Error(err)
		}
	})
}

func TestOrderOfFactsAndSignalsIsIrrelevant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		if in.Run != nil { // of two signals of one key the first may count
			seen := map[rig.Key]bool{}
			in.Run.Signals = slices.DeleteFunc(in.Run.Signals, func(s rig.Signal) bool {
				again := seen[s.Key]
				seen[s.Key] = true
				return again
			})
		}
		want := drift.Judge(in)
		in.Before.Facts = rapid.Permutation(in.Before.Facts).Draw(t, "order before")
		if in.Run != nil {
			run := *in.Run
			run.After.Facts = rapid.Permutation(run.After.Facts).Draw(t, "order after")
			run.Signals = rapid.Permutation(run.Signals).Draw(t, "order of signals")
			in.Run = &run
		}
		if in.Mark != nil {
			in.Mark = &drift.Mark{RunID: "r1", Snapshot: rig.Snapshot{Facts: rapid.Permutation(in.Mark.Snapshot.Facts).Draw(t, "order of the mark")}}
		}
		if d := cmp.Diff(want, drift.Judge(in), cmp.Comparer(func(a, b rig.Value) bool { return a == b })); d != "" {
			t.Error(d)
		}
	})
}

func TestJudgingLeavesTheInputAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		before, _ := json.Marshal(in.Before)
		drift.Judge(in)
		if after, _ := json.Marshal(in.Before); string(before) != string(after) {
			t.Error("the snapshot changed")
		}
	})
}

func TestWeighingChangesWeightsOnly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		if in.Setup == nil {
			in.Setup = &setup.Setup{Label: "quiet"}
		}
		plain := drift.Judge(in)
		heavy := *in.Setup
		heavy.Weigh = map[string]setup.Weight{}
		for _, f := range plain.Flags {
			if rapid.Bool().Draw(t, "weigh") {
				heavy.Weigh[string(f.Fact)] = rapid.SampledFrom([]setup.Weight{setup.Note, setup.Caution, setup.Void}).Draw(t, "weight")
			}
		}
		in.Setup = &heavy
		weighed := drift.Judge(in)
		bare := func(j drift.Judgement) (flags []drift.Flag) {
			for _, f := range j.Flags {
				f.Weight, f.WeightBefore = 0, 0
				flags = append(flags, f)
			}
			slices.SortFunc(flags, func(a, b drift.Flag) int {
				return order.Or(strings.Compare(string(a.Kind), string(b.Kind)), rig.Compare(a.Fact, b.Fact))
			})
			return flags
		}
		if d := cmp.Diff(bare(plain), bare(weighed), cmp.Comparer(func(a, b rig.Value) bool { return a == b })); d != "" {
			t.Error(d)
		}
	})
}

func TestAnEqualMarkMovesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySnapshot(t)
		j := drift.Judge(drift.Input{Before: s, Mark: &drift.Mark{RunID: "r1", Snapshot: s}})
		for _, f := range j.Flags {
			if f.Kind == drift.Moved {
				t.Errorf("%+v", f)
			}
		}
	})
}

func TestAnEqualAfterChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySnapshot(t)
		s.Facts = append(s.Facts, rig.Fact{Key: "os.name", Value: rig.TextOf("Dome Linux")})
		s = rig.NewSnapshot(time.Time{}, s.Facts)
		plain := drift.Judge(drift.Input{Before: s})
		run := drift.Judge(drift.Input{Before: s, Run: &drift.Run{After: s, Outcome: "finished"}})
		known := map[string]bool{}
		for _, f := range plain.Flags {
			known[fmt.Sprint(f.Kind, f.Fact)] = true
		}
		for _, f := range run.Flags {
			if !known[fmt.Sprint(f.Kind, f.Fact)] && f.Kind != drift.UnreadFact {
				t.Errorf("%+v", f)
			}
		}
	})
}
