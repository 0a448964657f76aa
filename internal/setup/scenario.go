package setup

import (
	"bytes"
	"fmt"
	"time"
)

// Scenario says which runs are played: on invented rigs, given by captured
// trees, of invented workloads, given by a model of their frame times, in blocks.
// Lines are those of the file, for errors that only show when it is played.
type Scenario struct {
	File   string // the name it was parsed under
	Source []byte // the file's exact bytes

	Seed      int64 // of all chance; 1 when the file gives none
	Rigs      []PlayedRig
	Workloads []PlayedWorkload
	Blocks    []Block // in the order of the file
}

// PlayedRig is a rig with the captured tree that its facts come from.
type PlayedRig struct {
	Name string
	Tree string // relative to the file
	Line int
}

// PlayedWorkload is a model of the frame times of one workload.
type PlayedWorkload struct {
	Name, Version string
	Content       Content       // ByTime when its scenes have seconds, ByFrame when they have frames
	Noise         float64       // standard deviation of the log of the rate, from run to run
	Jitter        float64       // standard deviation of the log of the frame time within a scene
	LeadIn        time.Duration // a run shows its first picture for up to this before the first scene begins
	Scenes        []Scene
	ClockMHz      float64 // of the reference state; 0 when none is given
	MemoryMTps    float64 // likewise
	Line          int
}

// Scene is a stretch of a workload in which frames take alike.
type Scene struct {
	Duration      time.Duration // of a scene that follows the clock
	Frames        int           // of a scene that follows the frames
	FrameMS       float64       // frame time at the reference state, in milliseconds
	Clock, Memory float64       // shares of it, from 0 to 1, that scale with either
}

// Block is repeats of one workload on one rig in one state.
type Block struct {
	Rig       PlayedRig
	Workload  PlayedWorkload
	Tree      string // in place of the rig's; "" for the rig's own
	Setup     string // the declared setup's label; "" for none or that of SetupFile
	SetupFile string // relative to the file; "" when a setup with nothing but the label and Set is made up
	At        time.Time
	Repeats   int           // in a session
	Pause     time.Duration // between repeats
	Sessions  int
	Every     time.Duration // from the start of one session to that of the next
	Set       []SetFact     // in the order of the file
	Factor    float64       // multiplies the rate
	Drift     float64       // multiplies it once more with every further run of the block

	LeadIn      *time.Duration // exactly this in place of the workload's
	Temperature *float64       // degrees Celsius that the processor tends to under load
	OtherLoad   *float64       // percent of all processors, by others than the workload
	Throttle    *Throttle
	Line        int
}

// SetFact is one fact that differs from the tree.
type SetFact struct {
	Key    string
	Value  Value  // Kind None for an unread fact that is as in the tree
	Unread string // the reason why the rig cannot read it; "" when it can
	Line   int
}

// Throttle is a clock that falls in every run of a block.
type Throttle struct {
	After    time.Duration // from the run's start
	ClockMHz float64       // that it falls to
}

const readingScenario = "scenario file"

var scenarioSchema = schema{
	{"", []string{"seed", "rig", "workload", "block"}},
	{"[rig]", []string{"name", "tree"}},
	{"[workload]", []string{"name", "version", "noise", "jitter", "lead_in", "scenes", "reference"}},
	{"scenes", []string{"seconds", "frames", "ms", "clock", "memory"}},
	{"reference", []string{"clock", "memory"}},
	{"[block]", []string{"rig", "workload", "version", "tree", "setup", "setup_file", "at", "repeats", "pause", "sessions", "every",
		"set", "factor", "drift", "lead_in", "temperature", "other_load", "throttle"}},
	{"throttle", []string{"after", "clock"}},
	{setTable, []string{"value", "unread"}},
}

// setTable is the schema's name for the table that states one fact.
const setTable = "set.KEY"

// ParseScenario reads a scenario file; name is how errors call it. The error is
// one line with a position, and has a Hint. Whether the facts exist is for Check.
func ParseScenario(name string, data []byte) (*Scenario, error) {
	root, bad := grow(data)
	if bad != nil {
		return nil, bad.fault(readingScenario, name)
	}
	r := &reader{schema: scenarioSchema}
	r.known(root, "")
	s := &Scenario{File: name, Source: bytes.Clone(data), Seed: r.integer(root, "seed", 1)}
	for _, n := range r.tables(root, "rig") {
		s.Rigs = append(s.Rigs, r.playedRig(n, s.Rigs))
	}
	for _, n := range r.tables(root, "workload") {
		s.Workloads = append(s.Workloads, r.playedWorkload(n, s.Workloads))
	}
	for _, n := range r.tables(root, "block") {
		s.Blocks = append(s.Blocks, r.block(n, s))
	}
	for _, k := range []string{"rig", "workload", "block"} {
		if root.table[k] == nil {
			r.missing(root, fmt.Sprintf("[[%s]]", k), "a scenario needs at least one [[rig]], one [[workload]] and one [[block]] that plays them")
		}
	}
	if err := r.err(readingScenario, name); err != nil {
		return nil, err
	}
	return s, nil
}

// Check holds the keys of all set facts against a catalogue, as Setup.Check does.
func (s *Scenario) Check(known func(key string) (nearest string, ok bool)) error {
	r := &reader{}
	for _, b := range s.Blocks {
		for _, f := range b.Set {
			if near, ok := known(f.Key); !ok {
				r.wrong(&node{line: f.Line}, fmt.Sprintf("the nearest known fact is %q; all are listed by: agent facts", near), "unknown fact %q", f.Key)
			}
		}
	}
	return r.err(readingScenario, s.File)
}

// Fault makes an error about a line of the file, for what only shows when the
// scenario is played.
func (s *Scenario) Fault(line int, hint, format string, args ...any) error {
	return problem{line: line, why: fmt.Sprintf(format, args...), hint: hint}.fault(readingScenario, s.File)
}
