package capture

import (
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
)

func runWith(t *testing.T, signals ...rig.Signal) *record.Run {
	t.Helper()
	r := labtest.NewRig("heron", labtest.Seeded(3)).Finish(labtest.Shape{Plain: true}).Run
	r.Signals, r.Remarks = signals, nil
	return r
}

func rising(n int) rig.Signal {
	s := rig.Signal{Key: "load.other", Unit: rig.Percent, Source: "/proc/stat"}
	for i := range n {
		s.Offsets, s.Values = append(s.Offsets, time.Duration(i)*time.Second), append(s.Values, int64(i*i%977))
	}
	return s
}

// A run whose signals no collector would take keeps every second, fourth, ...
// sample of each, and says so once.
func TestSignalsAreThinnedUntilTheyAreTaken(t *testing.T) {
	for name, test := range map[string]struct {
		limit limit
		every int
	}{
		"fits":           {limit{10000, 1 << 20}, 1},
		"too many":       {limit{1500, 1 << 20}, 4},
		"too large":      {limit{10000, 6000}, 0},
		"nothing to cut": {limit{1, 1}, 4096},
	} {
		t.Run(name, func(t *testing.T) {
			run := runWith(t, rising(3000), rising(1000))
			run.Signals[1].Key = "pressure[cpu].stalled"
			raw, err := encode(run, test.limit)
			if err != nil {
				t.Fatal(err)
			}
			got, err := record.Decode(raw)
			if err != nil {
				t.Fatal(err)
			}
			s := got.Signals[0]
			n := len(s.Values)
			if n == 0 || s.Values[n-1] != rising(3000).Values[int(s.Offsets[n-1]/time.Second)] {
				t.Errorf("%d samples are left, and they are not those of their moments", n)
			}
			if want := (3000 + test.every - 1) / max(test.every, 1); test.every > 0 && n != want {
				t.Errorf("%d samples are left, want %d", n, want)
			}
			if test.limit.bytes > 1 && len(raw) > test.limit.bytes {
				t.Errorf("%d bytes, of %d", len(raw), test.limit.bytes)
			}
			if thinned := n < 3000; thinned != (len(got.Remarks) == 1) {
				t.Errorf("%d samples are left and the remarks are %q", n, got.Remarks)
			}
			if again, err := encode(run, test.limit); err != nil || string(again) != string(raw) {
				t.Errorf("encoded again it is not the same: %v", err)
			}
		})
	}
}

// What cannot be encoded is left out with a reason; the rest is kept.
func TestOnePartThatCannotBeEncodedCostsOnlyItself(t *testing.T) {
	for name, spoil := range map[string]func(*record.Run){
		"results": func(r *record.Run) { r.Results = []timing.Result{{Name: "n", Value: "one", Better: "higher"}} },
		"signals": func(r *record.Run) { r.Signals = []rig.Signal{{}} },
		"facts":   func(r *record.Run) { r.After.Facts = []rig.Fact{{Key: "no key"}} },
	} {
		run := runWith(t, rising(10))
		logs := run.Logs
		spoil(run)
		raw, err := encode(run, limits)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		got, err := record.Decode(raw)
		if err != nil || len(got.Logs) != len(logs) || !slices.ContainsFunc(got.Remarks, func(s string) bool { return strings.Contains(s, name) }) {
			t.Errorf("%s: %v, remarks %q", name, err, got.Remarks)
		}
	}
	run := runWith(t)
	run.Rig = ""
	if _, err := encode(run, limits); err == nil {
		t.Error("a run without a rig was encoded")
	}
}
