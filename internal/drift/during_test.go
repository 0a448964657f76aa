package drift_test

import (
	"testing"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
)

func TestDuring(t *testing.T) {
	const package0 = "temperature[coretemp/coretemp.0 Package id 0]"
	limited := func(s rig.Signal, name string, value float64) rig.Signal {
		s.Limits = append(s.Limits, rig.Limit{Name: name, Value: value})
		return s
	}
	unread := func(k rig.Key, why rig.Reason) rig.Signal {
		return rig.Signal{Key: k, Source: "/" + string(k), Unread: rig.Unread{Reason: why}}
	}
	for name, c := range map[string]struct {
		before rig.Snapshot
		run    *drift.Run
		want   []string
	}{
		"nothing": {with(), ran(with()), nil},
		"a clock source given up": {with(), ran(with("kernel.clocksource", "hpet")),
			[]string{"unsteady kernel.clocksource: tsc, hpet: caution"}},
		"a governor changed": {with(), ran(with("cpu.governor", "powersave")), []string{"unsteady cpu.governor: performance, powersave: caution"}},
		"what passes":        {with(), ran(with("load.idle_before", rig.Absent)), nil},
		"a restart":          {with(), ran(with("kernel.boot_id", "sha256:0b")), []string{"unsteady kernel.boot_id: sha256:0a, sha256:0b: void"}},
		"no snapshot after":  {with(), ran(rig.Snapshot{}), []string{"unread run.after: a snapshot after the run, unread: absent: caution"}},
		"a fact lost":        {with(), ran(with("cpu.governor", rig.Refused)), []string{"unread cpu.governor: performance, unread: refused: note"}},
		"a fact denied":      {with(), ran(with("memory.speed", rig.Denied)), []string{"unread memory.speed: 3200, unread: denied: caution"}},
		"a fact left out":    {with(), ran(with("memory.speed", nil)), []string{"unread memory.speed: 3200, unread: absent: the rig does not tell it: caution"}},
		"a card gone":        {with(), ran(with("graphics[0000:01:00.0].id", nil, "graphics[0000:01:00.0].driver", nil)), []string{"unsteady graphics[0000:01:00.0].driver: amdgpu, gone: caution"}},
		"a core lost": {with("cpu.online", "0-7"), ran(with("cpu.online", "0-6", "cpu.offline", "7", "cpu.threads", 7)), []string{
			"unsteady cpu.offline: none, 7: caution", "unsteady cpu.online: 0-7, 0-6: caution", "unsteady cpu.threads: 8, 7: caution"}},
		"work by others":    {with(), ran(with(), signal("load.other", 0, 9, 9, 9)), []string{"unsteady load.other: at most 5 on average, 6.8: caution"}},
		"a burst by others": {with(), ran(with(), signal("load.other", 0, 18, 0, 0)), nil},
		"too short to tell": {with(), ran(with(), signal("load.other", 20, 30)), []string{"unsteady load.other: at most 5 on average, 25: note", "unread load.other: samples through the run, unread after 1.0 s: note"}},
		"one of many processors": {with("cpu.threads", 64), ran(with("cpu.threads", 64), signal("load.other", 1.7, 1.7, 1.7, 1.7)),
			[]string{"unsteady load.other: at most 1.6 on average, 1.7: caution"}},
		"a ceiling lowered": {with(), ran(with(), signal("cpu.policy[0].clock_limit", 4200, 4200, 800, 4200), signal("cpu.policy[1].clock_limit", 4200, 2000, 2000, 2000)),
			[]string{"unsteady cpu.policy[0].clock_limit: 4200, 800: caution"}},
		"a ceiling that was low at first": {with(), ran(with(), signal("cpu.policy[0].clock_limit", 800, 800, 4200, 4200)), []string{"unsteady cpu.policy[0].clock_limit: 4200, 800: caution"}},
		"a ceiling that stayed":           {with(), ran(with(), signal("cpu.policy[0].clock_limit", 4200, 4180, 4200, 4200)), nil},
		"cooled by the kernel": {with(), ran(with(), signal("cooling[Processor].state", 0, 0, 2, 1), signal("cooling[Processor #2].state", 0, 0, 3, 1)),
			[]string{"unsteady cooling[Processor #2].state: 0, 3: caution"}},
		"cooled throughout":       {with("cooling[Processor].state", 1), ran(with("cooling[Processor].state", 1), signal("cooling[Processor].state", 1, 1, 1, 1)), []string{"unsteady cooling[Processor].state: 0, 1: caution"}},
		"cooled only before":      {with("cooling[Processor].state", 1), ran(with(), signal("cooling[Processor].state", 0, 0, 0, 0)), nil},
		"not in force":            {with(), ran(with(), signal("cooling[intel_powerclamp].state", -1, 0, -1, -1)), nil},
		"a fan stepping up":       {with(), ran(with(), signal("cooling[Fan/PNP0C0B:00].state", 0, 1, 2, 3)), nil},
		"a display dimmed":        {with(), ran(with(), signal("cooling[LCD].state", 0, 40, 40, 40)), nil},
		"another device stepping": {with(), ran(with(), signal("cooling[iwlwifi_1].state", 2, 2, 5, 2)), []string{"unsteady cooling[iwlwifi_1].state: 2, 5: caution"}},
		"throttled": {with("cpu.throttle_count", 7), ran(with("cpu.throttle_count", 12), signal("throttle[cpu0 core].count", 5, 5, 7, 8), signal("throttle[cpu0 package].count", 2, 2, 3, 4), signal("throttle[cpu0 package].time", 10, 10, 70, 90)),
			[]string{"unsteady cpu.throttle_count: 0, 5: caution"}},
		"throttled by counts alone": {with(), ran(with(), signal("throttle[cpu0 core].count", 5, 5, 7, 8)), []string{"unsteady cpu.throttle_count: 0, 3: caution"}},
		"throttled without end":     {with(), ran(with(), signal("throttle[cpu0 package].time", 10, 10, 70, 90)), []string{"unsteady cpu.throttle_count: 0, 80: caution"}},
		"throttled by snapshots": {with("cpu.throttle_count", 7), ran(with("cpu.throttle_count", 12)),
			[]string{"unsteady cpu.throttle_count: 0, 5: caution"}},
		"throttled between run and snapshots": {with("cpu.throttle_count", 0), ran(with("cpu.throttle_count", 2), signal("throttle[cpu0 core].count", 2, 2, 2, 2)), nil},
		"throttled only before":               {with("cpu.throttle_count", 7), ran(with("cpu.throttle_count", 7)), []string{"unsteady cpu.throttle_count: 0, 7: note"}},
		"memory errors":                       {with("memory.uncorrected_errors", 0), ran(with("memory.uncorrected_errors", 1)), []string{"unsteady memory.uncorrected_errors: 0, 1: void"}},
		"errors on a link":                    {with("link[0000:01:00.0].errors_corrected", 3), ran(with("link[0000:01:00.0].errors_corrected", 8)), []string{"unsteady link[0000:01:00.0].errors_corrected: 0, 5: caution"}},
		"at a limit":                          {with(), ran(with(), limited(limited(signal(package0, 41, 99, 100, 98), "max", 80), "crit", 100)), []string{"unsteady " + package0 + ": below 100, its crit, 100: caution"}},
		"below a limit":                       {with(), ran(with(), limited(signal(package0, 41, 99, 99.9, 98), "crit", 100)), nil},
		"past an active trip point":           {with(), ran(with(), limited(signal(package0, 41, 99, 99, 98), "active", 60)), nil},
		"past a passive trip point":           {with(), ran(with(), limited(signal(package0, 41, 99, 99, 98), "passive", 95)), []string{"unsteady " + package0 + ": below 95, its passive, 99: caution"}},
		"hot before, constant in the run":     {with("temperature[nct6798 AUXTIN0]", 110, "temperature[nct6798 AUXTIN0].max", 80), ran(with("temperature[nct6798 AUXTIN0].max", 80), unread("temperature[nct6798 AUXTIN0]", rig.Implausible)), nil},
		"no clock":                            {with(), ran(with(), unread("cpu[0].clock", rig.Refused)), []string{"unread cpu.clock: samples through the run, unread: refused: note"}},
		"no temperatures":                     {with(), ran(with(), unread(package0, rig.Absent)), []string{"unread temperature: samples through the run, unread: absent: note"}},
		"no clocks at all":                    {with(), &drift.Run{After: with(), Outcome: "finished"}, []string{"unread cpu.clock: samples through the run, unread: absent: note", "unread load.other: samples through the run, unread: absent: note", "unread temperature: samples through the run, unread: absent: note"}},
		"a measured clock above the stated":   {with(), ran(with(), signal("cpu[0].clock", 4700, 4700, 4700, 4700)), []string{"unsteady cpu.clock_max: 4200, 4700: note"}},
		"a link that woke up":                 {with("link[0000:01:00.0].speed", 2.5), ran(with("link[0000:01:00.0].speed", 2.5), signal("link[0000:01:00.0].speed", 2.5, 16, 16, 2.5)), nil},
		"a link that stopped short":           {with("link[0000:01:00.0].speed", 2.5), ran(with("link[0000:01:00.0].speed", 2.5), signal("link[0000:01:00.0].speed", 2.5, 8, 8, 2.5)), []string{"underrated link[0000:01:00.0].speed: 16, 8: caution"}},
		"a link not used":                     {with("link[0000:01:00.0].speed", 8), ran(with("link[0000:01:00.0].speed", 8)), []string{"underrated link[0000:01:00.0].speed: 16, 8: note"}},
		"a drive's link":                      {with("link[0000:01:00.0].speed", 8, "link[0000:01:00.0].kind", "drive"), ran(with("link[0000:01:00.0].speed", 8, "link[0000:01:00.0].kind", "drive")), []string{"underrated link[0000:01:00.0].speed: 16, 8: caution"}},
		"a drive's link at the lowest speed":  {with("link[0000:01:00.0].speed", 2.5, "link[0000:01:00.0].kind", "drive"), ran(with("link[0000:01:00.0].speed", 2.5, "link[0000:01:00.0].kind", "drive")), []string{"underrated link[0000:01:00.0].speed: 16, 2.5: note"}},
	} {
		t.Run(name, func(t *testing.T) { same(t, drift.Input{Before: c.before, Run: c.run}, c.want...) })
	}
}

