package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
)

// The runs of an invented planetarium workshop that the tests ask about. Every
// machine, number and reading in them is made up.
//
//	20310302-090312-…  heron   orrery       memory-rated  caution: memory at its default speed
//	20310303-140000-…  heron   orrery       memory-rated  void: the workload failed
//	20310304-101500-…  plover  dome-encode  (no setup)    played, result only
//	20310305-080000-…  avocet  orrery       (no setup)    void: log refused
var workshop = []planned{
	{"20310302-090312-k7q2m9xd", heronRated},
	{"20310303-140000-w4e8r2tz", heronFailed},
	{"20310304-101500-p3n5v7bc", ploverEncode},
	{"20310305-080000-h9j1g6fa", avocetRefused},
}

// later is a run of heron after its firmware was updated.
var later = planned{"20310306-070000-x2y4z6ab", heronUpdated}

type planned struct {
	id    string
	shape func(*record.Run) []byte // gives the timing log's bytes, nil for none
}

const memoryRated = `label = "memory-rated"
rig = "heron"
[expect]
"memory.speed" = 3200
[noted]
cooler = "two-fan tower"
room_temperature = 21.5
`

// deliverRuns delivers runs to the archive in a state folder, as an agent without
// a collector's address does.
func deliverRuns(ctx context.Context, state string, runs ...planned) error {
	conn, err := collect.Embedded(ctx, filepath.Join(state, "archive"), labtest.Quiet())
	if err != nil {
		return err
	}
	defer conn.Close()
	for _, p := range runs {
		run, data := p.run()
		g := labtest.NewRig(run.Rig, labtest.Seeded(uint64(len(run.Rig))))
		signed := g.Sign(run, data)
		if _, err := deliver.Send(ctx, conn, signed.Signed, signed.Parts()); err != nil {
			return fmt.Errorf("%s: %w", p.id, err)
		}
	}
	return nil
}

func (p planned) run() (*record.Run, [][]byte) {
	start, err := time.Parse("20060102-150405", p.id[:15])
	if err != nil {
		panic(err)
	}
	r := &record.Run{
		ID: p.id, Rig: "heron", Started: start, Elapsed: 20*time.Second + 610*time.Millisecond, Repeat: 1, Repeats: 1,
		Workload: record.Workload{Name: "orrery", Version: "3", Command: []string{"./orrery", "--seconds=20"}},
		Exit:     record.Exit{Outcome: record.Finished},
		Before:   heronFacts(start), After: heronFacts(start.Add(21 * time.Second)),
		AgentCost: record.Cost{CPU: 123 * time.Millisecond, PeakRSS: 14890000}, AgentVersion: "0.1.0",
	}
	log := p.shape(r)
	if log == nil {
		return r, nil
	}
	r.Attachments = append(r.Attachments, record.Attach("orrery.csv", record.TimingLog, log))
	r.Logs = append(r.Logs, labtest.Reading("orrery.csv", log))
	return r, [][]byte{log}
}

func heronFacts(at time.Time) rig.Snapshot {
	f := func(k rig.Key, v rig.Value, u rig.Unit, source string) rig.Fact {
		return rig.Fact{Key: k, Value: v, Unit: u, Source: source}
	}
	n, t := rig.NumberOf, rig.TextOf
	const dmi = "/sys/firmware/dmi/tables/DMI: type 17"
	return rig.NewSnapshot(at, []rig.Fact{
		f("cpu.model", t("Gantry G8 3.6"), rig.NoUnit, "/proc/cpuinfo"),
		f("cpu.cores", n(8), rig.NoUnit, "/sys/devices/system/cpu"),
		f("cpu.threads", n(16), rig.NoUnit, "/sys/devices/system/cpu"),
		f("cpu.governor", t("performance"), rig.NoUnit, "/sys/devices/system/cpu/cpufreq/policy0/scaling_governor"),
		f("cpu.clock_max", n(4200), rig.MHz, "/sys/devices/system/cpu/cpufreq/policy0/cpuinfo_max_freq"),
		f("cpu.offline", t("none"), rig.NoUnit, "/sys/devices/system/cpu/offline"),
		f("machine.virtual", rig.TruthOf(false), rig.NoUnit, "/proc/cpuinfo"),
		f("memory.modules", n(2), rig.NoUnit, dmi),
		f("memory.size", n(32768), rig.MiB, dmi),
		f("memory.type", t("DDR4"), rig.NoUnit, dmi),
		f("memory.speed", n(2400), rig.MTps, dmi),
		f("memory.rated_speed", n(3200), rig.MTps, dmi),
		f("firmware.version", t("F7"), rig.NoUnit, "/sys/class/dmi/id/bios_version"),
		f("kernel.release", t("6.12.0-dome"), rig.NoUnit, "/proc/sys/kernel/osrelease"),
		{Key: "kernel.perf_paranoid", Source: "/proc/sys/kernel/perf_event_paranoid", Unread: rig.Unread{Reason: rig.Denied, Detail: "permission denied"}},
	})
}

func heronRated(r *record.Run) []byte {
	r.Setup = &record.Setup{Label: "memory-rated", Source: []byte(memoryRated), FileName: "heron-rated.toml"}
	r.Results = []timing.Result{{Name: "score", Value: "512.30", Unit: "points", Better: "higher"}}
	temp := rig.Signal{
		Key: "temperature[k10temp]", Unit: rig.Celsius, Exponent: -3, Source: "/sys/class/hwmon/hwmon0/temp1_input",
		Limits: []rig.Limit{{Name: "max", Value: 95}},
	}
	for i := range 200 {
		temp.Offsets = append(temp.Offsets, time.Duration(i)*100*time.Millisecond)
		temp.Values = append(temp.Values, 45000+int64(i)*100)
	}
	r.Signals = []rig.Signal{temp}
	return orreryLog(1224)
}

// orreryLog is frames of 16.667 ms, every 17th of 17.1 ms and every 200th slow.
func orreryLog(frames int) []byte {
	var b strings.Builder
	b.WriteString("frame,frame_ms,scene\n")
	for i := range frames {
		ms := "16.667"
		switch {
		case i%200 == 199:
			ms = "33.334"
		case i%17 == 16:
			ms = "17.100"
		}
		fmt.Fprintf(&b, "%d,%s,approach\n", i, ms)
	}
	return []byte(b.String())
}

func heronUpdated(r *record.Run) []byte {
	for _, s := range []rig.Snapshot{r.Before, r.After} {
		for i := range s.Facts {
			if s.Facts[i].Key == "firmware.version" {
				s.Facts[i].Value = rig.TextOf("F9")
			}
		}
	}
	return heronRated(r)
}

func heronFailed(r *record.Run) []byte {
	r.Setup = &record.Setup{Label: "memory-rated", Source: []byte(memoryRated), FileName: "heron-rated.toml"}
	r.Exit = record.Exit{Outcome: record.Failed, Code: 3, Detail: "exit code 3"}
	return nil
}

func ploverEncode(r *record.Run) []byte {
	r.Rig, r.Workload = "plover", record.Workload{Name: "dome-encode", Version: "1"}
	r.Played = "from the logs of a bench without an agent"
	r.Results = []timing.Result{{Name: "encode", Value: "41.20", Unit: "s", Better: "lower"}}
	return nil
}

func avocetRefused(r *record.Run) []byte {
	r.Rig = "avocet"
	return []byte("frame_ms\n16.667\n-4.000\n16.667\n")
}
