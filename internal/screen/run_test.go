package screen_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name, got string) {
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs; got\n%s", path, got)
	}
}

func number(f float64) *float64 { return &f }

// heron is an invented run of an invented rig.
func heron() answer.Run {
	start := time.Date(2031, 3, 2, 9, 3, 12, 0, time.UTC)
	fact := func(k rig.Key, v rig.Value, u rig.Unit, source string) rig.Fact {
		return rig.Fact{Key: k, Value: v, Unit: u, Source: source}
	}
	const dmi = "/sys/firmware/dmi/tables/DMI: type 17"
	before := []rig.Fact{
		fact("cpu.cores", rig.NumberOf(8), rig.NoUnit, "/proc/cpuinfo"),
		fact("cpu.governor", rig.TextOf("performance"), rig.NoUnit, "/sys/devices/system/cpu"),
		fact("cpu.model", rig.TextOf("Gantry G8"), rig.NoUnit, "/proc/cpuinfo"),
		{Key: "firmware.version", Source: "/sys/class/dmi/id/bios_version", Unread: rig.Unread{Reason: rig.Denied, Detail: "permission denied"}},
		fact("link[0000:01:00.0].width", rig.NumberOf(8), rig.Lanes, "/sys/bus/pci"),
		fact("memory.rated_speed", rig.NumberOf(3200), rig.MTps, dmi),
		fact("memory.speed", rig.NumberOf(2400), rig.MTps, dmi),
	}
	after := append([]rig.Fact{}, before...)
	after[1] = fact("cpu.governor", rig.TextOf("powersave"), rig.NoUnit, "/sys/devices/system/cpu")
	return answer.Run{
		ID: "20310302-090312-k7q2m9xd", Rig: "heron", Workload: "orrery", WorkloadVersion: "3", Setup: "memory-rated",
		Repeat: 1, Started: start, ElapsedSeconds: number(20.61), Outcome: "finished", Standing: drift.Careful, MarkRun: "20310301-080000-a1b2c3d4",
		Flags: []drift.Flag{
			{Kind: drift.Underrated, Fact: "memory.speed", Expected: rig.NumberOf(3200), Seen: rig.NumberOf(2400), Unit: rig.MTps, Weight: rig.Caution, Evidence: dmi + ": the modules are rated for more"},
			{Kind: drift.Moved, Fact: "firmware.date", Expected: rig.TextOf("2030-11-02"), Seen: rig.TextOf("2031-02-20"), Weight: rig.Note, WeightBefore: rig.Caution, Evidence: "/sys/class/dmi/id/bios_date"},
		},
		Results: map[string]answer.ResultValue{"score": {Value: "512.30", Unit: "points", Better: "higher"}, "odd": {Refused: `the rig sent "x", which is no number`}},
		Statistics: answer.StatisticsJSON{
			Frames: new(1224), ElapsedSeconds: number(20.5312), RateMean: number(59.6166),
			FrametimeMS:       answer.Percentiles{P50: number(16.667), P95: number(17.1), P99: number(17.1004)},
			SlowestOnePctMean: number(25.0583),
			Refused:           map[string]string{"frametime_ms.p999": "tail_empty: less than one value lies in this tail"},
			Flagged:           map[string]string{"frametime_ms.p99": "tail_too_thin: 4 values lie in this tail, fewer than 5"},
		},
		AgentCost: answer.CostJSON{CPUSeconds: number(0.123), PeakRSSBytes: new(int64(14890000))}, RecordSHA256: strings.Repeat("5f", 32),
		Receipt: &answer.ReceiptJSON{Index: 17, TreeSize: 18, Kept: start.Add(40 * time.Second), Head: "dome.example/trail\n18\n…"},
		Facts:   &answer.FactsJSON{Before: before, After: after},
		Signals: []answer.SignalJSON{
			{Key: "temperature[package]", Unit: rig.Celsius, Values: []float64{45, 50.5, 64}, Limits: map[string]*float64{"max": number(95), "crit": nil}},
			{Key: "cpu.throttle_count", Counter: true, Values: []float64{7, 7, 9}},
			{Key: "power[package]", Unit: rig.Watt, Unread: rig.Denied, Detail: "needs CAP_SYS_RAWIO"},
		},
		Logs:    []answer.LogJSON{{Name: "orrery.csv", Bytes: 24620, Column: "frame_ms", Kind: "duration", Unit: "ms", Rows: 1224, Marks: []string{"rounded: 3 cells are finer than a nanosecond"}}},
		Noted:   map[string]any{"cooler": "two-fan tower", "room_temperature": 21.5, "side_panel": true},
		Remarks: []string{"output of the workload was cut at 1 MiB"},
	}
}

func TestRunGolden(t *testing.T) {
	var b bytes.Buffer
	r := heron()
	if err := screen.Run(&b, r); err != nil {
		t.Fatal(err)
	}
	if err := screen.FactsOfRun(&b, *r.Facts); err != nil {
		t.Fatal(err)
	}
	if err := screen.Signals(&b, r.Signals); err != nil {
		t.Fatal(err)
	}
	golden(t, "heron.txt", b.String())
}

