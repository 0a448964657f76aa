package compare_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/stats"
)

func plan(t *testing.T, text string) *setup.Plan {
	t.Helper()
	p, err := setup.ParsePlan("p.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

var noon = time.Date(2031, 3, 2, 12, 0, 0, 0, time.UTC)

// operator is one who does what the plan says next, and the archive it fills.
type operator struct {
	plan    *setup.Plan
	held    compare.Holdings
	changes int // of a rig's setup
	order   map[compare.Station][]int
}

func newOperator(p *setup.Plan) *operator {
	return &operator{plan: p, order: map[compare.Station][]int{}, held: compare.Holdings{Now: noon, Newest: map[compare.Station]compare.Made{}, Rigs: map[string]compare.Made{}}}
}

// run makes one run and keeps it.
func (b *operator) run(c setup.Cell) {
	at := compare.Station{Rig: c.Rig, Setup: c.Setup}
	n := len(b.held.Made)
	m := compare.Made{ID: fmt.Sprint(n), Rig: c.Rig, Workload: c.Workload, Version: "1", Setup: c.Setup, Started: noon.Add(time.Duration(n-1000) * time.Minute), Standing: drift.Clean}
	if last, ok := b.held.Rigs[c.Rig]; ok && last.Setup != c.Setup {
		b.changes++
	}
	b.held.Made = append(b.held.Made, m)
	b.held.Newest[at], b.held.Rigs[c.Rig] = m, m
	b.order[at] = append(b.order[at], n)
}

// Following next to the end is there and back: two setups are changed twice
// between, and neither comes before the other.
func TestCoverageNextInterleaves(t *testing.T) {
	for _, c := range []struct {
		setups, rounds, changes int
		rigs                    string
	}{{2, 2, 2, "'heron'"}, {3, 2, 4, "'heron'"}, {2, 4, 4, "'heron'"}, {2, 2, 4, "'heron', 'plover'"}, {2, 1, 1, "'heron'"}} {
		var setups []string
		for i := range c.setups {
			setups = append(setups, fmt.Sprintf("'s%d'", i))
		}
		p := plan(t, fmt.Sprintf("repeats = 6\nrounds = %d\n[[cell]]\nworkload = ['orrery', 'dome-encode']\nrig = [%s]\nsetup = [%s]\n", c.rounds, c.rigs, strings.Join(setups, ",")))
		b := newOperator(p)
		for got := compare.Cover(p, b.held); got.Next != nil; got = compare.Cover(p, b.held) {
			if len(b.held.Made) > 200 {
				t.Fatal("it does not end")
			}
			for range got.Next.Repeats {
				b.run(got.Next.Cell)
			}
		}
		if b.changes != c.changes {
			t.Errorf("%+v: %d changes of setup", c, b.changes)
		}
		for x, runs := range b.order {
			for y, others := range b.order {
				if c.rounds > 1 && x != y && x.Rig == y.Rig && stats.OrderConfounded(runs, others) {
					t.Errorf("%+v: all of %v came before or after all of %v", c, x, y)
				}
			}
		}
	}
}

// Property: whatever was run before, following next ends with a complete plan
// after exactly the repeats that were missing.
func TestCoverageNextEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &setup.Plan{Rounds: rapid.IntRange(1, 5).Draw(t, "rounds")}
		for _, r := range []string{"heron", "plover"} {
			for s := range rapid.IntRange(1, 3).Draw(t, "setups") {
				p.Cells = append(p.Cells, setup.Cell{Workload: "orrery", Rig: r, Setup: fmt.Sprint(s), Repeats: rapid.IntRange(1, 7).Draw(t, "repeats")})
			}
		}
		b := newOperator(p)
		for range rapid.IntRange(0, 10).Draw(t, "before") {
			b.run(p.Cells[rapid.IntRange(0, len(p.Cells)-1).Draw(t, "cell")])
		}
		c := compare.Cover(p, b.held)
		for left := c.Missing(); left > 0; left-- {
			if c.Complete() {
				t.Fatalf("complete with %d missing", left)
			}
			b.run(c.Next.Cell)
			c = compare.Cover(p, b.held)
			if c.Missing() != left-1 {
				t.Fatalf("%d missing after a run, %d before", c.Missing(), left)
			}
		}
		if !c.Complete() {
			t.Fatalf("next %+v with nothing missing", c.Next)
		}
	})
}

// What counts and what does not, and why.
func TestCoverageStates(t *testing.T) {
	p := plan(t, "stale_after = '30d'\nrepeats = 2\n[[cell]]\nworkload = 'orrery'\nrig = ['heron', 'plover', 'avocet', 'snipe', 'dunlin']\n")
	text := func(k rig.Key, s string) rig.Fact { return rig.Fact{Key: k, Value: rig.TextOf(s)} }
	old, changed, noted := [32]byte{1}, [32]byte{2}, [32]byte{3}
	h := compare.Holdings{Now: noon, Newest: map[compare.Station]compare.Made{}, Rigs: map[string]compare.Made{}, States: map[[32]byte]rig.Snapshot{
		old:     rig.NewSnapshot(noon, []rig.Fact{text("kernel.release", "6.1"), text("kernel.taint", "0")}),
		changed: rig.NewSnapshot(noon, []rig.Fact{text("kernel.release", "6.12"), text("kernel.taint", "0")}),
		noted:   rig.NewSnapshot(noon, []rig.Fact{text("kernel.release", "6.1"), text("kernel.taint", "1")}),
	}}
	add := func(r string, days int, standing drift.Standing, version string, configuration [32]byte) {
		m := compare.Made{ID: fmt.Sprintf("%s-%d", r, len(h.Made)), Rig: r, Workload: "orrery", Version: version, Started: noon.AddDate(0, 0, -days), Standing: standing, Configuration: configuration}
		h.Made = append(h.Made, m)
		if standing == drift.Clean {
			h.Newest[compare.Station{Rig: r}] = m
		}
	}
	add("heron", 3, drift.Clean, "3", old)
	add("heron", 2, drift.Clean, "3", noted) // a note does not make stale
	add("plover", 40, drift.Clean, "3", old)
	add("plover", 3, drift.Clean, "2", old)
	add("plover", 2, drift.Clean, "3", old)
	add("plover", 1, drift.Clean, "3", changed)
	add("avocet", 1, drift.Voided, "3", old)
	add("snipe", 1, drift.Careful, "3", old)
	c := compare.Cover(p, h)
	var got []string
	for _, x := range c.Cells {
		got = append(got, fmt.Sprintf("%s %s: %d done %d void %d stale %d caution %d missing %s", x.Rig, x.State(), len(x.Done), len(x.Void), len(x.Stale), len(x.Caution), x.Missing, strings.Join(x.Because, "|")))
	}
	want := []string{
		"heron done: 2 done 0 void 0 stale 0 caution 0 missing ",
		"plover missing: 1 done 0 void 3 stale 0 caution 1 missing older than the plan allows|version 2, 3 counts|kernel.release moved since",
		"avocet void: 0 done 1 void 0 stale 0 caution 2 missing ",
		"snipe missing: 0 done 0 void 0 stale 1 caution 2 missing ",
		"dunlin missing: 0 done 0 void 0 stale 0 caution 2 missing ",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	p.Caution = true
	if x := compare.Cover(p, h).Cells[3]; len(x.Done) != 1 || x.Missing != 1 {
		t.Errorf("%+v", x)
	}
}
