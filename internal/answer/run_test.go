package answer_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
	"witnessmark/internal/trail"
)

var update = flag.Bool("update", false, "write the golden files anew")

func jsonOf(v any) error { return json.NewEncoder(io.Discard).Encode(v) }

// orrery is a whole run of an invented rig, with one of everything.
func orrery() (*record.Run, answer.Summary) {
	start := time.Date(2031, 3, 2, 9, 3, 12, 500, time.UTC)
	log := []byte("frame,frame_ms\n0,16.667\n")
	r := &record.Run{
		ID: "20310302-090312-k7q2m9xd", Rig: "heron", Group: "g1", Repeat: 2, Repeats: 5, Started: start, Elapsed: 20610 * time.Millisecond,
		Workload: record.Workload{Name: "orrery", Version: "3"},
		Setup: &record.Setup{Label: "memory-rated", FileName: "heron-rated.toml", Source: []byte(
			"label = \"memory-rated\"\n[noted]\ncooler = \"two-fan tower\"\nroom_temperature = 21.5\nside_panel = true\n")},
		Exit: record.Exit{Outcome: record.Finished},
		Before: rig.NewSnapshot(start, []rig.Fact{
			{Key: "memory.speed", Value: rig.NumberOf(2400), Unit: rig.MTps, Source: "/sys/firmware/dmi/tables/DMI: type 17"},
			{Key: "firmware.version", Source: "/sys/class/dmi/id/bios_version", Unread: rig.Unread{Reason: rig.Denied, Detail: "permission denied"}},
		}),
		Signals: []rig.Signal{
			{
				Key: "temperature[package]", Unit: rig.Celsius, Exponent: -3, Source: "/sys/class/hwmon/hwmon0/temp1_input",
				Offsets: []time.Duration{0, 100 * time.Millisecond}, Values: []int64{45000, 45125},
				Limits: []rig.Limit{{Name: "max", Value: 95}, {Name: "crit", Value: math.Inf(1)}},
				Gaps:   []rig.Gap{{From: time.Second, To: 2 * time.Second, Unread: rig.Unread{Reason: rig.Refused, Detail: "gone"}}},
			},
			{Key: "power[package]", Unit: rig.Watt, Source: "/sys/class/powercap", Unread: rig.Unread{Reason: rig.Absent}},
		},
		Logs: []record.Log{{
			Attachment: "orrery.csv", Rows: 1224, Spec: timing.Spec{Column: "frame_ms", Kind: "duration", Unit: "ms"},
			Marks: []record.LogMark{{Code: "rounded", Detail: "3 cells are finer than a nanosecond"}},
		}},
		Results:     []timing.Result{{Name: "score", Value: "512.30", Unit: "points", Better: "higher"}, {Name: "odd", Value: ""}, {Name: "word", Value: "NaN"}},
		AgentCost:   record.Cost{CPU: 123456 * time.Microsecond, PeakRSS: 14890000},
		Attachments: []record.Attachment{record.Attach("orrery.csv", record.TimingLog, log)},
		Remarks:     []string{"output of the workload was cut at 1 MiB"},
	}
	var durations []int64
	for i := range 1224 {
		durations = append(durations, 16_667_000+int64(i%17)*25_000)
	}
	j := drift.Judgement{Standing: drift.Careful, MarkRun: "20310301-080000-a1b2c3d4", Flags: []drift.Flag{
		{Kind: drift.Underrated, Fact: "memory.speed", Expected: rig.NumberOf(3200), Seen: rig.NumberOf(2400), Unit: rig.MTps, Weight: rig.Caution, Evidence: "type 17"},
		{Kind: drift.Moved, Fact: "kernel.mitigations", Expected: rig.TruthOf(true), Seen: rig.TextOf("off"), Weight: rig.Note, WeightBefore: rig.Caution, Evidence: "/proc/cmdline"},
	}}
	return r, answer.Summarise(r, [32]byte{0x5f, 0x1c}, answer.Describe(durations), j)
}

func receiptOf(t *testing.T) trail.Receipt {
	leaf, err := trail.Entry{Kind: trail.KindRecord, At: time.Date(2031, 3, 2, 9, 3, 40, 0, time.UTC), Subject: "20310302-090312-k7q2m9xd", Actor: "heron", Length: 1}.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	return trail.Receipt{Leaf: leaf, Index: 17, Size: 18, Proof: []trail.Hash{{1}}, Head: []byte("dome.example/trail\n18\n")}
}

