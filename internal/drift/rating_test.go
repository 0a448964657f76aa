package drift_test

import (
	"testing"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
)

func TestRatings(t *testing.T) {
	for name, c := range map[string]struct {
		before rig.Snapshot
		want   []string
	}{
		"in order":                     {with(), nil},
		"memory at its default":        {with("memory.speed", 2400), []string{"underrated memory.speed: 3200, 2400: caution"}},
		"rounding is no drift":         {with("memory.speed", 3199), nil},
		"above its rating":             {with("memory.speed", 3600), nil},
		"rating unknown":               {with("memory.rated_speed", rig.Unknown), []string{"unread memory.rated_speed: a reading, unread: unknown: note"}},
		"one module's speed unknown":   {with("memory.speed", rig.Unknown, "memory.module[DIMM_B1].speed", rig.Unknown), []string{"unread memory.speed: a reading, unread: unknown: note"}},
		"and another below its rating": {with("memory.speed", rig.Unknown, "memory.module[DIMM_B1].speed", rig.Unknown, "memory.module[DIMM_A1].speed", 2400), []string{"underrated memory.module[DIMM_A1].speed: 3200, 2400: caution", "unread memory.speed: a reading, unread: unknown: note"}},
		"a faster module beside a slower one": {with("memory.module[DIMM_A1].rated_speed", 3600),
			[]string{"underrated memory.module[DIMM_A1].speed: 3600, 3200: note"}},
		"half the channels":       {with("memory.channels_populated", 1), []string{"underrated memory.channels_populated: 2, 1: caution"}},
		"channels not known":      {with("memory.channels", rig.Unknown), nil},
		"memory held back":        {with("memory.total", 8000), []string{"underrated memory.total: 16384, 8000: note"}},
		"a share for graphics":    {with("memory.total", 13800), nil},
		"a clamp left behind":     {with("cpu.clock_limit", 3000), []string{"underrated cpu.clock_limit: 4200, 3000: caution"}},
		"turbo off":               {with("cpu.turbo", false), []string{"underrated cpu.turbo: yes, no: caution"}},
		"turbo off lowers limits": {with("cpu.turbo", false, "cpu.clock_limit", 3400), []string{"underrated cpu.turbo: yes, no: caution", "underrated cpu.clock_limit: 4200, 3400: note"}},
		"but not below the base": {with("cpu.turbo", false, "cpu.clock_limit", 2800),
			[]string{"underrated cpu.clock_limit: 4200, 2800: caution", "underrated cpu.turbo: yes, no: caution"}},
		"the firmware holds it":       {with("cpu.clock_firmware_limit", 1200), []string{"underrated cpu.clock_firmware_limit: 3400, 1200: caution"}},
		"a firmware limit with turbo": {with("cpu.clock_firmware_limit", 3400), nil},
		"two kinds of cores": {with("cpu.policy[0-3].clock_max", 4200, "cpu.policy[0-3].clock_limit", 4200,
			"cpu.policy[4-7].clock_max", 3100, "cpu.policy[4-7].clock_limit", 3100), nil},
		"the slower kind held back": {with("cpu.policy[0-3].clock_max", 4200, "cpu.policy[0-3].clock_limit", 4200,
			"cpu.policy[4-7].clock_max", 3100, "cpu.policy[4-7].clock_limit", 1800), []string{"underrated cpu.policy[4-7].clock_limit: 3100, 1800: caution"}},
		"the faster kind told once": {with("cpu.clock_limit", 3000, "cpu.policy[0-3].clock_max", 4200, "cpu.policy[0-3].clock_limit", 3000),
			[]string{"underrated cpu.clock_limit: 4200, 3000: caution"}},
		"a core offline":           {with("cpu.offline", "3"), []string{"underrated cpu.offline: none, 3: caution"}},
		"second threads off":       {with("cpu.offline", "4-7", "cpu.smt", "off"), []string{"underrated cpu.offline: none, 4-7: note"}},
		"second threads forced":    {with("cpu.offline", "4-7", "cpu.smt", "forceoff"), []string{"underrated cpu.offline: none, 4-7: note"}},
		"two threads not offered":  {with("cpu.offline", "3", "cpu.smt", "notsupported"), []string{"underrated cpu.offline: none, 3: caution"}},
		"a slow clock":             {with("kernel.clocksource", "hpet"), []string{"underrated kernel.clocksource: a clock in the processor, hpet: note"}},
		"a guest's clock":          {with("kernel.clocksource", "kvm-clock"), nil},
		"a guest":                  {with("machine.virtual", true), []string{"underrated machine.virtual: no, yes: note"}},
		"a link at half width":     {with("link[0000:01:00.0].width", 8), []string{"underrated link[0000:01:00.0].width: 16, 8: caution"}},
		"a slot of fewer lanes":    {with("link[0000:01:00.0].width", 8, "link[0000:01:00.0].width_max", 8), nil},
		"the width not known":      {with("link[0000:01:00.0].width_max", rig.Unknown), nil},
		"a link at rest":           {with("link[0000:01:00.0].speed", 2.5), []string{"underrated link[0000:01:00.0].speed: 16, 2.5: note"}},
		"a bridge before a device": {with("link[0000:00:01.0].kind", "bridge", "link[0000:00:01.0].width", 8, "link[0000:00:01.0].width_max", 16), nil},
		"a second function": {with("link[0000:01:00.0].width", 8, "link[0000:01:00.1].kind", "sound", "link[0000:01:00.1].width", 8, "link[0000:01:00.1].width_max", 16),
			[]string{"underrated link[0000:01:00.0].width: 16, 8: caution"}},
		"a second function alone": {with("link[0000:02:00.1].kind", "network", "link[0000:02:00.1].width", 1, "link[0000:02:00.1].width_max", 4),
			[]string{"underrated link[0000:02:00.1].width: 4, 1: caution"}},
		"at its limit before the run": {with("temperature[coretemp/coretemp.0 Package id 0]", 100),
			[]string{"unsteady temperature[coretemp/coretemp.0 Package id 0]: below 100, its crit, 100: caution"}},
		"the highest limit is named": {with("temperature[coretemp/coretemp.0 Package id 0]", 101, "temperature[coretemp/coretemp.0 Package id 0].max", 80),
			[]string{"unsteady temperature[coretemp/coretemp.0 Package id 0]: below 100, its crit, 101: caution"}},
		"a passive trip point": {with("temperature[acpitz]", 95, "trip[acpitz passive]", 95, "trip[acpitz critical]", 105),
			[]string{"unsteady temperature[acpitz]: below 95, its passive, 95: caution"}},
		"a second passive trip point": {with("temperature[acpitz]", 97, "trip[acpitz passive]", 99, "trip[acpitz passive #2]", 96), []string{"unsteady temperature[acpitz]: below 96, its passive, 97: caution"}},
		"an active trip point":        {with("temperature[acpitz]", 60, "trip[acpitz active]", 55, "trip[acpitz critical]", 105), nil},
		"another zone's trip point":   {with("temperature[acpitz]", 95, "trip[acpitz #2 passive]", 90), nil},
		"a hot chip tells once":       {with("temperature[nvme/0000:02:00.0 Composite]", 83, "temperature[nvme/0000:02:00.0 Composite].max", 82, "temperature[nvme/0000:02:00.0 Sensor 1]", 84, "temperature[nvme/0000:02:00.0 Sensor 1].max", 82), []string{"unsteady temperature[nvme/0000:02:00.0 Sensor 1]: below 82, its max, 84: caution"}},
		"cooled before the run":       {with("cooling[Processor].state", 2, "cooling[Processor #2].state", 3), []string{"unsteady cooling[Processor #2].state: 0, 3: caution"}},
		"a fan at work":               {with("cooling[Fan/PNP0C0B:00].state", 1, "cooling[pwm-fan].state", 3), nil},
		"a dimmed display":            {with("cooling[LCD].state", 40), nil},
		"an offset in force":          {with("cooling[TCC Offset].state", 5), nil},
		"throttled since boot":        {with("cpu.throttle_count", 12), []string{"unsteady cpu.throttle_count: 0, 12: caution"}},
		"errors on a link since boot": {with("link[0000:01:00.0].errors_corrected", 3), []string{"unsteady link[0000:01:00.0].errors_corrected: 0, 3: note"}},
		"memory errors since boot":    {with("memory.corrected_errors", 1, "memory.uncorrected_errors", 0), []string{"unsteady memory.corrected_errors: 0, 1: caution"}},
		"busy before the run":         {with("load.idle_before", 62.5), []string{"unsteady load.idle_before: at least 90, 62.5: caution"}},
		"idle enough":                 {with("load.idle_before", 90), nil},
		"one of many processors busy": {with("load.idle_before", 97.5, "cpu.threads", 64), []string{"unsteady load.idle_before: at least 98.4, 97.5: caution"}},
		"idleness not watched":        {with("load.idle_before", rig.Absent), nil},
		"what only the judgement needs": {with("cpu.model", rig.Absent, "cpu.cores", rig.Absent), []string{
			"unread cpu.cores: a reading, unread: absent: note", "unread cpu.model: a reading, unread: absent: note"}},
	} {
		t.Run(name, func(t *testing.T) { same(t, drift.Input{Before: c.before}, c.want...) })
	}
}