func TestADeclaredLinkSpeedIsHeldAgainstTheHighestSeen(t *testing.T) {
	s := declare(t, "[expect]", `"link[0000:01:00.0].speed" = 16`)
	before := with("link[0000:01:00.0].speed", 2.5)
	same(t, drift.Input{Before: before, Setup: s, Run: ran(before, signal("link[0000:01:00.0].speed", 2.5, 16, 16, 2.5))})
	same(t, drift.Input{Before: before, Setup: s}, "undeclared link[0000:01:00.0].speed: 16, 2.5: caution", "underrated link[0000:01:00.0].speed: 16, 2.5: note")
}

func TestEvidenceTellsWhen(t *testing.T) {
	j := drift.Judge(drift.Input{Before: with(), Run: ran(with(), signal("throttle[cpu0 core].count", 5, 5, 7, 8), signal("throttle[cpu0 package].time", 0, 20, 40, 90),
		signal("cooling[Processor].state", 0, 0, 2, 1), signal("cpu.policy[0].clock_limit", 42, 42, 42, 8), signal("cpu.policy[1].clock_limit", 42, 42, 9, 9))})
	for k, words := range map[rig.Key][]string{
		"cpu.throttle_count":        {"/throttle[cpu0 package].time", "3 times", "first at 1.0 s", "90 ms"},
		"cooling[Processor].state":  {"step 2", "first at 2.0 s"},
		"cpu.policy[0].clock_limit": {"lowest at 3.0 s", "1 more groups"},
	} {
		found := false
		for _, f := range j.Flags {
			if f.Fact == k {
				found = true
				if !contains(f.Evidence, words...) || contains(f.Evidence, "; and 0") {
					t.Errorf("%s: %s", k, f.Evidence)
				}
			}
		}
		if !found {
			t.Errorf("no flag on %s", k)
		}
	}
}