// The keys and forms of RUN are a promise to whoever reads it with a program.
func TestRunGolden(t *testing.T) {
	r, s := orrery()
	whole := s.Brief().WithRecord(r)
	whole.Receipt = answer.ReceiptOf(receiptOf(t))
	refused := s
	refused.Statistics, refused.Setup, refused.Judgement = answer.NoStatistics("not_positive: line 3"), "", drift.Judgement{Standing: drift.Voided}
	refused.Played = "from the logs of another bench"
	for name, v := range map[string]any{
		"run.json": whole, "brief.json": s.Brief(), "refused.json": refused.Brief(),
		"flag.json": s.FlagRows()[0],
		"rig.json":  answer.RigSummary{Name: "heron", Runs: 7, LastRun: s.ID, LastStarted: s.Started, LastSetup: s.Setup, LastStanding: "caution", KeySHA256: []byte{0xab}}.Row(),
		"mark.json": answer.Mark{Rig: "heron", Setup: "memory-rated", RunID: s.ID, At: s.Started, By: "operator", Why: "after the new cooler"}.Row(),
	} {
		var b bytes.Buffer
		e := json.NewEncoder(&b)
		e.SetIndent("", "  ")
		if err := e.Encode(v); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, b.Bytes(), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), b.String()); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

// Whatever a rig sends, its run has JSON that reads back.
func TestRunsOfAnyRigHaveJSON(t *testing.T) {
	g := heron(t)
	for range 100 {
		run := g.Finish(labtest.Shape{})
		b, err := json.Marshal(summary(run).Brief().WithRecord(run.Run))
		if err != nil {
			t.Fatal(err)
		}
		var back answer.Run
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatal(err)
		}
		if back.ID != run.ID || len(back.Facts.Before) != len(run.Before.Facts) || len(back.Signals) != len(run.Signals) {
			t.Fatal("it reads back as another run")
		}
	}
}

func TestResultsAreNumbersOrNone(t *testing.T) {
	for value, want := range map[string]string{
		"512.30": `512.30`, "-1.5e3": `-1.5e3`, "0": `0`,
		"": `null`, "NaN": `null`, "Infinity": `null`, "0x10": `null`, "1e999": `null`, "1 ": `null`, `"3"`: `null`, "null": `null`, "1,2": `null`, "01": `null`,
	} {
		s := answer.Summary{Results: []timing.Result{{Name: "score", Value: value, Unit: "points"}}}
		b, err := json.Marshal(s.Brief().Results["score"])
		if err != nil {
			t.Fatalf("%q: %v", value, err)
		}
		var got struct {
			Value   json.RawMessage `json:"value"`
			Unit    string          `json:"unit"`
			Refused string          `json:"refused"`
		}
		if err := json.Unmarshal(b, &got); err != nil {
			t.Fatal(err)
		}
		if string(got.Value) != want || got.Unit != "points" || (want == "null") != (got.Refused != "") {
			t.Errorf("%q: %s", value, b)
		}
	}
}

func TestStatisticsAreNumbersOrRefused(t *testing.T) {
	for name, durations := range map[string][]int64{
		"none": nil, "one": {16e6}, "short": {16e6, 17e6}, "a stall": {1e9, 6e9}, "a zero": {16e6, 0, 2e9},
	} {
		s := answer.Describe(durations)
		j := answer.Summary{Statistics: s}.Brief().Statistics
		f := j.FrametimeMS
		for key, v := range map[string]*float64{
			"rate_mean": j.RateMean, "frametime_ms.p50": f.P50, "frametime_ms.p95": f.P95, "frametime_ms.p99": f.P99, "frametime_ms.p999": f.P999,
			"slowest_1pct_mean_ms": j.SlowestOnePctMean, "elapsed_seconds": j.ElapsedSeconds,
		} {
			if (v == nil) != (j.Refused[key] != "") {
				t.Errorf("%s: %s is %v, refused %q", name, key, v, j.Refused[key])
			}
		}
	}
}

func TestWhatNobodyMeasuredIsNull(t *testing.T) {
	b, err := json.Marshal(answer.Summary{}.Brief())
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"elapsed_seconds":null`, `"cpu_seconds":null`, `"peak_rss_bytes":null`} {
		if !strings.Contains(string(b), want) {
			t.Errorf("no %s in %s", want, b)
		}
	}
}
