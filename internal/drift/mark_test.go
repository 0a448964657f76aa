package drift_test

import (
	"testing"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
)

func TestMark(t *testing.T) {
	without := func(s rig.Snapshot, device string) rig.Snapshot {
		var kept []rig.Fact
		for _, f := range s.Facts {
			if !contains(string(f.Key), device) {
				kept = append(kept, f)
			}
		}
		s.Facts = kept
		return s
	}
	asleep := rig.Refused
	for name, c := range map[string]struct {
		mark, before rig.Snapshot
		want         []string
	}{
		"the same":                  {with(), with(), nil},
		"memory back at a default":  {with("memory.rated_speed", 2400, "memory.speed", 3200), with("memory.rated_speed", 2400, "memory.speed", 2400), []string{"moved memory.speed: 3200, 2400: caution"}},
		"within tolerance":          {with("memory.total", 15872), with("memory.total", 15820), nil},
		"what passes":               {with("load.idle_before", 99, "kernel.boot_id", "sha256:0a"), with("load.idle_before", 95, "kernel.boot_id", "sha256:0b"), nil},
		"firmware and what follows": {with(), with("firmware.version", "1.52", "firmware.date", "11/02/2031"), []string{"moved firmware.version: 1.08, 1.52: caution", "moved firmware.date: 03/14/2031, 11/02/2031: note"}},
		"a consequence alone":       {with(), with("firmware.date", "11/02/2031"), []string{"moved firmware.date: 03/14/2031, 11/02/2031: caution"}},
		"over two steps": {with("cpu.clock_floor", 800), with("cpu.model", "Sextant 6", "cpu.clock_floor", 1200),
			[]string{"moved cpu.model: Sextant 4 Model 440, Sextant 6: caution", "moved cpu.clock_floor: 800, 1200: note"}},
		"a light cause excuses nothing heavier": {with("cpu.clock_min", 800, "cpu.clock_floor", 800), with("cpu.clock_min", 1200, "cpu.clock_floor", 1200),
			[]string{"moved cpu.clock_floor: 800, 1200: caution", "moved cpu.clock_min: 800, 1200: note"}},
		"a cause that is only unread": {with(), with("firmware.version", rig.Denied, "firmware.date", "11/02/2031"),
			[]string{"moved firmware.date: 03/14/2031, 11/02/2031: caution", "unread firmware.version: 1.08, unread: denied: caution"}},
		"unread now":                 {with("cpu.microcode", "0x2f"), with("cpu.microcode", rig.Absent), []string{"unread cpu.microcode: 0x2f, unread: absent: caution"}},
		"not told now":               {with("cpu.microcode", "0x2f"), with(), []string{"unread cpu.microcode: 0x2f, unread: absent: the rig does not tell it: caution"}},
		"a card asleep":              {with("graphics[0000:01:00.0].memory", 8192), with("graphics[0000:01:00.0].memory", asleep), []string{"unread graphics[0000:01:00.0].memory: 8192, unread: refused: note"}},
		"unread in the mark":         {with("cpu.microcode", rig.Absent), with("cpu.microcode", "0x2f"), nil},
		"and the judgement needs it": {with("memory.speed", rig.Denied), with(), []string{"unread memory.speed: a reading in the mark, unread: denied: note"}},
		"a module gone": {with(), without(with("memory.modules", 1, "memory.size", 8192), "DIMM_B1"), []string{
			"moved memory.module[DIMM_B1].part: MM4, gone: caution", "moved memory.modules: 2, 1: caution", "moved memory.size: 16384, 8192: caution"}},
		"a slot emptied": {with(), without(with("memory.modules", 1, "memory.module[DIMM_B1].bank", nil, "memory.module[DIMM_B1].size", 0), "DIMM_B1].part"), []string{
			"moved memory.module[DIMM_B1].size: 8192, 0: caution", "moved memory.modules: 2, 1: caution"}},
		"a module moved": {with("memory.module[DIMM_A1].part", nil), with("memory.module[DIMM_A1].part", nil, "memory.module[DIMM_A2].size", 8192, "memory.module[DIMM_A2].bank", "CHANNEL A"), []string{
			"moved memory.module[DIMM_A2].size: not there, 8192: caution"}},
		"a device that tells less": {with("graphics[0000:01:00.0].firmware", "OR-1"), with(), []string{
			"unread graphics[0000:01:00.0].firmware: OR-1, unread: absent: the rig does not tell it: caution"}},
		"a device that tells more":   {with(), with("graphics[0000:01:00.0].firmware", "OR-1"), nil},
		"a second card":              {with(), with("graphics[0000:02:00.0].id", "5f0a:1", "graphics[0000:02:00.0].driver", "amdgpu"), []string{"moved graphics[0000:02:00.0].driver: not there, amdgpu: caution"}},
		"a first drive":              {with(), with("drive[0000:02:00.0].model", "Almanac"), []string{"moved drive[0000:02:00.0].model: not there, Almanac: note"}},
		"errors counted in the mark": {with("memory.corrected_errors", 3), with("memory.corrected_errors", 0), nil},
		"marked without rights":      {without(with("memory.modules", rig.Denied), "memory.module["), with(), []string{"unread memory.modules: a reading in the mark, unread: denied: note"}},
		"checked without rights":     {with(), without(with("memory.modules", rig.Denied), "memory.module["), []string{"unread memory.modules: 2, unread: denied: caution"}},
	} {
		t.Run(name, func(t *testing.T) {
			// What the rules of rating say is not asked here.
			j := drift.Judge(drift.Input{Before: c.before, Mark: &drift.Mark{RunID: "r1", Snapshot: c.mark}})
			var kept []drift.Flag
			for _, f := range j.Flags {
				if f.Kind != drift.Underrated {
					kept = append(kept, f)
				}
			}
			if d := diff(c.want, brief(drift.Judgement{Flags: kept})); d != "" {
				t.Error(d)
			}
			if j.MarkRun != "r1" {
				t.Errorf("mark run %q", j.MarkRun)
			}
		})
	}
}

