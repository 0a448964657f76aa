// Package sim makes runs of invented rigs whose true effects are known, so that a
// study can hold what a comparison says against what is so.
//
// A Workload is a fly-through of scenes. Its frame time splits into what scales
// with the core clock, what scales with memory speed, and a rest; a State says
// what both are on the rig. Runs scatter by Noise, frames by Jitter with a lag-1
// correlation of 0.9, as real ones do. Nothing here is measured, and all chance
// comes from the *rand.Rand that is given.
//
//	w := sim.Orrery()
//	bench := sim.NewBench("heron", r)
//	base := bench.Runs(w, 5, sim.Rated)
//	against := bench.Runs(w, 5, sim.Default)
//	truth := w.Ratio(sim.Rated, sim.Default)
package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// Workload is an invented workload.
type Workload struct {
	Name, Version string
	Content       string // "time" or "frame"
	Scenes        []Scene
	Reference     State         // where the scenes' frame times hold
	Noise         float64       // run to run, standard deviation of the log
	Jitter        float64       // frame to frame, standard deviation of the log
	LeadIn        time.Duration // uniform random start offset up to this
}

// Scene is a part of the sequence with its frame time at the reference, and the
// shares of it that scale with clock and memory.
type Scene struct {
	Seconds, Milliseconds float64
	Clock, Memory         float64
}

// State is what a rig runs at, and what no fact explains.
type State struct {
	ClockMHz, MemoryMTps float64
	Factor               float64         // of the rate; 0 means 1
	Scene                map[int]float64 // factors of the rate in single scenes, beside Factor
	Facts                map[string]any  // set beside clock and memory: texts, numbers, truths; nil is denied
	Setup                string          // label
	Lead                 time.Duration   // fixed start offset, in place of a random one
}

// The states of the memory that the invented setups declare.
var (
	Rated   = State{ClockMHz: 4100, MemoryMTps: 3200, Setup: "memory-rated"}
	Default = State{ClockMHz: 4100, MemoryMTps: 2400, Setup: "memory-default"}
)

// Orrery is a fly-through of four scenes, 26 s long.
func Orrery() Workload {
	return Workload{
		Name: "orrery", Version: "3", Content: "time", Reference: Rated, Noise: 0.006, Jitter: 0.03, LeadIn: 400 * time.Millisecond,
		Scenes: []Scene{
			{Seconds: 6, Milliseconds: 8, Clock: 0.6, Memory: 0.2},
			{Seconds: 8, Milliseconds: 12.5, Clock: 0.2, Memory: 0.7},
			{Seconds: 5, Milliseconds: 6.4, Clock: 0.7, Memory: 0.1},
			{Seconds: 7, Milliseconds: 10, Clock: 0.4, Memory: 0.4},
		},
	}
}

// frametime is a scene's frame time in a state, in ms, without chance.
func (w Workload) frametime(i int, s State) float64 {
	c := w.Scenes[i]
	ms := c.Milliseconds * (c.Clock*w.Reference.ClockMHz/s.ClockMHz + c.Memory*w.Reference.MemoryMTps/s.MemoryMTps + 1 - c.Clock - c.Memory)
	return ms / s.factor(i)
}

func (s State) factor(scene int) float64 {
	f := 1.0
	if s.Factor > 0 {
		f = s.Factor
	}
	if g, ok := s.Scene[scene]; ok {
		f *= g
	}
	return f
}

// Rate is the true mean rate in a state, in frames a second.
func (w Workload) Rate(s State) float64 {
	var frames, seconds float64
	for i, c := range w.Scenes {
		n := c.Seconds * 1000 / w.frametime(i, s)
		if w.Content == "frame" {
			n = c.Seconds * 1000 / c.Milliseconds
		}
		frames += n
		seconds += n * w.frametime(i, s) / 1000
	}
	return frames / seconds
}

// Ratio is the true ratio of the mean rates, against over base.
func (w Workload) Ratio(base, against State) float64 { return w.Rate(against) / w.Rate(base) }

// Durations makes the frame times of one run in nanoseconds.
func (w Workload) Durations(r *rand.Rand, s State) []int64 {
	const phi = 0.9
	level := math.Exp(w.Noise * r.NormFloat64())
	x := w.Jitter * r.NormFloat64()
	var out []int64
	frame := func(i int) int64 {
		x = phi*x + w.Jitter*math.Sqrt(1-phi*phi)*r.NormFloat64()
		ns := max(1, int64(w.frametime(i, s)*1e6*level*math.Exp(x)))
		out = append(out, ns)
		return ns
	}
	lead := s.Lead
	if lead == 0 && w.LeadIn > 0 {
		lead = time.Duration(r.Int64N(int64(w.LeadIn)))
	}
	// Scenes end when the sequence says so, by the clock or by the frame.
	at, end := int64(0), int64(lead)
	for at < end {
		at += frame(0)
	}
	for i, c := range w.Scenes {
		if w.Content == "frame" {
			for range int(c.Seconds * 1000 / c.Milliseconds) {
				frame(i)
			}
			continue
		}
		for end += int64(c.Seconds * 1e9); at < end; {
			at += frame(i)
		}
	}
	return out
}

