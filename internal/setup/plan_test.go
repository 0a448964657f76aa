package setup

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestPlan(t *testing.T) {
	const file = "../../testdata/plans/dome-memory.toml"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := ParsePlan(file, data)
	if err != nil {
		t.Fatal(err)
	}
	if p.Name != "dome-memory" || p.StaleAfter != 90*24*time.Hour || p.Caution || p.Rounds != 2 {
		t.Errorf("%+v", p)
	}
	var got []string
	for _, c := range p.Cells {
		got = append(got, fmt.Sprintf("%s: %d", c, c.Repeats))
	}
	want := []string{
		"orrery on heron in memory-default: 6", "dome-encode on heron in memory-default: 6",
		"orrery on heron in memory-rated: 6", "dome-encode on heron in memory-rated: 6",
		"orrery on plover in memory-default: 6", "dome-encode on plover in memory-default: 6",
		"orrery on plover in memory-rated: 6", "dome-encode on plover in memory-rated: 6",
		"orrery 3 on avocet in memory-rated: 3",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestPlanDefaults(t *testing.T) {
	p, err := ParsePlan("p.toml", []byte("stale_after = '36h'\n[[cell]]\nworkload='orrery'\nrig='heron'\nrepeats=4\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []Cell{{Workload: "orrery", Rig: "heron", Repeats: 4, Line: 2}}
	if p.StaleAfter != 36*time.Hour || p.Rounds != DefaultRounds || cmp.Diff(want, p.Cells) != "" {
		t.Errorf("%+v", p)
	}
}

const cell = "[[cell]]\nworkload = 'orrery'\nrig = 'heron'\nrepeats = 5\n"

func TestPlanRefusals(t *testing.T) {
	for _, c := range []refusal{
		{"empty", "", `p.toml:1: no cell is given`, "[[cell]]"},
		{"misspelt", "stale_aftr = '90d'\n" + cell, `p.toml:1: unknown key "stale_aftr"`, `"stale_after"`},
		{"misspelt in a cell", cell + "setpu = 'x'\n", `p.toml:5: unknown key "setpu"`, `"setup"`},
		{"slid below a cell", cell + "rounds = 2\n", `p.toml:5: unknown key "rounds"`, "stands above the first [table]"},
		{"key of a cell above", "workload = 'orrery'\n" + cell, `p.toml:1: unknown key "workload"`, `"workload" in [cell]`},
		{"one table", "[cell]\nworkload = 'orrery'\n", `p.toml:1: cell is a table, not a list of tables`, "[[cell]]"},
		{"list of texts", "cell = ['orrery']\n", `p.toml:1: cell is a list, not a list of tables`, "[[cell]]"},
		{"mixed list", "cell = [{workload='a', rig='b', repeats=1}, 3]\n", `p.toml:1: cell holds a number where a table belongs`, "[[cell]]"},
		{"no rig", "[[cell]]\nworkload = 'orrery'\nrepeats = 5\n", `p.toml:1: no rig in [[cell]] is given`, `rig = "heron"`},
		{"no workload", "[[cell]]\nrig = 'heron'\nrepeats = 5\n", `p.toml:1: no workload in [[cell]] is given`, `workload = "orrery"`},
		{"no repeats", "[[cell]]\nrig = 'heron'\nworkload = 'orrery'\n", `p.toml:1: no repeats in [[cell]] is given`, "repeats = 5"},
		{"no repeats at all", "repeats = 0\n" + cell, `p.toml:1: repeats is 0, not a whole number from 1 to 1000000`, "repeats = 5"},
		{"twice", cell + "\n" + cell, `p.toml:6: orrery on heron is planned twice`, "line 1 plans it too"},
		{"twice by a list", cell + "[[cell]]\nworkload = ['dome-encode', 'orrery']\nrig = 'heron'\nrepeats = 1\n", `p.toml:5: orrery on heron is planned twice`, "line 1 plans it too"},
		{"named twice", "[[cell]]\nworkload = 'orrery'\nrig = ['heron', 'heron']\nrepeats = 5\n", `p.toml:3: rig names "heron" twice`, "keep one"},
		{"empty list", "[[cell]]\nworkload = []\nrig = 'heron'\nrepeats = 5\n", `p.toml:2: workload is an empty list`, "at least one"},
		{"number in a list", "[[cell]]\nworkload = [3]\nrig = 'heron'\nrepeats = 5\n", `p.toml:2: workload is a number, not a text`, `"3"`},
		{"blank setup", cell + "setup = ''\n", `p.toml:5: setup is blank`, "leave the line out"},
		{"span without unit", "stale_after = '90'\n" + cell, `p.toml:1: stale_after is "90", not a span of time above zero`, `"90d"`},
		{"span of no days", "stale_after = '0d'\n" + cell, `p.toml:1: stale_after is "0d", not a span of time above zero`, `"90d"`},
		{"span is a number", "stale_after = 90\n" + cell, `p.toml:1: stale_after is a number, not a span of time`, `stale_after = "90s"`},
		{"include", "include = 'void'\n" + cell, `p.toml:1: include is "void", not one of clean caution`, "nearest"},
		{"too many", "[[cell]]\nworkload=[" + names('w', 101) + "]\nrig=[" + names('r', 100) + "]\nrepeats=1\n", `p.toml:1: the lists cross to more than 10000 cells`, "split"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParsePlan("p.toml", []byte(c.file))
			c.want = "plan file: " + c.want
			c.run(t, err)
		})
	}
}

func names(letter rune, n int) string {
	var list []string
	for i := range n {
		list = append(list, fmt.Sprintf("'%c%d'", letter, i))
	}
	return strings.Join(list, ",")
}

// Property: as for workloads; besides, no cell stands twice, and every one has a
// workload, a rig, a place in the file and at least one repeat.
func FuzzParsePlan(f *testing.F) {
	f.Add([]byte(cell))
	f.Add([]byte("repeats=2\ncell=[{workload=['a','b'],rig=['c','d'],setup=['e']}]\n"))
	seed(f, "../../testdata/plans/*.toml")
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ParsePlan("x.toml", data)
		if err != nil {
			if p != nil {
				t.Fatal("an error and a plan")
			}
			oneLiner(t, data, err)
			return
		}
		again, err := ParsePlan("x.toml", p.Source)
		if err != nil || cmp.Diff(p, again) != "" {
			t.Fatalf("the kept bytes give another plan: %v", err)
		}
		seen := map[string]bool{}
		for _, c := range p.Cells {
			key := c.Workload + "," + c.Version + "," + c.Rig + "," + c.Setup
			if seen[key] || c.Workload == "" || c.Rig == "" || c.Repeats < 1 || c.Line < 1 {
				t.Fatalf("%+v", c)
			}
			seen[key] = true
		}
		if len(p.Cells) == 0 || p.Rounds < 1 || p.StaleAfter < 0 {
			t.Fatalf("%+v", p)
		}
	})
}
