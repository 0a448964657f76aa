package rig

import (
	"math"
	"strings"

	"witnessmark/internal/fault"
)

// Pace says how often a fact can change.
type Pace uint8

const (
	PerBoot Pace = iota // fixed until the next boot
	PerRun              // may change between or during runs; read before and after
	Passing             // differs by nature from moment to moment; never held against a mark
)

// Tolerance is how far two numbers may lie apart and still be equal: the larger
// of Absolute (in the fact's unit) and Relative (a fraction of the expected
// number). The zero Tolerance asks for equality.
type Tolerance struct {
	Absolute float64
	Relative float64
}

// Equal says whether seen equals want within t. Values of different kinds never
// are. It allows for what decimals lose as binary fractions: 4.2 is within 0.1 of 4.1.
func (t Tolerance) Equal(want, seen Value) bool {
	w, ok := want.Number()
	s, ok2 := seen.Number()
	if !ok || !ok2 {
		return want == seen
	}
	slack := 1e-12 * math.Max(math.Abs(w), math.Abs(s))
	return math.Abs(w-s) <= math.Max(t.Absolute, t.Relative*math.Abs(w))+slack
}

// Entry is what the catalogue knows of one fact or family of facts.
type Entry struct {
	Key       Key  // with emptied index for families: memory.module[].speed
	Unit      Unit // NoUnit for texts, truths and counts
	Pace      Pace
	Tolerance Tolerance
	Follows   []Key  // facts that, when they differ, explain that this one differs
	Weight    Weight // of a finding on this fact, unless a setup says otherwise
	Relied    bool   // the built-in judgement needs it: unread is itself a finding
	Why       string // one line: what a difference in it does to a result
}

// Lookup finds the entry for a fact's key. Facts outside the catalogue get an
// entry with weight Caution and exact equality, and ok false.
func Lookup(k Key) (e Entry, ok bool) {
	if e, ok = byKey[k.Family()]; ok {
		return e, true
	}
	return Entry{Key: k.Family(), Weight: Caution, Why: "not in the catalogue"}, false
}

// Nearest gives the catalogue's key closest to k by edit distance, keeping k's
// index, for use in hints.
func Nearest(k Key) Key {
	best, d := Key(""), math.MaxInt
	for _, e := range Catalogue {
		if n := fault.Distance(string(k.Family()), string(e.Key)); n < d {
			best, d = e.Key, n
		}
	}
	if i := k.Index(); i != "" {
		return Key(strings.Replace(string(best), "[]", "["+i+"]", 1))
	}
	return best
}

var byKey = func() map[Key]Entry {
	m := make(map[Key]Entry, len(Catalogue))
	for _, e := range Catalogue {
		m[e.Key] = e
	}
	return m
}()

// Gate names, for a fact of a device, the fact that could be read only if such
// devices could: while it is unread, a device that is not in a snapshot is not
// known to be missing.
func Gate(k Key) (gate Key, ok bool) {
	i := strings.IndexByte(string(k), '[')
	if i < 0 {
		return "", false
	}
	gate, ok = gates[k[:i]]
	return gate, ok
}

var gates = map[Key]Key{
	"memory.module":     "memory.modules",
	"cpu.vulnerability": "kernel.mitigations",
	"cpu.numa":          "cpu.numa_nodes",
	"cpu.kind":          "cpu.kinds",
}