func TestDeclaredBelowItsRatingIsANote(t *testing.T) {
	for declared, before := range map[string]rig.Snapshot{
		`"cpu.offline" = "3"`:                with("cpu.offline", "3"),
		`"cpu.turbo" = false`:                with("cpu.turbo", false),
		`"cpu.clock_limit" = 3000`:           with("cpu.clock_limit", 3000),
		`"memory.channels_populated" = 1`:    with("memory.channels_populated", 1),
		`"link[0000:01:00.0].width" = 8`:     with("link[0000:01:00.0].width", 8),
		`"kernel.clocksource" = "hpet"`:      with("kernel.clocksource", "hpet"),
		`"memory.speed" = { max = 3000 }`:    with("memory.speed", 2400),
		`"machine.virtual" = true`:           with("machine.virtual", true),
		`"memory.total" = { min = 4000 }`:    with("memory.total", 8000),
		`"link[0000:01:00.0].speed" = 2.5`:   with("link[0000:01:00.0].speed", 2.5),
		`"cpu.clock_firmware_limit" = 1200`:  with("cpu.clock_firmware_limit", 1200),
		`"cpu.policy[4-7].clock_limit" = 18`: with("cpu.policy[4-7].clock_max", 31, "cpu.policy[4-7].clock_limit", 18),
	} {
		j := drift.Judge(drift.Input{Before: before, Setup: declare(t, "[expect]", declared)})
		if len(j.Flags) != 1 || j.Flags[0].Kind != drift.Underrated || j.Flags[0].Weight != rig.Note {
			t.Errorf("%s: %q", declared, brief(j))
		}
	}
}