func TestEvidenceTellsOnlyWhatThereIs(t *testing.T) {
	j := drift.Judge(drift.Input{Before: with(), Run: ran(with(), signal("load.other", 2, 9, 12.5, 7), signal("throttle[cpu0 core].count", 0, 0, 1, 1), signal("cooling[Processor].state", 0, 1, 1, 1), signal("cpu.policy[0].clock_limit", 42, 42, 42, 8))})
	if len(j.Flags) != 4 {
		t.Fatalf("%q", brief(j))
	}
	for _, f := range j.Flags {
		if contains(f.Evidence, "more") || contains(f.Evidence, " ms") {
			t.Errorf("%s: %s", f.Fact, f.Evidence)
		}
		if f.Fact == "load.other" && !contains(f.Evidence, "mean of 4 samples, highest 12.5 %") {
			t.Errorf("%s: %s", f.Fact, f.Evidence)
		}
	}
}

func TestOutcome(t *testing.T) {
	for _, outcome := range []string{"failed", "killed", "interrupted", "timed_out", "not_started", ""} {
		run := ran(with())
		run.Outcome = outcome
		same(t, drift.Input{Before: with(), Run: run}, "unsteady run.exit: finished, "+outcome+": void")
	}
	run := ran(with())
	run.Outcome = "taken"
	same(t, drift.Input{Before: with(), Run: run})
	run = ran(with())
	run.MissingResults = []string{"score"}
	run.Key = "SHA256:b"
	run.Logs = []drift.Log{{Name: "orrery.csv", Marks: []drift.LogMark{{"stall", "line 7: 1 frame"}, {"blank_lines", "2"}}}, {Name: "b.csv", Refused: "negative", Detail: "b.csv:3: -1"}}
	same(t, drift.Input{Before: with(), Run: run, LastKey: "SHA256:a"},
		"unread run.log[b.csv]: a timing log, refused: negative: void",
		"moved rig.key: SHA256:a, SHA256:b: caution",
		"unsteady run.log[orrery.csv].stall: nothing to remark, stall: caution",
		"unread run.result[score]: a figure, unread: absent: caution",
		"unsteady run.log[orrery.csv].blank_lines: nothing to remark, blank_lines: note")
	same(t, drift.Input{Before: with(), Run: ran(with()), LastKey: "SHA256:a"})
}

