package setup

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

const played = `seed = 7
[[rig]]
name = "heron"
tree = "../rigs/heron"          # a captured tree, relative to this file
[[workload]]
name = "orrery"
version = "3"
noise  = 0.006
jitter = 0.03
lead_in = 0.4
scenes = [
  { seconds = 10, ms = 8.0,  clock = 0.6, memory = 0.2 },
  { seconds = 15, ms = 12.5, clock = 0.2, memory = 0.7 },
]
reference = { clock = 4100, memory = 3200 }
[[block]]
rig = "heron"
workload = "orrery"
setup = "memory-rated"
repeats = 5
set = { "memory.speed" = 2400, "cpu.clock_max" = 4100, "firmware.version" = "1.08" }
factor = 1.0
at = "2031-03-02T09:00:00Z"
`

func TestParseScenario(t *testing.T) {
	s, err := ParseScenario("planetarium.toml", []byte(played))
	if err != nil {
		t.Fatal(err)
	}
	heron := PlayedRig{Name: "heron", Tree: "../rigs/heron", Line: 2}
	orrery := PlayedWorkload{
		Name: "orrery", Version: "3", Content: ByTime, Noise: 0.006, Jitter: 0.03, LeadIn: 400 * time.Millisecond,
		Scenes: []Scene{
			{Duration: 10 * time.Second, FrameMS: 8, Clock: 0.6, Memory: 0.2},
			{Duration: 15 * time.Second, FrameMS: 12.5, Clock: 0.2, Memory: 0.7},
		},
		ClockMHz: 4100, MemoryMTps: 3200, Line: 5,
	}
	want := &Scenario{
		File: "planetarium.toml", Source: []byte(played), Seed: 7, Rigs: []PlayedRig{heron}, Workloads: []PlayedWorkload{orrery},
		Blocks: []Block{{
			Rig: heron, Workload: orrery, Setup: "memory-rated", At: time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC), Repeats: 5,
			Pause: DefaultPause, Sessions: 1, Every: 24 * time.Hour, Factor: 1, Drift: 1, Line: 16,
			Set: []SetFact{
				{Key: "memory.speed", Value: num("2400", 2400), Line: 21}, {Key: "cpu.clock_max", Value: num("4100", 4100), Line: 21},
				{Key: "firmware.version", Value: TextOf("1.08"), Line: 21},
			},
		}},
	}
	if d := cmp.Diff(want, s); d != "" {
		t.Error(d)
	}
}

// What a block may further have, in the other spellings of TOML.
func TestScenarioBlock(t *testing.T) {
	s, err := ParseScenario("x.toml", []byte(strings.Split(played, "setup = ")[0]+`
version = "3"
tree = "../rigs/heron-default"
setup_file = "heron.toml"
at = 2031-03-02T11:00:00+02:00
repeats = 2
pause = "90s"
sessions = 3
every = "12h"
drift = 0.99
lead_in = 2.35
temperature = 70
other_load = 12.5
throttle = { after = "12s", clock = 2200 }
set.memory.speed = { unread = "denied" }
set."cpu.governor" = { value = "powersave", unread = "refused" }
[block.set.cpu]
turbo = false
`))
	if err != nil {
		t.Fatal(err)
	}
	b := s.Blocks[0]
	lead, warm, other := 2350*time.Millisecond, 70.0, 12.5
	want := Block{
		Rig: s.Rigs[0], Workload: s.Workloads[0], Line: b.Line, Tree: "../rigs/heron-default", SetupFile: "heron.toml",
		At: time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC), Repeats: 2, Pause: 90 * time.Second, Sessions: 3, Every: 12 * time.Hour,
		Factor: 1, Drift: 0.99, LeadIn: &lead, Temperature: &warm, OtherLoad: &other, Throttle: &Throttle{12 * time.Second, 2200},
		Set: []SetFact{
			{Key: "memory.speed", Unread: "denied", Line: b.Set[0].Line},
			{Key: "cpu.governor", Value: TextOf("powersave"), Unread: "refused", Line: b.Set[1].Line},
			{Key: "cpu.turbo", Value: TruthOf(false), Line: b.Set[2].Line},
		},
	}
	if d := cmp.Diff(want, b); d != "" {
		t.Error(d)
	}
}

