package drift_test

import (
	"go/parser"
	"go/token"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
)

// Each threshold decides something: on the two sides of the default the same
// input is judged otherwise.
func TestEveryBoundDecides(t *testing.T) {
	ninety := with("load.idle_before", 90)
	wide := with("load.idle_before", 98, "cpu.threads", 64)
	long := ran(with())
	long.Elapsed = 5900 * time.Millisecond // of which 3 s are sampled
	fell := ran(with(), minute("load.other", 60, flat(0)), minute("load.total", 60, flat(50)), minute("cpu[0].clock", 60, step(30, 50, 4000, 3900)),
		minute("temperature[coretemp/coretemp.0 Package id 0]", 60, flat(60)))
	type set func(*drift.Bounds)
	tested := map[string]bool{}
	for field, c := range map[string]struct {
		in         drift.Input
		less, more set
	}{
		"OtherLoad":      {drift.Input{Before: with(), Run: ran(with(), signal("load.other", 5, 5, 5, 5))}, func(b *drift.Bounds) { b.OtherLoad = 4.9 }, func(b *drift.Bounds) { b.OtherLoad = 5.1 }},
		"IdleBefore":     {drift.Input{Before: ninety}, func(b *drift.Bounds) { b.IdleBefore = 89.9 }, func(b *drift.Bounds) { b.IdleBefore = 90.1 }},
		"BusyProcessors": {drift.Input{Before: wide}, func(b *drift.Bounds) { b.BusyProcessors = 0.9 }, func(b *drift.Bounds) { b.BusyProcessors = 1.4 }},
		"FewSamples":     {drift.Input{Before: with(), Run: ran(with(), signal("load.other", 9, 9, 9))}, func(b *drift.Bounds) { b.FewSamples = 3 }, func(b *drift.Bounds) { b.FewSamples = 4 }},
		"ClockFall":      {drift.Input{Before: with(), Run: fell}, func(b *drift.Bounds) { b.ClockFall = 0.97 }, func(b *drift.Bounds) { b.ClockFall = 0.98 }},
		"ClockAbove":     {drift.Input{Before: with(), Run: ran(with(), signal("cpu[0].clock", 4260, 4260, 4260, 4260))}, func(b *drift.Bounds) { b.ClockAbove = 1.01 }, func(b *drift.Bounds) { b.ClockAbove = 1.02 }},
		"MemoryShare":    {drift.Input{Before: with("memory.total", 12000)}, func(b *drift.Bounds) { b.MemoryShare = 0.7 }, func(b *drift.Bounds) { b.MemoryShare = 0.75 }},
		"SampledShare":   {drift.Input{Before: with(), Run: long}, func(b *drift.Bounds) { b.SampledShare = 0.5 }, func(b *drift.Bounds) { b.SampledShare = 0.6 }},
		"SeriesLeast":    {after(96, days(8, 1)), func(b *drift.Bounds) { b.SeriesLeast = 8 }, func(b *drift.Bounds) { b.SeriesLeast = 9 }},
		"SeriesLevel":    {after(98, days(10, 1)), func(b *drift.Bounds) { b.SeriesLevel = 0.95 }, func(b *drift.Bounds) { b.SeriesLevel = 0.9999 }},
		"SeriesMargin":   {after(96, days(10, 1)), func(b *drift.Bounds) { b.SeriesMargin = 0.02 }, func(b *drift.Bounds) { b.SeriesMargin = 0.05 }},
		"SeriesFew":      {after(96, days(1, 10)), func(b *drift.Bounds) { b.SeriesFew = 0.02 }, func(b *drift.Bounds) { b.SeriesFew = 0.06 }},
		"ClockOffset": {drift.Input{Before: with(), Offset: &rig.ClockOffset{Ahead: -3 * time.Second, Uncertainty: time.Second / 2}},
			func(b *drift.Bounds) { b.ClockOffset = 2.4 }, func(b *drift.Bounds) { b.ClockOffset = 2.6 }},
		"RestingLink": {drift.Input{Before: with("link[0000:01:00.0].speed", 5, "link[0000:01:00.0].kind", "drive"), Run: ran(with("link[0000:01:00.0].speed", 5, "link[0000:01:00.0].kind", "drive"))},
			func(b *drift.Bounds) { b.RestingLink = 2.5 }, func(b *drift.Bounds) { b.RestingLink = 5 }},
	} {
		low, high := drift.DefaultBounds, drift.DefaultBounds
		c.less(&low)
		c.more(&high)
		a, b := brief(drift.JudgeWithin(c.in, low)), brief(drift.JudgeWithin(c.in, high))
		if slices.Equal(a, b) {
			t.Errorf("%s decides nothing: %q", field, a)
		}
		tested[field] = true
	}
	for _, f := range reflect.VisibleFields(reflect.TypeFor[drift.Bounds]()) {
		if !tested[f.Name] {
			t.Errorf("%s is not tried here", f.Name)
		}
	}
}

// Whatever this package is built from within the module knows no disk, no
// network and no archive.
func TestImportsArePure(t *testing.T) {
	seen := map[string]bool{}
	var visit func(dir string)
	visit = func(dir string) {
		if seen[dir] {
			return
		}
		seen[dir] = true
		files, err := filepath.Glob("../" + dir + "/*.go")
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", dir, len(files), err)
		}
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
			if err != nil {
				t.Fatal(err)
			}
			for _, i := range file.Imports {
				path, _ := strconv.Unquote(i.Path.Value)
				if inner, ok := strings.CutPrefix(path, "witnessmark/internal/"); ok {
					visit(inner)
				}
				for _, bad := range []string{"os", "net", "syscall", "io/fs", "path/filepath", "witnessmark/internal/archive", "go.etcd.io"} {
					if path == bad || strings.HasPrefix(path, bad+"/") && path != "net/url" { // which is text
						t.Errorf("%s imports %s", name, path)
					}
				}
			}
		}
	}
	visit("drift")
	for _, must := range []string{"rig", "setup", "stats"} {
		if !seen[must] {
			t.Errorf("%s was not looked at", must)
		}
	}
}

// The names by which signals are found here are those that the sampler gives;
// the whole way from a tree is tried in TestSampledTree.
func TestLookupKnowsTheFactsNamedHere(t *testing.T) {
	for _, k := range []rig.Key{"machine.virtual", "kernel.clocksource", "kernel.boot_id", "memory.speed", "memory.rated_speed", "memory.channels", "memory.channels_populated", "memory.total", "memory.size",
		"memory.module[].speed", "memory.module[].rated_speed", "memory.modules", "memory.corrected_errors", "memory.uncorrected_errors", "cpu.turbo", "cpu.clock_limit", "cpu.clock_max", "cpu.clock_base", "cpu.clock_firmware_limit",
		"cpu.policy[].clock_limit", "cpu.policy[].clock_max", "cpu.offline", "cpu.smt", "cpu.threads", "cpu.throttle_count", "link[].kind", "link[].width", "link[].width_max", "link[].speed", "link[].speed_max", "link[].errors_corrected", "link[].errors_fatal",
		"temperature[]", "temperature[].max", "temperature[].crit", "temperature[].emergency", "trip[]", "cooling[].state", "load.idle_before", "load.busiest", "kernel.mitigations", "cpu.numa_nodes", "cpu.kinds"} {
		if _, ok := rig.Lookup(k); !ok {
			t.Errorf("%s is not in the catalogue", k)
		}
	}
}