// minute gives a signal of so many seconds at 10 Hz.
func minute(k rig.Key, seconds int, value func(second float64) float64) rig.Signal {
	var v []float64
	for i := range seconds * 10 {
		v = append(v, value(float64(i)/10))
	}
	return sampled(k, 100*time.Millisecond, v...)
}

func flat(v float64) func(float64) float64 { return func(float64) float64 { return v } }

func step(from, to, before, within float64) func(float64) float64 {
	return func(t float64) float64 {
		if t >= from && t < to {
			return within
		}
		return before
	}
}

func TestClockFell(t *testing.T) {
	const key = "temperature[coretemp/coretemp.0 Package id 0]"
	clock, load := minute("cpu[0].clock", 60, step(30, 50, 4000, 3600)), minute("load.total", 60, flat(50))
	slower := minute("cpu[1].clock", 60, flat(800))
	warm := func(celsius float64) rig.Signal {
		s := minute(key, 60, flat(celsius))
		s.Limits = []rig.Limit{{Name: "crit", Value: 100}}
		return s
	}
	drive := minute("temperature[nvme/0000:02:00.0 Composite]", 60, flat(84))
	drive.Limits = []rig.Limit{{Name: "crit", Value: 85}}
	counter := minute("throttle[cpu0 core].count", 60, step(0, 30, 3, 0))
	still := minute("throttle[cpu0 package].count", 60, flat(7))
	once := "unsteady cpu.throttle_count: 0, 3: caution"
	twice := minute("cpu[0].clock", 60, func(t float64) float64 { return step(40, 60, step(15, 25, 4000, 3700)(t), 3600)(t) })
	seldom := sampled(key, 10*time.Second, 98, 98, 98, 98, 98, 98)
	seldom.Limits = []rig.Limit{{Name: "crit", Value: 100}}
	early := sampled(key, 9*time.Second, 98, 98, 98)
	early.Limits = seldom.Limits
	energy := minute("energy[package-0]", 60, func(t float64) float64 { return 65 * t })
	energy.Counter = true
	cores := minute("energy[core]", 60, func(t float64) float64 { return t * t })
	const fell = "unsteady cpu.clock: 4000, 3600: caution"
	for name, c := range map[string]struct {
		signals []rig.Signal
		want    []string
		words   string
	}{
		"no limit known":                    {[]rig.Signal{clock, slower, load}, []string{fell}, "by no known cause"},
		"by heat":                           {[]rig.Signal{clock, slower, load, warm(98)}, []string{fell}, "by heat"},
		"at a power limit":                  {[]rig.Signal{clock, slower, load, warm(80), cores, energy}, []string{fell}, "at a power limit"},
		"by the heat of no drive":           {[]rig.Signal{clock, slower, load, drive}, []string{fell}, "by no known cause"},
		"by the counters":                   {[]rig.Signal{clock, slower, load, counter, still}, []string{fell, once}, "by heat"},
		"not by the counters":               {[]rig.Signal{clock, slower, load, warm(98), still}, []string{fell}, "by no known cause"},
		"with a slow sensor":                {[]rig.Signal{clock, slower, load, seldom}, []string{fell}, "by heat"},
		"long after the sensor's last word": {[]rig.Signal{clock, slower, load, early}, []string{fell, "unread temperature: samples through the run, unread after 18.0 s: note"}, "by no known cause"},
		"twice":                             {[]rig.Signal{twice, load}, []string{fell}, "from 40 to 60 s, by no known cause; and 1 times more"},
		"from 30 to 50":                     {[]rig.Signal{clock, slower, load}, []string{fell}, "from 30 to 50 s"},
		"with less to do":                   {[]rig.Signal{clock, minute("load.total", 60, step(30, 50, 50, 20))}, nil, ""},
		"for a moment":                      {[]rig.Signal{minute("cpu[0].clock", 60, step(30, 35, 4000, 3600)), load}, nil, ""},
		"by little":                         {[]rig.Signal{minute("cpu[0].clock", 60, step(30, 50, 4000, 3960)), load}, nil, ""},
		"after a boost":                     {[]rig.Signal{minute("cpu[0].clock", 60, step(0, 5, 3600, 4200)), load}, nil, ""},
		"on one core of two":                {[]rig.Signal{clock, minute("cpu[1].clock", 60, flat(4000)), load}, nil, ""},
		"with the load unread":              {[]rig.Signal{clock, rig.Signal{Key: "load.total"}}, []string{"unsteady cpu.clock: 4000, 3600: note"}, "may have fallen too"},
		"in a run too short":                {[]rig.Signal{minute("cpu[0].clock", 20, step(10, 20, 4000, 3600)), load}, nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			run := ran(with(), append([]rig.Signal{minute("load.other", 60, flat(0)), minute(key, 60, flat(60))}, c.signals...)...)
			run.Elapsed = time.Minute
			if name == "in a run too short" {
				run.Elapsed = 20 * time.Second
			}
			j := same(t, drift.Input{Before: with(), Run: run}, c.want...)
			if len(j.Flags) > 0 && !contains(j.Flags[0].Evidence, c.words) || len(j.Flags) > 0 && contains(j.Flags[0].Evidence, "and 0 times") {
				t.Errorf("%s", j.Flags[0].Evidence)
			}
		})
	}
}