func TestGuestsSayWhyAFactIsUnread(t *testing.T) {
	j := drift.Judge(drift.Input{Before: with("machine.virtual", true, "memory.speed", rig.Absent)})
	for _, f := range j.Flags {
		if f.Kind == drift.UnreadFact && !contains(f.Evidence, "virtual machine") {
			t.Errorf("%s: %s", f.Fact, f.Evidence)
		}
	}
	for _, s := range []rig.Snapshot{with("memory.speed", rig.Denied), with("memory.speed", rig.Denied, "machine.virtual", rig.Absent)} {
		for _, f := range drift.Judge(drift.Input{Before: s}).Flags {
			if contains(f.Evidence, "virtual machine") {
				t.Errorf("%s: %s", f.Fact, f.Evidence)
			}
		}
	}
}

func TestSensorsOfOneChipAreCounted(t *testing.T) {
	hot := func(label string, celsius float64) []any {
		k := "temperature[nvme/0000:02:00.0 " + label + "]"
		return []any{k, celsius, k + ".max", 82}
	}
	for n, want := range []string{"", "1 more sensors", "2 more sensors"} {
		pairs := hot("Sensor 1", 84)
		for i := range n {
			pairs = append(pairs, hot([]string{"Composite", "Sensor 2"}[i], 83)...)
		}
		j := drift.Judge(drift.Input{Before: with(pairs...)})
		if len(j.Flags) != 1 || contains(j.Flags[0].Evidence, "more sensors") != (n > 0) || !contains(j.Flags[0].Evidence, want) {
			t.Errorf("%d more: %+v", n, j.Flags)
		}
	}
}

// What was counted since boot weighs by what it says of the run to come, and
// what a run adds weighs by the catalogue.
func TestCounters(t *testing.T) {
	for k, want := range map[string][3]rig.Weight{ // before a run; in one that adds nothing; in one that adds
		"cpu.throttle_count":                  {rig.Caution, rig.Note, rig.Caution},
		"memory.corrected_errors":             {rig.Caution, rig.Caution, rig.Caution},
		"memory.uncorrected_errors":           {rig.Caution, rig.Caution, rig.Void},
		"link[0000:01:00.0].errors_corrected": {rig.Note, rig.Note, rig.Caution},
		"link[0000:01:00.0].errors_fatal":     {rig.Caution, rig.Caution, rig.Void},
	} {
		before, after := with(k, 3), with(k, 5)
		for i, in := range []drift.Input{{Before: before}, {Before: before, Run: ran(before)}, {Before: before, Run: ran(after)}} {
			j := drift.Judge(in)
			if len(j.Flags) != 1 || j.Flags[0].Weight != want[i] || j.Flags[0].Kind != drift.Unsteady {
				t.Errorf("%s, %d: %q", k, i, brief(j))
			}
		}
		none := drift.Judge(drift.Input{Before: with(k, 0), Run: ran(with(k, 0))})
		if len(none.Flags) != 0 {
			t.Errorf("%s: %q", k, brief(none))
		}
	}
}

func TestEvidenceNamesWhatHangsOnTheLink(t *testing.T) {
	for kind, want := range map[any]string{
		"graphics": "the graphics device could", "drive": "the drive could", "network": "the network device could", "unknown": "the device could", nil: "the device could",
	} {
		j := drift.Judge(drift.Input{Before: with("link[0000:01:00.0].kind", kind, "link[0000:01:00.0].width", 4)})
		if len(j.Flags) != 1 || !contains(j.Flags[0].Evidence, want) {
			t.Errorf("%v: %+v", kind, j.Flags)
		}
	}
}

func TestRule9(t *testing.T) {
	j := drift.Judge(drift.Input{Before: with("temperature[coretemp/coretemp.0 Package id 0]", 104)})
	if len(j.Flags) != 1 || !contains(j.Flags[0].Evidence, "maker's limits", "qualified people") {
		t.Errorf("%+v", j.Flags)
	}
}