// Bench is an invented rig with a clock of its own.
type Bench struct {
	Name  string
	Facts []rig.Fact // beside clock and memory
	rand  *rand.Rand
	clock time.Time

	groups, repeat int
	group          string
}

// NewBench makes a rig in order: a few facts of every kind.
func NewBench(name string, r *rand.Rand) *Bench {
	text := func(k rig.Key, s string) rig.Fact { return rig.Fact{Key: k, Value: rig.TextOf(s), Source: "sim"} }
	count := func(k rig.Key, f float64, u rig.Unit) rig.Fact {
		return rig.Fact{Key: k, Value: rig.NumberOf(f), Unit: u, Source: "sim"}
	}
	return &Bench{
		Name: name, rand: r, clock: time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC),
		Facts: []rig.Fact{
			text("cpu.model", "Meridian 8"), count("cpu.cores", 8, rig.NoUnit), count("cpu.threads", 16, rig.NoUnit),
			text("cpu.offline", "none"), {Key: "machine.virtual", Value: rig.TruthOf(false), Source: "sim"}, text("cpu.governor", "performance"),
			count("memory.rated_speed", 3200, rig.MTps), count("memory.modules", 2, rig.NoUnit), count("memory.size", 32768, rig.MiB),
			text("memory.module[DIMM_A1].part", "ZN-3200-16"), text("memory.module[DIMM_B1].part", "ZN-3200-16"),
			text("firmware.version", "1.08"), text("graphics[0000:01:00.0].driver_version", "6.1.2"), text("kernel.release", "6.1.0-31"),
			text("machine.serial", "sha256:"+name), text("kernel.boot_id", "sha256:boot"),
			{Key: "platform.profile", Unread: rig.Unread{Reason: rig.Absent}, Source: "sim"},
			count("load.idle_before", 99, rig.Percent),
		},
	}
}

// Runs makes n runs by one command, one after the other.
func (b *Bench) Runs(w Workload, n int, s State) (out []compare.Run) {
	b.groups++
	b.group = fmt.Sprintf("%s-%d", b.Name, b.groups)
	for i := range n {
		b.repeat = i + 1
		out = append(out, b.Run(w, s))
	}
	return out
}

// Wait lets the bench's clock go on.
func (b *Bench) Wait(d time.Duration) { b.clock = b.clock.Add(d) }

// Run makes the next run.
func (b *Bench) Run(w Workload, s State) compare.Run {
	r := compare.Run{
		ID: b.id(), Rig: b.Name, Group: b.group, Repeat: b.repeat,
		Workload: w.Name, WorkloadVersion: w.Version, Content: w.Content, Setup: s.Setup, Started: b.clock, Standing: drift.Clean,
		Durations: w.Durations(b.rand, s), Before: b.snapshot(s), Played: "made by sim",
	}
	for _, ns := range r.Durations {
		r.Elapsed += time.Duration(ns)
	}
	r.After = r.Before
	r.Configuration = r.Before.ConfigurationSHA256()
	if s.Setup != "" {
		r.Declared = map[string]string{"memory.speed": strconv.FormatFloat(s.MemoryMTps, 'f', -1, 64)}
	}
	b.clock = b.clock.Add(r.Elapsed + time.Minute)
	return r
}

func (b *Bench) id() string {
	var five [5]byte
	for i := range five {
		five[i] = byte(b.rand.Uint32())
	}
	return record.NewID(b.clock, five)
}

func (b *Bench) snapshot(s State) rig.Snapshot {
	facts := slices.Clone(b.Facts)
	set := func(k rig.Key, f rig.Fact) {
		f.Key, f.Source = k, "sim"
		facts = slices.DeleteFunc(facts, func(g rig.Fact) bool { return g.Key == k })
		facts = append(facts, f)
	}
	number := func(k rig.Key, f float64, u rig.Unit) { set(k, rig.Fact{Value: rig.NumberOf(f), Unit: u}) }
	number("cpu.clock_max", s.ClockMHz, rig.MHz)
	number("memory.speed", s.MemoryMTps, rig.MTps)
	number("memory.module[DIMM_A1].speed", s.MemoryMTps, rig.MTps)
	number("memory.module[DIMM_B1].speed", s.MemoryMTps, rig.MTps)
	for k, v := range s.Facts {
		e, _ := rig.Lookup(rig.Key(k))
		switch v := v.(type) {
		case nil:
			set(rig.Key(k), rig.Fact{Unread: rig.Unread{Reason: rig.Denied, Detail: "needs more rights"}})
		case string:
			set(rig.Key(k), rig.Fact{Value: rig.TextOf(v)})
		case bool:
			set(rig.Key(k), rig.Fact{Value: rig.TruthOf(v)})
		case float64:
			set(rig.Key(k), rig.Fact{Value: rig.NumberOf(v), Unit: e.Unit})
		case int:
			set(rig.Key(k), rig.Fact{Value: rig.NumberOf(float64(v)), Unit: e.Unit})
		default:
			panic(fmt.Sprintf("sim: the fact %s is a %T", k, v))
		}
	}
	return rig.NewSnapshot(b.clock, facts)
}
