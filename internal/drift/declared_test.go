package drift_test

import (
	"strings"
	"testing"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

func TestDeclared(t *testing.T) {
	for name, c := range map[string]struct {
		setup  string
		before rig.Snapshot
		want   []string
	}{
		"a setup that holds": {`"memory.speed" = 3200
			"cpu.governor" = "performance"
			"cpu.clock_max" = { min = 4100, max = 4300 }
			"cpu.turbo" = true
			"kernel.clocksource" = { one_of = ["tsc", "hpet"] }
			"firmware.version" = 1.08`, with(), nil},
		"a number": {`"memory.modules" = 4`, with(), []string{"undeclared memory.modules: 4, 2: caution"}},
		"a text":   {`"cpu.governor" = "performance"`, with("cpu.governor", "powersave"), []string{"undeclared cpu.governor: performance, powersave: caution"}},
		"a truth":  {`"cpu.turbo" = false`, with(), []string{"undeclared cpu.turbo: no, yes: caution"}},
		"two kinds of groups": {`"cpu.governor" = "performance"`, with("cpu.governor", "performance 0-3, powersave 4-7"),
			[]string{"undeclared cpu.governor: performance, performance 0-3, powersave 4-7: caution"}},
		"a range":                               {`"cpu.clock_max" = { min = 4300 }`, with(), []string{"undeclared cpu.clock_max: at least 4300, 4200: caution"}},
		"one of":                                {`"kernel.clocksource" = { one_of = ["hpet", "acpi_pm"] }`, with(), []string{"undeclared kernel.clocksource: hpet or acpi_pm, tsc: caution"}},
		"inside a declared tolerance":           {`"cpu.clock_max" = { value = 4250, tolerance = "2%" }`, with(), nil},
		"outside a declared tolerance":          {`"cpu.clock_max" = { value = 4250, tolerance = 49 }`, with(), []string{"undeclared cpu.clock_max: 4250, 4200: caution"}},
		"inside the catalogue's tolerance":      {`"cpu.clock_max" = 4208`, with(), nil},
		"outside the catalogue's tolerance":     {`"cpu.clock_max" = 4209`, with(), []string{"undeclared cpu.clock_max: 4209, 4200: caution"}},
		"a text that looks like a number":       {`"firmware.version" = 1.10`, with(), []string{"undeclared firmware.version: 1.10, 1.08: caution"}},
		"what is lightly held is still a claim": {`"memory.slots" = 4`, with("memory.slots", 2), []string{"undeclared memory.slots: 4, 2: caution"}},
		"unread, as a number":                   {`"memory.speed" = 3200`, with("memory.speed", rig.Denied), []string{"unread memory.speed: 3200, unread: denied: caution"}},
		"absent, as a text":                     {`"platform.profile" = "performance"`, with(), []string{"unread platform.profile: performance, unread: absent: the rig does not tell it: caution"}},
		"unread, and lightly held":              {`"memory.slots" = 4`, with("memory.slots", rig.Denied), []string{"unread memory.slots: 4, unread: denied: caution"}},
		"unread, in words":                      {`"cpu.clock_max" = { min = 4100, max = 4300 }`, with("cpu.clock_max", rig.Absent), []string{"unread cpu.clock_max: 4100 to 4300, unread: absent: caution"}},
		"indexed":                               {`"memory.module[DIMM_A1].speed" = 3200`, with("memory.module[DIMM_A1].speed", 2400, "memory.speed", 2400, "memory.rated_speed", rig.Unknown), []string{"undeclared memory.module[DIMM_A1].speed: 3200, 2400: caution", "underrated memory.module[DIMM_A1].speed: 3200, 2400: caution", "unread memory.rated_speed: a reading, unread: unknown: note"}},
	} {
		t.Run(name, func(t *testing.T) {
			same(t, drift.Input{Rig: "heron", Before: c.before, Setup: declare(t, "[expect]", c.setup)}, c.want...)
		})
	}
}

func TestDeclaredIsHeldAgainstTheStateBeforeARun(t *testing.T) {
	s := declare(t, "[expect]", `"memory.speed" = 3200`, `"cpu.governor" = "performance"`)
	same(t, drift.Input{Before: with(), Setup: s, Run: ran(with())})
	same(t, drift.Input{Before: with("cpu.governor", "powersave"), Setup: s, Run: ran(with())},
		"undeclared cpu.governor: performance, powersave: caution", "unsteady cpu.governor: powersave, performance: caution")
}

func TestOfTwoFindingsOnAnUnreadFactTheFirstStands(t *testing.T) {
	in := drift.Input{Before: with("memory.speed", rig.Denied), Setup: declare(t, "[expect]", `"memory.speed" = 3200`), Mark: &drift.Mark{RunID: "r1", Snapshot: with()}}
	j := same(t, in, "unread memory.speed: 3200, unread: denied: caution")
	if len(j.Flags) > 0 && !contains(j.Flags[0].Evidence, "setup memory-rated declares 3200") {
		t.Error(j.Flags[0].Evidence)
	}
}

func TestValuesKeepTheirKind(t *testing.T) {
	j := drift.Judge(drift.Input{Before: with(), Setup: declare(t, "[expect]", `"memory.modules" = 4`, `"cpu.turbo" = false`, `"firmware.version" = 1.10`)})
	want := map[rig.Key]rig.Kind{"memory.modules": rig.Number, "cpu.turbo": rig.Truth, "firmware.version": rig.Text}
	for _, f := range j.Flags {
		if f.Expected.Kind() != want[f.Fact] || f.Seen.Kind() != want[f.Fact] {
			t.Errorf("%s: expected is kind %d, seen kind %d", f.Fact, f.Expected.Kind(), f.Seen.Kind())
		}
	}
}

func TestUnreadKeepsTheKindDeclared(t *testing.T) {
	for declared, want := range map[string]rig.Value{
		`"memory.speed" = 3200`:     rig.NumberOf(3200),
		`"memory.speed" = 3200.0`:   rig.NumberOf(3200),
		`"cpu.cores" = 4`:           rig.NumberOf(4),
		`"firmware.version" = 1.10`: rig.TextOf("1.10"),
		`"cpu.turbo" = true`:        rig.TruthOf(true),
	} {
		j := drift.Judge(drift.Input{Setup: declare(t, "[expect]", declared)})
		if len(j.Flags) == 0 || j.Flags[0].Expected != want {
			t.Errorf("%s: %+v", declared, j.Flags)
		}
	}
}

func TestAWeightThatIsNoneIsPassedOver(t *testing.T) {
	s := &setup.Setup{Label: "quiet", Weigh: map[string]setup.Weight{"memory.speed": "heavy"}}
	same(t, drift.Input{Before: with("memory.speed", 2400), Setup: s}, "underrated memory.speed: 3200, 2400: caution")
}

func TestSetupOfAnotherRig(t *testing.T) {
	same(t, drift.Input{Rig: "plover", Before: with(), Setup: declare(t)}, "undeclared rig.name: heron, plover: caution")
	same(t, drift.Input{Before: with(), Setup: declare(t)})
}

func TestWeighing(t *testing.T) {
	low := with("memory.speed", 2400)
	for name, c := range map[string]struct {
		setup  string
		before rig.Snapshot
		want   []string
		was    rig.Weight // of the first flag
	}{
		"as it is": {"", low, []string{"underrated memory.speed: 3200, 2400: caution"}, 0},
		"lowered":  {"[weigh]\n\"memory.speed\" = \"note\"", low, []string{"underrated memory.speed: 3200, 2400: note"}, rig.Caution},
		"raised":   {"[weigh]\n\"memory.speed\" = \"void\"", low, []string{"underrated memory.speed: 3200, 2400: void"}, rig.Caution},
		"the same": {"[weigh]\n\"memory.speed\" = \"caution\"", low, []string{"underrated memory.speed: 3200, 2400: caution"}, 0},
		"declared": {"[expect]\n\"memory.speed\" = 2400", low, []string{"underrated memory.speed: 3200, 2400: note"}, rig.Caution},
		"declared within the catalogue's tolerance": {"[expect]\n\"memory.speed\" = 2401", low, []string{"underrated memory.speed: 3200, 2400: note"}, rig.Caution},
		"declared and raised":                       {"[expect]\n\"memory.speed\" = 2400\n[weigh]\n\"memory.speed\" = \"void\"", low, []string{"underrated memory.speed: 3200, 2400: void"}, rig.Caution},
		"declared and raised back":                  {"[expect]\n\"memory.speed\" = 2400\n[weigh]\n\"memory.speed\" = \"caution\"", low, []string{"underrated memory.speed: 3200, 2400: caution"}, 0},
		"a family":                                  {"[weigh]\n\"link[].width\" = \"note\"", with("link[0000:01:00.0].width", 8), []string{"underrated link[0000:01:00.0].width: 16, 8: note"}, rig.Caution},
		"one of a family": {"[weigh]\n\"link[].width\" = \"note\"\n\"link[0000:01:00.0].width\" = \"void\"", with("link[0000:01:00.0].width", 8),
			[]string{"underrated link[0000:01:00.0].width: 16, 8: void"}, rig.Caution},
		"unread": {"[weigh]\n\"memory.speed\" = \"caution\"", with("memory.speed", rig.Denied), []string{"unread memory.speed: a reading, unread: denied: caution"}, rig.Note},
	} {
		t.Run(name, func(t *testing.T) {
			j := same(t, drift.Input{Rig: "heron", Before: c.before, Setup: declare(t, c.setup)}, c.want...)
			if got := j.Flags[0].WeightBefore; got != c.was {
				t.Errorf("weight before %d, want %d", got, c.was)
			}
		})
	}
}

func TestHowARunEndedCannotBeWeighed(t *testing.T) {
	run := ran(with())
	run.Outcome, run.Detail = "failed", "exit code 3"
	run.Logs = []drift.Log{{Name: "orrery.csv", Refused: "no_rows", Detail: "orrery.csv: no rows"}}
	s := declare(t, "[weigh]", `"run.exit" = "note"`, `"run.log[]" = "note"`)
	j := same(t, drift.Input{Before: with(), Setup: s, Run: run},
		"unsteady run.exit: finished, failed: void", "unread run.log[orrery.csv]: a timing log, refused: no_rows: void")
	if j.Standing != drift.Voided {
		t.Errorf("standing %s", j.Standing)
	}
}

func TestKnown(t *testing.T) {
	for k, want := range map[rig.Key]bool{"memory.speed": true, "memory.module[].speed": true, "load.other": true, "cpu.clock": true, "temperature": true, "memory.sped": false} {
		if drift.Known(k) != want {
			t.Errorf("%s: %v", k, !want)
		}
	}
}

func TestStandingIsTheHeaviest(t *testing.T) {
	for standing, weights := range map[drift.Standing][]rig.Weight{
		drift.Clean: {rig.Note, rig.Note}, drift.Careful: {rig.Caution, rig.Note}, drift.Voided: {rig.Note, rig.Void, rig.Caution},
	} {
		var flags []drift.Flag
		for _, w := range weights {
			flags = append(flags, drift.Flag{Weight: w})
		}
		if got := drift.StandingOf(flags); got != standing {
			t.Errorf("%v: %s, want %s", weights, got, standing)
		}
	}
	if drift.StandingOf(nil) != drift.Clean {
		t.Error("no flags are not clean")
	}
}

func TestEvidenceNamesSourceAndReading(t *testing.T) {
	j := drift.Judge(drift.Input{Before: with("memory.speed", 2400), Setup: declare(t, "[expect]", `"memory.speed" = 3200`)})
	for _, f := range j.Flags {
		if !strings.HasPrefix(f.Evidence, "/memory.speed: 2400 MT/s") {
			t.Errorf("%s: %s", f.Kind, f.Evidence)
		}
	}
}