func TestRunWithoutALogOrAReceipt(t *testing.T) {
	r := heron()
	r.Flags, r.Results, r.Facts, r.Logs, r.Noted, r.Remarks, r.Receipt = nil, nil, nil, nil, nil, nil, nil
	r.Outcome, r.OutcomeDetail, r.Exit, r.Standing = "not_started", "no such file", -1, drift.Voided
	r.ElapsedSeconds, r.AgentCost = nil, answer.CostJSON{}
	r.Setup, r.Played, r.Spooled = "", "from the logs of another bench", "the collector does not answer"
	r.Statistics = answer.Summary{Statistics: answer.NoStatistics("no timing log belongs to this run")}.Brief().Statistics
	var b bytes.Buffer
	if err := screen.Run(&b, r); err != nil {
		t.Fatal(err)
	}
	golden(t, "bare.txt", b.String())
}

func TestRunMadeFromALog(t *testing.T) {
	r := heron()
	r.Flags, r.Results, r.Facts, r.Logs, r.Noted, r.Remarks, r.Receipt = nil, nil, nil, nil, nil, nil, nil
	r.Outcome, r.Spooled = "taken", "the collector does not answer"
	r.Span = &answer.SpanJSON{Name: "evening",
		From: answer.BoundJSON{Wall: r.Started, BootID: "6c5d", SinceBootSeconds: number(3600.5), How: "durations"},
		To:   answer.BoundJSON{Wall: r.Started.Add(20610 * time.Millisecond), How: "last_write", Detail: "the clock never showed\x1bthat time"}}
	var b bytes.Buffer
	if err := screen.Run(&b, r); err != nil {
		t.Fatal(err)
	}
	golden(t, "taken.txt", b.String())
}

// What rigs sent, however hard, never reaches the terminal as more than text.
func TestRunsOfAnyRigPrint(t *testing.T) {
	g := labtest.NewRig("heron", labtest.Rand(t))
	for range 40 {
		run := g.Finish(labtest.Shape{})
		flags := []drift.Flag{{Kind: drift.Moved, Fact: "cpu.model", Expected: rig.TextOf("\x1b[2J"), Seen: rig.TextOf("a\nb"), Weight: rig.Caution, Evidence: "\x07"}}
		s := answer.Summarise(run.Run, run.Signed.SHA256(), answer.NoStatistics("\x1b]0;"), drift.Judgement{Standing: drift.Careful, Flags: flags})
		r := s.Brief().WithRecord(run.Run)
		var b bytes.Buffer
		if err := screen.Run(&b, r); err != nil {
			t.Fatal(err)
		}
		if err := screen.FactsOfRun(&b, *r.Facts); err != nil {
			t.Fatal(err)
		}
		if err := screen.Signals(&b, r.Signals); err != nil {
			t.Fatal(err)
		}
		if err := screen.Flags(&b, r.Flags); err != nil {
			t.Fatal(err)
		}
		if i := strings.IndexFunc(b.String(), func(c rune) bool { return c != '\n' && unicode.IsControl(c) }); i >= 0 {
			t.Fatalf("a control character came through: %q", b.String()[max(0, i-40):i+10])
		}
		for _, f := range run.Before.Facts {
			if !strings.Contains(b.String(), screen.Clean(string(f.Key))) {
				t.Fatalf("fact %s is not there", f.Key)
			}
		}
	}
}

type broken struct{ after int }

func (w *broken) Write(b []byte) (int, error) {
	if w.after -= len(b); w.after < 0 {
		return 0, os.ErrClosed
	}
	return len(b), nil
}

func TestRunTellsThatWritingFailed(t *testing.T) {
	for after := 0; after < 2000; after += 100 {
		if err := screen.Run(&broken{after}, heron()); err == nil {
			t.Fatalf("no error after %d bytes", after)
		}
	}
}

func TestFlagTextGivesBoundsTheirUnit(t *testing.T) {
	for want, f := range map[string]drift.Flag{
		"seen 3600 MHz, expected 4100 to 4300 MHz":               {Seen: rig.NumberOf(3600), Expected: rig.TextOf("4100 to 4300"), Unit: rig.MHz},
		"seen 3200 MT/s, expected 3600 MT/s":                     {Seen: rig.NumberOf(3200), Expected: rig.NumberOf(3600), Unit: rig.MTps},
		"seen unread: absent, expected at least 4100 MHz":        {Seen: rig.TextOf("unread: absent"), Expected: rig.TextOf("at least 4100"), Unit: rig.MHz},
		"seen 100 °C, expected below 100, its crit":              {Seen: rig.NumberOf(100), Expected: rig.TextOf("below 100, its crit"), Unit: rig.Celsius},
		"seen 1.09, expected 1.08":                               {Seen: rig.TextOf("1.09"), Expected: rig.TextOf("1.08")},
		"seen 8 lanes (caution unless the setup says otherwise)": {Seen: rig.NumberOf(8), Unit: rig.Lanes, Weight: rig.Note, WeightBefore: rig.Caution},
		"seen 1 lane, expected 4 lanes":                          {Seen: rig.NumberOf(1), Expected: rig.NumberOf(4), Unit: rig.Lanes},
	} {
		if got := screen.FlagText(f); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
