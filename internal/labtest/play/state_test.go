package play

import (
	"fmt"
	"strings"
	"testing"

	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// block plays the first run of the scenario with more in its block.
func block(t *testing.T, more string) (*Block, *record.Run) {
	t.Helper()
	b := load(t, write(t, one+more)).Blocks[0]
	return b, runs(t, b)[0].Run
}

func TestSetFacts(t *testing.T) {
	b, r := block(t, `set = { "memory.speed" = 2400, "cpu.clock_max" = 3600, "firmware.version" = "1.08", "memory.module[].part" = "MM4-X", "cpu.turbo" = false, "cpu.microcode" = 48, "cpu.nohz_full" = "2-3" }`)
	for _, c := range []struct{ key, want string }{
		{"memory.speed", "2400 MT/s"}, {"memory.module[DIMM_A2].speed", "2400 MT/s"}, {"memory.module[DIMM_B2].speed", "2400 MT/s"},
		{"memory.rated_speed", "3200 MT/s"}, {"cpu.clock_max", "3600 MHz"}, {"cpu.clock_limit", "3600 MHz"}, {"cpu.clock_base", "3400 MHz"},
		{"firmware.version", "1.08"}, {"memory.module[DIMM_A2].part", "MM4-X"}, {"memory.module[DIMM_B2].part", "MM4-X"},
		{"cpu.turbo", "no"}, {"cpu.microcode", "48"}, {"cpu.nohz_full", "2-3"}, {"cpu.kinds", "unread: absent"},
	} {
		for _, s := range []rig.Snapshot{r.Before, r.After} {
			if f, _ := s.Find(rig.Key(c.key)); f.String() != c.want {
				t.Errorf("%s = %s, not %s", c.key, f, c.want)
			}
		}
	}
	if b.state.clock != 3600 || b.state.memory != 2400 {
		t.Errorf("the model runs at %v MHz and %v MT/s", b.state.clock, b.state.memory)
	}
	want := `label = "memory-rated"
rig   = "heron"

[expect]
"memory.speed" = 2400
"cpu.clock_max" = 3600
"firmware.version" = "1.08"
"cpu.turbo" = false
"cpu.microcode" = "48"
"cpu.nohz_full" = "2-3"
`
	if _, got, _ := strings.Cut(string(r.Setup.Source), "\n"); got != want {
		t.Errorf("the setup is made up as\n%s", got)
	}
}

// A part that is set by itself keeps its own value.
func TestSetPartWins(t *testing.T) {
	_, r := block(t, `set = { "memory.module[DIMM_A2].speed" = 2666, "memory.speed" = 2400 }`)
	a, _ := r.Before.Number("memory.module[DIMM_A2].speed")
	b, _ := r.Before.Number("memory.module[DIMM_B2].speed")
	if a != 2666 || b != 2400 {
		t.Errorf("%v and %v", a, b)
	}
}

// What is unread is hidden with the parts that would tell it; the model runs at
// what is there all the same.
func TestSetUnread(t *testing.T) {
	for _, c := range []struct {
		set    string
		memory float64
	}{{`{ unread = "denied" }`, 3200}, {`{ value = 2400, unread = "denied" }`, 2400}} {
		b, r := block(t, `set = { "memory.speed" = `+c.set+` }`)
		for _, k := range []rig.Key{"memory.speed", "memory.module[DIMM_A2].speed"} {
			if f, _ := r.Before.Find(k); f.Unread.Reason != rig.Denied {
				t.Errorf("%s: %s", k, f)
			}
		}
		if b.state.memory != c.memory || strings.Contains(string(r.Setup.Source), "memory.speed") {
			t.Errorf("%s: the model runs at %v MT/s, the setup is\n%s", c.set, b.state.memory, r.Setup.Source)
		}
	}
	b, r := block(t, `set = { "cpu.clock_max" = { unread = "refused" } }`)
	if f, _ := r.Before.Find("cpu.clock_limit"); !f.Read() || b.state.clock != 4200 {
		t.Errorf("%s, and the model runs at %v MHz", f, b.state.clock)
	}
}

// A tree that reads nothing stays unread, but for what is set.
func TestHiddenRig(t *testing.T) {
	b := load(t, write(t, strings.Replace(one, "RIGS/heron", "RIGS/hidden", 1)+`set = { "memory.speed" = 2400 }`)).Blocks[0]
	r := runs(t, b)[0]
	if f, _ := r.Before.Find("memory.speed"); f.String() != "2400 MT/s" {
		t.Errorf("%s", f)
	}
	for _, k := range []rig.Key{"memory.rated_speed", "cpu.clock_max", "firmware.version"} {
		if f, _ := r.Before.Find(k); k != "firmware.version" && f.Read() {
			t.Errorf("%s = %s", k, f)
		}
	}
	for _, s := range r.Signals {
		if s.Key.Family() == "cpu[].clock" && len(s.Values) > 0 {
			t.Errorf("%s has samples", s.Key)
		}
	}
	if b.state.clock != 0 {
		t.Errorf("the clock is %v", b.state.clock)
	}
}

// The groups of cores of a rig with two kinds keep their own clocks where the new
// highest one allows it.
func TestTwoKindsOfCores(t *testing.T) {
	for _, c := range []struct {
		max               float64
		fast, slow, limit float64
	}{{5200, 5200, 3800, 5200}, {4500, 4500, 3800, 4500}, {3000, 3000, 3000, 3000}} {
		text := strings.Replace(one, "RIGS/heron", "RIGS/plover", 1) + fmt.Sprintf("set = { \"cpu.clock_max\" = %v }\n", c.max)
		b := load(t, write(t, text)).Blocks[0]
		r := runs(t, b)[0]
		for k, want := range map[rig.Key]float64{
			"cpu.policy[0-1].clock_max": c.fast, "cpu.policy[2-5].clock_max": c.slow, "cpu.policy[0-1].clock_limit": c.fast,
			"cpu.policy[2-5].clock_limit": c.slow, "cpu.clock_limit": c.limit,
		} {
			if got, _ := r.Before.Number(k); got != want {
				t.Errorf("highest %v: %s = %v, not %v", c.max, k, got, want)
			}
		}
		for _, s := range r.Signals {
			want := map[rig.Key]float64{"cpu[0-1].clock": c.fast, "cpu[2-5].clock": c.slow, "cpu.policy[0-1].clock_limit": c.fast, "cpu.policy[2-5].clock_limit": c.slow}[s.Key]
			if want > 0 && (s.At(0) < 0.99*want || s.At(0) > 1.01*want) {
				t.Errorf("highest %v: %s is measured at %v, not %v", c.max, s.Key, s.At(0), want)
			}
		}
	}
}

func signal(t *testing.T, r *record.Run, k rig.Key) rig.Signal {
	t.Helper()
	for _, s := range r.Signals {
		if s.Key == k {
			return s
		}
	}
	t.Fatalf("no signal %s", k)
	return rig.Signal{}
}

const sensor = "temperature[coretemp/coretemp.0 Package id 0]"

func TestSignals(t *testing.T) {
	_, r := block(t, "temperature = 70\nother_load = 20\n"+`set = { "cpu.clock" = 3900 }`)
	mean := func(k rig.Key) (sum float64) {
		s := signal(t, r, k)
		for i := range s.Values {
			sum += s.At(i) / float64(len(s.Values))
		}
		return sum
	}
	if f, ok := r.Before.Find("cpu.clock"); ok {
		t.Errorf("the measured clock became a fact: %s", f)
	}
	for k, want := range map[rig.Key]float64{"cpu[0].clock": 3900, "load.other": 20, "load.workload": 79, "load.total": 99} {
		if got := mean(k); got < 0.98*want || got > 1.02*want {
			t.Errorf("%s is %v on average, not %v", k, got, want)
		}
	}
	heat := signal(t, r, sensor)
	n := len(heat.Values)
	// After 5 s of a first-order response with 6 s: 41 + 29 (1 - e^(-5/6)).
	if heat.At(0) > 43 || heat.At(n-1) < 55 || heat.At(n-1) > 61 {
		t.Errorf("it warms from %v to %v", heat.At(0), heat.At(n-1))
	}
	if after, _ := r.After.Number(sensor); after != heat.At(n-1) {
		t.Errorf("%v after the run, and %v at its end", after, heat.At(n-1))
	}
	if joules := signal(t, r, "energy[package-0]"); joules.At(len(joules.Values)-1) <= joules.At(0) || !joules.Counter {
		t.Error("no energy is used")
	}
}

func TestThrottleIsSeen(t *testing.T) {
	_, r := block(t, `throttle = { after = "2s", clock = 2200 }`)
	clock := signal(t, r, "cpu[0].clock")
	if first, last := clock.At(0), clock.At(len(clock.Values)-1); first < 4150 || last > 2250 {
		t.Errorf("the clock goes from %v to %v", first, last)
	}
	events := signal(t, r, "throttle[cpu0 core].count")
	counted, _ := r.After.Number("cpu.throttle_count")
	if n := events.At(len(events.Values)-1) - events.At(0); n < 2 || n > counted || counted > 4 {
		t.Errorf("%v events sampled, %v counted", n, counted)
	}
}
