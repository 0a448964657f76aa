package screen

import (
	"bytes"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestTableAligns(t *testing.T) {
	tab := NewTable("rig", "runs", "rate", "setup")
	tab.Row("heron", "7", "59.62 frames/s", "memory-rated")
	tab.Row("plover", "112", "-", "(none)")
	tab.Tail("its last run was played")
	tab.Row("天", "3", "8.00 frames/s", "")
	got := printed(t, tab)
	want := strings.Join([]string{
		"rig     runs            rate  setup",
		"heron      7  59.62 frames/s  memory-rated",
		"plover   112               -  (none)",
		"        its last run was played",
		"天         3   8.00 frames/s",
		"",
	}, "\n")
	if got != want {
		t.Errorf("table:\n%s\nwant:\n%s", got, want)
	}
}

func printed(t *testing.T, tab *Table) string {
	var b bytes.Buffer
	if err := tab.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestTableWordsAmongNumbersStandLeft(t *testing.T) {
	tab := NewTable()
	tab.Row("a", "12")
	tab.Row("b", "tsc")
	if got, want := printed(t, tab), "a  12\nb  tsc\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestTableCleansCells(t *testing.T) {
	tab := NewTable()
	tab.Row("heron\x1b[2J", "1")
	tab.Tail("\x1b]0;x\x07")
	if got := printed(t, tab); strings.ContainsRune(got, 0x1b) {
		t.Errorf("an escape came through: %q", got)
	}
}

func TestTableColoursOnlyRepeatWords(t *testing.T) {
	tab := NewTable("standing", "rig")
	tab.Row("void", "void heron")
	tab.Row("clean", "plover")
	plain, tinted := drawn(tab, 0, false), drawn(tab, 80, true)
	if !strings.Contains(tinted, "\x1b[31;1mvoid\x1b[0m ") {
		t.Errorf("the word void has no colour: %q", tinted)
	}
	for _, code := range append([]string{untint}, "\x1b[31;1m", "\x1b[32m") {
		tinted = strings.ReplaceAll(tinted, code, "")
	}
	if tinted != plain {
		t.Errorf("without its colours it reads\n%q, plain\n%q", tinted, plain)
	}
}

// drawn draws a table as on a terminal of so many columns.
func drawn(tab *Table, total int, tint bool) string {
	var b bytes.Buffer
	p := tab.plan(total, tint)
	if len(tab.head) > 0 {
		p.line(&b, tab.head, false)
	}
	for _, r := range tab.rows {
		p.line(&b, r.cells, true)
		for _, s := range r.tails {
			p.below(&b, s)
		}
	}
	return b.String()
}

func TestTableFoldsItsLastColumn(t *testing.T) {
	tab := NewTable("fact", "source")
	tab.Row("memory.module[DIMM_A1].rated_speed", "/sys/firmware/dmi/tables/DMI: type 17 of the module")
	tab.Row("cpu.cores", "/sys")
	for _, total := range []int{40, 60, 70, 200} {
		for _, l := range strings.Split(drawn(tab, total, false), "\n") {
			if columns(l) > total {
				t.Errorf("%d columns: line of %d: %q", total, columns(l), l)
			}
		}
	}
	if got := drawn(tab, 70, false); !strings.Contains(got, "\n"+strings.Repeat(" ", 36)) {
		t.Errorf("the source does not go on below itself:\n%s", got)
	}
}

// One text that is much longer than the others of its column leaves them where
// they are.
func TestTableLetsLongTextsStickOut(t *testing.T) {
	tab := NewTable("fact", "value", "source")
	tab.Row("cpu.cores", "4", "/sys/devices")
	tab.Row("kernel.command_line", "quiet", "/proc/cmdline")
	tab.Row("kernel.mitigations", strings.Repeat("long ", 20)+"text", "/sys/devices/system")
	if got, want := printed(t, tab), strings.Join([]string{
		"fact                 value  source",
		"cpu.cores            4      /sys/devices",
		"kernel.command_line  quiet  /proc/cmdline",
		"kernel.mitigations   " + strings.Repeat("long ", 20) + "text  /sys/devices/system",
		"",
	}, "\n"); got != want {
		t.Errorf("table:\n%s\nwant:\n%s", got, want)
	}
	if got, want := drawn(tab, 80, false), "\n"+strings.Repeat(" ", 28)+"/sys/devices/system\n"; !strings.HasSuffix(got, "text"+want) {
		t.Errorf("on a terminal:\n%s", got)
	}
}

// Paths that have no room under the second column are not cut where they have
// room further left.
func TestTableKeepsPathsWhole(t *testing.T) {
	tab := NewTable("fact", "value", "source")
	tab.Row("memory.module[DIMM_A1].rated_speed", "3200 MT/s", "/sys/devices/system/cpu/cpufreq/policy0/base_frequency")
	tab.Row("cpu.cores", "4", "/sys/devices")
	want := strings.Join([]string{
		"fact                                    value",
		"memory.module[DIMM_A1].rated_speed  3200 MT/s",
		"    /sys/devices/system/cpu/cpufreq/policy0/base_frequency",
		"cpu.cores                                   4",
		"    /sys/devices",
		"",
	}, "\n")
	if got := drawn(tab, 70, false); got != want {
		t.Errorf("table:\n%s\nwant:\n%s", got, want)
	}
}

// Whatever the width, every letter of every cell is there.
func TestTableLeavesNothingOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tab := NewTable()
		var in strings.Builder
		cols := rapid.IntRange(1, 5).Draw(t, "columns")
		for range rapid.IntRange(1, 6).Draw(t, "rows") {
			cells := rapid.SliceOfN(rapid.StringMatching(`[a-z0-9. \x1b]{0,30}`), cols, cols).Draw(t, "cells")
			tab.Row(cells...)
			for _, c := range cells {
				in.WriteString(Clean(c))
			}
			tail := rapid.StringMatching(`[a-z ]{0,40}`).Draw(t, "tail")
			tab.Tail(tail)
			in.WriteString(tail)
		}
		total := rapid.SampledFrom([]int{0, 20, 40, 80, 200}).Draw(t, "total")
		if got, want := letters(drawn(tab, total, false)), letters(in.String()); got != want {
			t.Fatalf("at %d columns\n got %q\nwant %q", total, got, want)
		}
	})
}