func TestScenarioByFrames(t *testing.T) {
	s, err := ParseScenario("x.toml", []byte(strings.NewReplacer("seconds = 10", "frames = 600", "seconds = 15", "frames = 900").Replace(played)))
	if err != nil {
		t.Fatal(err)
	}
	if w := s.Workloads[0]; w.Content != ByFrame || w.Scenes[1].Frames != 900 || w.Scenes[1].Duration != 0 {
		t.Errorf("%+v", w)
	}
}

func TestScenarioRefusals(t *testing.T) {
	with := func(old, replacement string) string {
		if !strings.Contains(played, old) {
			t.Fatalf("no %q to replace", old)
		}
		return strings.Replace(played, old, replacement, 1)
	}
	for _, c := range []refusal{
		{"misspelt at the top", with("seed = 7", "sed = 7"), `x.toml:1: unknown key "sed"`, `"seed"`},
		{"misspelt in rig", with("tree =", "tre ="), `x.toml:4: unknown key "tre"`, `"tree"`},
		{"misspelt in workload", with("jitter", "jiter"), `x.toml:9: unknown key "jiter"`, `"jitter"`},
		{"misspelt in a scene", with("{ seconds = 15", "{ second = 15"), `x.toml:13: unknown key "second"`, `"seconds"`},
		{"misspelt in reference", with("clock = 4100, m", "clocks = 4100, m"), `x.toml:15: unknown key "clocks"`, `"clock"`},
		{"misspelt in block", with("repeats = 5", "repeat = 5"), `x.toml:20: unknown key "repeat"`, `"repeats"`},
		{"of another table", with("repeats = 5", "noise = 0.1"), `x.toml:20: unknown key "noise"`, `in [[workload]]`},
		{"misspelt in set", with(`"memory.speed" = 2400`, `"memory.speed" = { unred = "denied", value = 1 }`), `x.toml:21: unknown key "unred"`, `"unread"`},
		{"misspelt in throttle", played + `throttle = { afer = "1s", clock = 2 }`, `x.toml:24: unknown key "afer"`, `"after"`},

		{"empty", "", `x.toml:1: no [[rig]] is given`, "at least one"},
		{"no block", strings.Split(played, "[[block]]")[0], `x.toml:1: no [[block]] is given`, "at least one"},
		{"rig is a table", with("[[rig]]", "[rig]"), `x.toml:2: rig is a table, not a list of tables`, "[[rig]]"},
		{"no tree", with("tree = ", "# "), `x.toml:2: no tree in [[rig]] is given`, "agent facts --save"},
		{"no scenes", strings.Split(played, "scenes")[0] + "[[block]]" + strings.Split(played, "[[block]]")[1], `x.toml:5: no scenes in [[workload]] is given`, "add scenes ="},
		{"no ms", with("ms = 8.0,", ""), `x.toml:12: no ms in scenes is given`, "reference state"},
		{"no time", with(`at = "2031-03-02T09:00:00Z"`, ""), `x.toml:16: no at in [[block]] is given`, `at = "2031`},

		{"seed broken", with("seed = 7", "seed = 7.5"), `x.toml:1: seed is not a whole number`, "seed = 7"},
		{"noise negative", with("0.006", "-0.1"), `x.toml:8: noise is -0.1`, "from 0 to 1"},
		{"ms zero", with("ms = 8.0", "ms = 0"), `x.toml:12: ms is 0`, "from 0.001"},
		{"shares above 1", with("clock = 0.6", "clock = 0.9"), `x.toml:12: clock 0.9 and memory 0.2 are more than the whole frame time`, "add up to 1"},
		{"neither seconds nor frames", with("seconds = 10, ", ""), `x.toml:12: a scene needs seconds or frames`, "frames = 600"},
		{"both", with("seconds = 10", "seconds = 10, frames = 9"), `x.toml:12: a scene has both seconds and frames`, "frames = 600"},
		{"mixed", with("seconds = 15", "frames = 15"), `x.toml:13: the scenes of a workload are given in seconds and in frames`, "all scenes"},
		{"no reference", strings.Replace(played, "reference = { clock = 4100, memory = 3200 }", "", 1), `x.toml:12: the scene scales with the clock, and the workload has no reference clock`, "reference ="},
		{"too short", strings.NewReplacer("seconds = 10", "seconds = 0.1", "seconds = 15", "seconds = 0.1").Replace(played), `x.toml:11: all scenes last 0.6 s together`, "longer"},
		{"too long", with("seconds = 10", "seconds = 14399"), `x.toml:11: all scenes last 1.44e+04 s together; 4h0m0s is the most that is played`, "shorter"},
		{"too many frames", with("seconds = 10, ms = 8.0", "seconds = 10, ms = 0.001"), `x.toml:11: all scenes have 1e+07 frames together; 5000000 are the most that are played`, "shorter"},
		{"rig twice", "[[rig]]\nname = 'heron'\ntree = 'x'\n" + strings.Split(played, "seed = 7\n")[1], `x.toml:5: there is a rig "heron" already`, "another tree"},
		{"unknown rig", with("rig = \"heron\"", "rig = \"heorn\""), `x.toml:17: there is no rig "heorn" in this file`, `"heron"`},
		{"unknown workload", with("workload = \"orrery\"", "workload = \"orery\""), `x.toml:18: there is no workload "orery" in this file`, `"orrery"`},
		{"unknown version", with("repeats = 5", "version = '4'"), `x.toml:20: there is no version "4" of the workload "orrery"`, "3"},
		{"two setups", with("repeats = 5", "setup_file = 'a'"), `x.toml:19: setup and setup_file are both given`, "setup_file alone"},
		{"date alone", with("2031-03-02T09:00:00Z", "2031-03-02"), `x.toml:23: at is not a point in time with an offset from UTC, from 1970 to 2200`, "T09:00:00Z"},
		{"no offset", with(`"2031-03-02T09:00:00Z"`, "2031-03-02T09:00:00"), `x.toml:23: at is not a point in time with an offset from UTC, from 1970 to 2200`, "T09:00:00Z"},
		{"unknown reason", with("= 2400", "= { unread = 'denid' }"), `x.toml:21: unread is "denid", not one of absent denied refused unknown implausible`, `"denied"`},
		{"value in a table alone", with("= 2400", "= { value = 2400 }"), `x.toml:21: no unread in "memory.speed" is given`, "alone"},
		{"set a list", with("= 2400", "= [2400]"), `x.toml:21: "memory.speed" is a list, not a single value`, "a text, a number"},
		{"too many runs", with("repeats = 5", "repeats = 1000\nsessions = 1000"), `x.toml:16: 1000 repeats in each of 1000 sessions are more than 100000 runs`, "less"},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.want = "scenario file: " + c.want
			_, err := ParseScenario("x.toml", []byte(c.file))
			c.run(t, err)
		})
	}
}