func TestMovedNamesTheMarkAndTheCause(t *testing.T) {
	j := drift.Judge(drift.Input{Before: with("firmware.version", "1.52", "firmware.date", "11/02/2031"), Mark: &drift.Mark{RunID: "r1", Snapshot: with()}})
	if len(j.Flags) != 2 {
		t.Fatalf("%q", brief(j))
	}
	if e := j.Flags[0].Evidence; !contains(e, "/firmware.version: 1.52", "the mark is run r1") {
		t.Error(e)
	}
	if e := j.Flags[1].Evidence; !contains(e, "follows from firmware.version") {
		t.Error(e)
	}
}

// Memory is held against its rating, the setup and the mark, each by itself.
func TestThreeChecksOfMemory(t *testing.T) {
	mark := func(mts int) *drift.Mark { return &drift.Mark{RunID: "r1", Snapshot: with("memory.speed", mts)} }
	declared := func(mts string) []string { return []string{"[expect]", `"memory.speed" = ` + mts} }
	for name, c := range map[string]struct {
		seen  int
		setup []string
		mark  *drift.Mark
		want  []string
	}{
		"rating":   {2400, nil, mark(2400), []string{"underrated memory.speed: 3200, 2400: caution"}},
		"setup":    {3200, declared("3600"), mark(3200), []string{"undeclared memory.speed: 3600, 3200: caution"}},
		"mark":     {3200, declared("3200"), mark(3600), []string{"moved memory.speed: 3600, 3200: caution"}},
		"all":      {2400, declared("3200"), mark(3200), []string{"undeclared memory.speed: 3200, 2400: caution", "underrated memory.speed: 3200, 2400: caution", "moved memory.speed: 3200, 2400: caution"}},
		"declared": {2400, declared("2400"), mark(2400), []string{"underrated memory.speed: 3200, 2400: note"}},
	} {
		t.Run(name, func(t *testing.T) {
			same(t, drift.Input{Before: with("memory.speed", c.seen), Setup: declare(t, c.setup...), Mark: c.mark}, c.want...)
		})
	}
}
