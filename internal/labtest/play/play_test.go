package play

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/stats"
	"witnessmark/internal/timing"
)

const scenarios = "../../../testdata/planetarium/"

// load reads a scenario of the repository.
func load(t *testing.T, file string) *Play {
	t.Helper()
	p, err := Load(file)
	if err != nil {
		t.Fatalf("%v (hint: %s)", err, fault.HintOf(err))
	}
	t.Cleanup(func() { p.Close() })
	return p
}

// write puts a scenario beside a link to the rigs and gives its file.
func write(t *testing.T, text string) string {
	t.Helper()
	rigs, err := filepath.Abs(scenarios + "../rigs")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "x.toml")
	if err := os.WriteFile(file, []byte(strings.ReplaceAll(text, "RIGS", filepath.ToSlash(rigs))), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func runs(t *testing.T, b *Block) (out []labtest.Run) {
	t.Helper()
	for r, err := range b.Runs(context.Background()) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

func durations(t *testing.T, r labtest.Run) []int64 {
	t.Helper()
	log, err := timing.Parse(r.Data[0], r.Logs[0].Spec)
	if err != nil {
		t.Fatal(err)
	}
	return log.Durations
}

const one = `seed = 7
[[rig]]
name = "heron"
tree = "RIGS/heron"
[[workload]]
name = "orrery"
version = "3"
noise  = 0.006
jitter = 0.03
lead_in = 0.4
scenes = [ { seconds = 3, ms = 8.0,  clock = 0.6, memory = 0.2 }, { seconds = 2, ms = 12.5, clock = 0.2, memory = 0.7 } ]
reference = { clock = 4100, memory = 3200 }
[[block]]
rig = "heron"
workload = "orrery"
setup = "memory-rated"
repeats = 3
at = "2031-03-02T09:00:00Z"
`

// Every scenario of the repository can be played, says that it is invented, and
// so does every one of its records, of its set facts and of its moving signals.
func TestScenariosSayWhatTheyAre(t *testing.T) {
	files, err := filepath.Glob(scenarios + "*.toml")
	if err != nil || len(files) < 5 {
		t.Fatalf("%v %v", files, err)
	}
	for _, file := range files {
		p := load(t, file)
		if !regexp.MustCompile(`invented; nothing[\s#]+was measured`).Match(p.Scenario.Source) {
			t.Errorf("%s does not say that it is invented", file)
		}
		for _, b := range p.Blocks[:min(len(p.Blocks), 10)] {
			for r := range b.Runs(context.Background()) {
				saysPlayed(t, b, r)
				break
			}
		}
	}
}

func saysPlayed(t *testing.T, b *Block, r labtest.Run) {
	t.Helper()
	if !strings.HasPrefix(r.Played, "by testdata/planetarium from "+filepath.Base(b.scenario.File)) {
		t.Errorf("%s: played %q", r.ID, r.Played)
	}
	if err := r.Signed.Verify(); err != nil {
		t.Error(err)
	}
	back, err := record.Decode(r.Signed.Bytes)
	if err != nil || back.Played != r.Played || !strings.Contains(string(back.Workload.Source), "# Played:") {
		t.Errorf("%s: %v", r.ID, err)
	}
	if b.SetupFile == "" && !strings.Contains(string(back.Setup.Source), "# Played:") {
		t.Errorf("%s: setup %s", r.ID, back.Setup.Source)
	}
	tree := b.stage.snapshot
	for _, s := range []rig.Snapshot{back.Before, back.After} {
		for _, f := range s.Facts {
			was, _ := tree.Find(f.Key)
			if (f.Value != was.Value || f.Unread.Reason != was.Unread.Reason) && f.Key != "kernel.uptime" && !strings.HasPrefix(f.Source, "played: ") {
				t.Errorf("%s: %s = %v from %s", r.ID, f.Key, f, f.Source)
			}
		}
	}
	for _, s := range back.Signals {
		for _, v := range s.Values {
			if v != s.Values[0] && !strings.HasPrefix(s.Source, "played: ") {
				t.Errorf("%s: %s moves, from %s", r.ID, s.Key, s.Source)
				break
			}
		}
	}
}

// The same scenario plays the same bytes; another seed plays other ones.
func TestSameSeedSameRuns(t *testing.T) {
	play := func(text string) []labtest.Run { return runs(t, load(t, write(t, text)).Blocks[0]) }
	first, again, other := play(one), play(one), play(strings.Replace(one, "seed = 7", "seed = 8", 1))
	met := map[string]bool{}
	for i, r := range first {
		if !bytes.Equal(r.Signed.Bytes, again[i].Signed.Bytes) || !bytes.Equal(r.Data[0], again[i].Data[0]) || !bytes.Equal(r.Signed.Signature, again[i].Signed.Signature) {
			t.Errorf("run %d differs from itself", i)
		}
		if bytes.Equal(r.Data[0], other[i].Data[0]) || r.ID == other[i].ID {
			t.Errorf("run %d does not depend on the seed", i)
		}
		if met[r.ID] || r.Repeat != i+1 || r.Repeats != 3 || r.Group != first[0].ID || i > 0 && (r.Started.Sub(first[i-1].Started) != first[i-1].Elapsed+setup.DefaultPause) {
			t.Errorf("run %d: %s, group %q, repeat %d of %d, started %v", i, r.ID, r.Group, r.Repeat, r.Repeats, r.Started)
		}
		met[r.ID] = true
	}
	if want := time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC); !first[0].Started.Equal(want) || !strings.HasPrefix(first[0].ID, "20310302-090000-") {
		t.Errorf("%s started %v", first[0].ID, first[0].Started)
	}
}

func TestSessions(t *testing.T) {
	got := runs(t, load(t, write(t, one+"sessions = 2\nevery = \"12h\"\nfactor = 0.5\ndrift = 0.9\n")).Blocks[0])
	if len(got) != 6 || got[3].Started.Sub(got[0].Started) != 12*time.Hour || got[3].Group != got[3].ID || got[4].Group != got[3].ID {
		t.Fatalf("%d runs", len(got))
	}
	rate := func(r labtest.Run) float64 { return float64(r.Logs[0].Rows) / r.Elapsed.Seconds() }
	// The drift goes on over sessions: five steps of 0.9.
	if ratio := rate(got[5]) / rate(got[0]); math.Abs(ratio/math.Pow(0.9, 5)-1) > 0.04 {
		t.Errorf("ratio of the last to the first %v", ratio)
	}
}

// A clock share and a memory share come back as elasticities, by the statistics
// that read grids, and what limits each workload is named right.
func TestGridRecoversShares(t *testing.T) {
	p := load(t, scenarios+"scaling.toml")
	cells := map[string]map[[2]float64]*stats.Cell{}
	for _, b := range p.Blocks {
		at := [2]float64{b.state.memory, b.state.clock}
		if cells[b.Workload.Name] == nil {
			cells[b.Workload.Name] = map[[2]float64]*stats.Cell{}
		}
		c := cells[b.Workload.Name][at]
		if c == nil {
			c = &stats.Cell{X: b.state.memory}
			if at[0] > 2400 {
				c.A = 1
			}
			if at[1] > 3500 {
				c.B = 1
			}
			cells[b.Workload.Name][at] = c
		}
		for _, r := range runs(t, b) {
			c.Rates = append(c.Rates, float64(r.Logs[0].Rows)/r.Elapsed.Seconds())
			c.Z = measured(t, r)
		}
	}
	for name, want := range map[string]stats.ReadingID{
		"orrery-stars": stats.ReadMainly, "orrery-mirrors": stats.ReadMainly, "orrery-clouds": stats.ReadShared, "orrery-still": stats.ReadLimitedElsewhere,
	} {
		var list []stats.Cell
		for _, c := range cells[name] {
			list = append(list, *c)
		}
		s := stats.Scale(list, stats.ScalingOptions{})
		if len(s.Readings) == 0 || s.Readings[0].ID != want {
			t.Errorf("%s: %+v", name, s.Readings)
			continue
		}
		memory, clock := gridElasticities(p, name)
		if math.Abs(s.A.Elasticity.Value-memory) > 4*s.A.SE || math.Abs(s.B.Elasticity.Value-clock) > 4*s.B.SE || s.A.SE > 0.05 || s.B.SE > 0.05 {
			t.Errorf("%s: memory %v +- %v, not %v; clock %v +- %v, not %v", name, s.A.Elasticity.Value, s.A.SE, memory, s.B.Elasticity.Value, s.B.SE, clock)
		}
	}
}

// measured is the mean clock under load, from the signals.
func measured(t *testing.T, r labtest.Run) float64 {
	t.Helper()
	for _, s := range r.Signals {
		if s.Key == "cpu[0].clock" {
			sum := 0.0
			for i := range s.Values {
				sum += s.At(i)
			}
			return sum / float64(len(s.Values))
		}
	}
	t.Fatal("no clock was sampled")
	return 0
}

// gridElasticities works the mean arc elasticities of the grid out from the
// model alone, by hand: frame time = clock 4100/f + memory 3200/m + rest.
func gridElasticities(p *Play, name string) (memory, clock float64) {
	for _, w := range p.Scenario.Workloads {
		if w.Name != name {
			continue
		}
		s := w.Scenes[0] // both have the same shares
		time := func(m, f float64) float64 { return s.Clock*4100/f + s.Memory*3200/m + 1 - s.Clock - s.Memory }
		for _, f := range []float64{3500, 4100} {
			memory += math.Log(time(2400, f)/time(3200, f)) / math.Log(3200.0/2400) / 2
		}
		for _, m := range []float64{2400, 3200} {
			clock += math.Log(time(m, 3500)/time(m, 4100)) / math.Log(4100.0/3500) / 2
		}
	}
	return memory, clock
}

// One scene 1.5 times apart, the flight 2.35 s later: both are found; between
// repeats of one rig nothing is.
func TestLeadInIsFound(t *testing.T) {
	p := load(t, scenarios+"lead-in.toml")
	var sides [2][][]int64
	for i, b := range p.Blocks {
		for _, r := range runs(t, b) {
			sides[i] = append(sides[i], durations(t, r))
		}
	}
	opt := stats.MomentOptions{Align: stats.AlignOptions{Advance: stats.ByTime}}
	m := stats.CompareMoments(sides[0], sides[1], opt)
	for _, al := range m.AlignedB {
		if d := al.Lag - 2350*time.Millisecond; !al.Usable() || d.Abs() > 20*time.Millisecond {
			t.Errorf("offset %v: %+v", al.Lag, al.Grade)
		}
	}
	from, to := 24*time.Second, 34*time.Second
	if !m.Claimed || m.Largest.Start < from || m.Largest.Start+m.Window > to || math.Abs(m.Largest.Ratio/1.5-1) > 0.02 {
		t.Errorf("claimed %v: %+v", m.Claimed, m.Largest)
	}
	if m := stats.CompareMoments(sides[0][:2], sides[0][2:], opt); m.Claimed {
		t.Errorf("a gap is claimed between repeats of one rig: %+v", m.Largest)
	}
}

func TestLoadRefuses(t *testing.T) {
	for _, c := range []struct{ name, text, want, hint string }{
		{"unknown fact", one + "set = { \"memory.sped\" = 2400 }\n", `x.toml:19: unknown fact "memory.sped"`, `"memory.speed"`},
		{"a text for a number", one + "set = { \"memory.speed\" = \"fast\" }\n", `x.toml:19: "memory.speed": the fact is a number, not a text`, "agent facts --json"},
		{"a number for a truth", one + "set = { \"cpu.turbo\" = 1 }\n", `x.toml:19: "cpu.turbo": the fact is true or false, not a number`, "agent facts --json"},
		{"a clock of nothing", one + "set = { \"cpu.clock_max\" = 0 }\n", `x.toml:19: "cpu.clock_max": it is not above zero`, "MHz"},
		{"no such part", one + "set = { \"cpu.policy[].clock_max\" = 3000 }\n", `x.toml:19: "cpu.policy[].clock_max": the rig has no such part`, "brackets"},
		{"no such tree", strings.Replace(one, "RIGS/heron", "RIGS/hereon", 1), `x.toml:2: open captured tree`, "relative to the scenario"},
		{"no such tree in a block", one + "tree = \"nowhere\"\n", `x.toml:13: open captured tree`, "relative to the scenario"},
		{"not a tree", strings.Replace(one, "RIGS/heron", "RIGS", 1), `x.toml:2: no captured tree`, "proc and sys"},
		{"no such setup file", strings.Replace(one, "setup = \"memory-rated\"", "setup_file = \"lost.toml\"", 1), `x.toml:13: setup_file lost.toml: no such file`, "relative"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := Load(write(t, c.text))
			if err == nil {
				p.Close()
				t.Fatal("taken")
			}
			if !strings.Contains(err.Error(), c.want) || !strings.Contains(fault.HintOf(err), c.hint) {
				t.Errorf("%v (hint: %s)", err, fault.HintOf(err))
			}
		})
	}
	if _, err := Load("nowhere.toml"); err == nil || !strings.Contains(fault.HintOf(err), "--scenario") {
		t.Error(err)
	}
}

// A block that is broken off in the middle stops with the context's reason.
func TestRunsStop(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	n := 0
	for _, err := range load(t, write(t, one)).Blocks[0].Runs(ctx) {
		if n++; n == 1 {
			stop()
		} else if err != context.Canceled {
			t.Error(err)
		}
	}
	if n != 2 {
		t.Errorf("%d runs", n)
	}
}
