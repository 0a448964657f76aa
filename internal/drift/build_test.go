package drift_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// inOrder is a rig with nothing to be said against it.
func inOrder() []rig.Fact {
	return facts(
		"machine.virtual", false, "cpu.model", "Sextant 4 Model 440", "cpu.cores", 4, "cpu.threads", 8, "cpu.smt", "on", "cpu.offline", "none",
		"cpu.clock_max", 4200, "cpu.clock_limit", 4200, "cpu.clock_base", 3400, "cpu.turbo", true, "cpu.governor", "performance", "cpu.throttle_count", 0,
		"memory.modules", 2, "memory.size", 16384, "memory.total", 15872, "memory.speed", 3200, "memory.rated_speed", 3200,
		"memory.channels", 2, "memory.channels_populated", 2,
		"memory.module[DIMM_A1].size", 8192, "memory.module[DIMM_A1].speed", 3200, "memory.module[DIMM_A1].rated_speed", 3200, "memory.module[DIMM_A1].part", "MM4", "memory.module[DIMM_A1].bank", "CHANNEL A",
		"memory.module[DIMM_B1].size", 8192, "memory.module[DIMM_B1].speed", 3200, "memory.module[DIMM_B1].rated_speed", 3200, "memory.module[DIMM_B1].part", "MM4", "memory.module[DIMM_B1].bank", "CHANNEL B",
		"firmware.version", "1.08", "firmware.date", "03/14/2031", "kernel.release", "6.12.40-dome", "kernel.build", "#1", "kernel.clocksource", "tsc", "kernel.boot_id", "sha256:0a",
		"link[0000:01:00.0].kind", "graphics", "link[0000:01:00.0].width", 16, "link[0000:01:00.0].width_max", 16, "link[0000:01:00.0].speed", 16, "link[0000:01:00.0].speed_max", 16,
		"graphics[0000:01:00.0].id", "5f0a:7340", "graphics[0000:01:00.0].driver", "amdgpu",
		"temperature[coretemp/coretemp.0 Package id 0]", 41, "temperature[coretemp/coretemp.0 Package id 0].crit", 100,
		"load.idle_before", 99.2,
	)
}

// facts takes keys and values in turn; a rig.Reason makes an unread fact.
func facts(pairs ...any) (out []rig.Fact) {
	for i := 0; i < len(pairs); i += 2 {
		k := rig.Key(pairs[i].(string))
		e, _ := rig.Lookup(k)
		f := rig.Fact{Key: k, Source: "/" + string(k)}
		switch v := pairs[i+1].(type) {
		case int:
			f.Value, f.Unit = rig.NumberOf(float64(v)), e.Unit
		case float64:
			f.Value, f.Unit = rig.NumberOf(v), e.Unit
		case string:
			f.Value = rig.TextOf(v)
		case bool:
			f.Value = rig.TruthOf(v)
		case rig.Reason:
			f.Unread = rig.Unread{Reason: v}
		default:
			panic(fmt.Sprintf("%s: %T", k, v))
		}
		out = append(out, f)
	}
	return out
}

// with gives the snapshot of the rig in order with facts replaced or added; a
// nil takes a fact out.
func with(pairs ...any) rig.Snapshot {
	base := inOrder()
	for i := 0; i < len(pairs); i += 2 {
		k := rig.Key(pairs[i].(string))
		var kept []rig.Fact
		for _, f := range base {
			if f.Key != k {
				kept = append(kept, f)
			}
		}
		if base = kept; pairs[i+1] != nil {
			base = append(base, facts(pairs[i], pairs[i+1])...)
		}
	}
	return rig.NewSnapshot(time.Unix(0, 0), base)
}

func declare(t testing.TB, lines ...string) *setup.Setup {
	t.Helper()
	s, err := setup.ParseSetup("heron.toml", []byte("label = \"memory-rated\"\nrig = \"heron\"\n"+strings.Join(lines, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// signal has a sample each second.
func signal(k rig.Key, values ...float64) rig.Signal {
	return sampled(k, time.Second, values...)
}

func sampled(k rig.Key, every time.Duration, values ...float64) rig.Signal {
	s := rig.Signal{Key: k, Exponent: -2, Source: "/" + string(k)}
	if k.Family() == "temperature[]" {
		s.Unit = rig.Celsius
	}
	for i, v := range values {
		s.Offsets = append(s.Offsets, time.Duration(i)*every)
		s.Values = append(s.Values, int64(v*100+0.5))
	}
	return s
}

// ran is a run of the rig in order in which nothing happened; signals replace
// those of the same key.
func ran(after rig.Snapshot, signals ...rig.Signal) *drift.Run {
	quiet := []rig.Signal{
		signal("cpu[0].clock", 4200, 4200, 4200, 4200),
		signal("temperature[coretemp/coretemp.0 Package id 0]", 41, 50, 60, 62),
		signal("load.other", 0, 1, 0, 0.5),
		signal("load.total", 50, 50, 50, 50),
	}
	for _, s := range signals {
		kept := quiet[:0]
		for _, q := range quiet {
			if q.Key != s.Key {
				kept = append(kept, q)
			}
		}
		quiet = append(kept, s)
	}
	return &drift.Run{After: after, Signals: quiet, Elapsed: 4 * time.Second, Outcome: "finished"}
}

// brief gives a judgement's flags as "kind fact: expected, seen: weight".
func brief(j drift.Judgement) (lines []string) {
	for _, f := range j.Flags {
		lines = append(lines, fmt.Sprintf("%s %s: %s, %s: %s", f.Kind, f.Fact, f.Expected, f.Seen, f.Weight))
	}
	return lines
}

// same checks a judgement's flags, and what every judgement keeps to.
func same(t *testing.T, in drift.Input, want ...string) drift.Judgement {
	t.Helper()
	j := drift.Judge(in)
	if d := cmp.Diff(want, brief(j)); d != "" {
		t.Errorf("flags (- want, + got):\n%s", d)
	}
	for _, f := range j.Flags {
		if f.Evidence == "" || f.Expected.Kind() == rig.None || f.Seen.Kind() == rig.None || f.Weight == 0 {
			t.Errorf("flag says too little: %+v", f)
		}
	}
	return j
}

func contains(s string, words ...string) bool {
	for _, w := range words {
		if !strings.Contains(s, w) {
			return false
		}
	}
	return true
}

func diff(want, got []string) string { return cmp.Diff(want, got) }