func TestScenarioCheck(t *testing.T) {
	s, err := ParseScenario("x.toml", []byte(played))
	if err != nil {
		t.Fatal(err)
	}
	refusal{want: `scenario file: x.toml:21: unknown fact "cpu.clock_max"`, hint: `"cpu.clock_min"`}.run(t,
		s.Check(func(key string) (string, bool) { return "cpu.clock_min", key != "cpu.clock_max" }))
	if err := s.Check(func(string) (string, bool) { return "", true }); err != nil {
		t.Error(err)
	}
}

// Property: what parses parses again from the bytes it kept to the same scenario
// and keeps within the bounds that playing relies on; what does not is refused
// in one line with a position.
func FuzzParseScenario(f *testing.F) {
	f.Add([]byte(played))
	f.Add([]byte("rig=[{name='a',tree='b'}]\nworkload=[{name='w',scenes=[{frames=100,ms=20}]}]\nblock=[{rig='a',workload='w',at=2031-01-01T00:00:00Z,set={a.b={unread='denied'}}}]\n"))
	seed(f, "../../testdata/planetarium/*.toml")
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ParseScenario("x.toml", data)
		if err != nil {
			if s != nil {
				t.Fatal("an error and a scenario")
			}
			oneLiner(t, data, err)
			return
		}
		again, err := ParseScenario("x.toml", s.Source)
		if err != nil || !reflect.DeepEqual(s, again) {
			t.Fatalf("the kept bytes give another scenario: %v", err)
		}
		for _, b := range s.Blocks {
			total := b.Workload.LeadIn
			for _, c := range b.Workload.Scenes {
				total += c.Duration + time.Duration(float64(c.Frames)*c.FrameMS*1e6)
				if !(c.FrameMS > 0) || c.Clock < 0 || c.Memory < 0 || c.Clock+c.Memory > 1.001 {
					t.Fatalf("%+v", c)
				}
			}
			if b.Rig.Name == "" || b.Workload.Name == "" || b.At.IsZero() || b.Repeats < 1 || b.Sessions < 1 || !(b.Factor > 0) || !(b.Drift > 0) || total > 2*longestPlay {
				t.Fatalf("%+v", b)
			}
		}
	})
}
