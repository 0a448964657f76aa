package play

import (
	"errors"
	"fmt"
	"strings"

	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// measuredClock is what a block sets when the clock that is measured is not the
// one that the facts promise. It is no fact of the catalogue.
const measuredClock = "cpu.clock"

// known is the catalogue for setup.Scenario.Check.
func known(key string) (nearest string, ok bool) {
	if key == measuredClock {
		return "", true
	}
	_, ok = rig.Lookup(rig.Key(key))
	return string(rig.Nearest(rig.Key(key))), ok
}

// state is a rig as a block has it.
type state struct {
	facts  rig.Snapshot
	clock  float64 // MHz under load; 0 where it is not known
	top    float64 // MHz, the tree's own highest clock
	memory float64 // MT/s; 0 where it is not known
}

const setSource = "played: set by the scenario"

// newState puts the set facts in place of the tree's: first what follows from
// each, then the facts themselves, so that a part that is set by itself wins.
func newState(tree rig.Snapshot, set []setup.SetFact, s *setup.Scenario) (state, error) {
	st := state{facts: tree}
	truth := tree // the rig as it is, also where it cannot be read
	for _, pass := range []func([]rig.Fact) []rig.Fact{follow(tree), itself} {
		for _, f := range set {
			if f.Key == measuredClock {
				continue
			}
			facts, err := replace(tree, f)
			if err != nil {
				return st, s.Fault(f.Line, hintOf(err), "%q: %v", f.Key, err)
			}
			facts = pass(facts)
			truth = with(truth, facts)
			st.facts = with(st.facts, told(facts, f))
		}
	}
	st.drive(tree, truth, set)
	return st, st.check(set, s)
}

// drive finds what the model runs at.
func (st *state) drive(tree, truth rig.Snapshot, set []setup.SetFact) {
	st.top, _ = tree.Number("cpu.clock_max")
	st.memory, _ = truth.Number("memory.speed")
	st.clock, _ = truth.Number("cpu.clock_max")
	if limit, ok := truth.Number("cpu.clock_limit"); ok && (limit < st.clock || st.clock == 0) {
		st.clock = limit
	}
	for _, f := range set {
		if f.Key == measuredClock {
			st.clock = f.Value.Number
		}
	}
}

// check refuses what the model cannot be run at.
func (st state) check(set []setup.SetFact, s *setup.Scenario) error {
	for _, f := range set {
		switch rig.Key(f.Key) {
		case "memory.speed", "cpu.clock_max", "cpu.clock_limit", measuredClock:
			if f.Value.Kind != setup.None && !(f.Value.Number > 0) || f.Value.Kind == setup.None && f.Key == measuredClock {
				return s.Fault(f.Line, "give it in MHz or MT/s, as the fact has it", "%q: it is not above zero", f.Key)
			}
		}
	}
	return nil
}

// with gives the snapshot with the facts in place of those of their keys.
func with(s rig.Snapshot, facts []rig.Fact) rig.Snapshot {
	out := rig.Snapshot{At: s.At}
	replaced := map[rig.Key]bool{}
	for _, f := range facts {
		replaced[f.Key] = true
	}
	for _, f := range s.Facts {
		if !replaced[f.Key] {
			out.Facts = append(out.Facts, f)
		}
	}
	return rig.NewSnapshot(s.At, append(out.Facts, facts...))
}

// told is what the rig says of facts that are set: all of them, or, of one that
// is unread, only what else follows from its value.
func told(facts []rig.Fact, set setup.SetFact) (out []rig.Fact) {
	for _, f := range facts {
		switch {
		case set.Unread == "":
			out = append(out, f)
		case f.Key.Field() == rig.Key(set.Key).Field():
			u := rig.Unread{Reason: rig.Reason(set.Unread), Detail: "played"}
			out = append(out, rig.Fact{Key: f.Key, Unit: f.Unit, Source: f.Source, Unread: u})
		case set.Value.Kind != setup.None:
			out = append(out, f)
		}
	}
	return out
}

// hinted is an error with a hint, before it has a place.
type hinted struct {
	error
	hint string
}

func hintOf(err error) string {
	var h hinted
	if errors.As(err, &h) {
		return h.hint
	}
	return "look at the rig's facts with: agent facts --root TREE"
}

// replace gives the facts that one set fact stands for: more than one when its
// key has an empty index, memory.module[].speed.
func replace(tree rig.Snapshot, set setup.SetFact) (facts []rig.Fact, err error) {
	key := rig.Key(set.Key)
	keys := []rig.Key{key}
	if strings.Contains(set.Key, "[]") {
		keys = nil
		for _, f := range tree.Facts {
			if f.Key.Family() == key {
				keys = append(keys, f.Key)
			}
		}
		if len(keys) == 0 {
			return nil, hinted{errors.New("the rig has no such part"), "name one between the brackets; the rig's facts are listed by: agent facts --root TREE"}
		}
	}
	for _, k := range keys {
		e, _ := rig.Lookup(k)
		was, _ := tree.Find(k)
		f := rig.Fact{Key: k, Unit: e.Unit, Source: setSource, Value: was.Value, Unread: was.Unread}
		if set.Value.Kind != setup.None {
			f.Unread = rig.Unread{}
			if f.Value, err = typed(was, e, set.Value); err != nil {
				return nil, err
			}
		}
		if f.Value.Kind() == rig.None && f.Unread.Reason == "" {
			f.Unread = rig.Unread{Reason: rig.Absent}
		}
		facts = append(facts, f)
	}
	return facts, nil
}

// typed gives the value in the kind that the tree's fact has, else in the kind
// that a unit asks for, else as it is written.
func typed(was rig.Fact, e rig.Entry, v setup.Value) (rig.Value, error) {
	kind := was.Value.Kind()
	if kind == rig.None && e.Unit != rig.NoUnit {
		kind = rig.Number
	}
	switch {
	case kind == rig.Text && v.Kind != setup.Truth, kind == rig.None && v.Kind == setup.Text:
		return rig.TextOf(v.Text), nil
	case (kind == rig.Number || kind == rig.None) && v.Kind == setup.Number:
		return rig.NumberOf(v.Number), nil
	case (kind == rig.Truth || kind == rig.None) && v.Kind == setup.Truth:
		return rig.TruthOf(v.Truth), nil
	}
	want := map[rig.Kind]string{rig.Text: "a text", rig.Number: "a number", rig.Truth: "true or false"}[kind]
	return rig.Value{}, hinted{fmt.Errorf("the fact is %s, not %s", want, v.Kind), "write it as agent facts --json prints it"}
}

func itself(facts []rig.Fact) []rig.Fact { return facts }

// followers are facts of parts that say the same as one of the whole.
var followers = map[rig.Key][]rig.Key{
	"memory.speed":       {"memory.module[].speed"},
	"memory.rated_speed": {"memory.module[].rated_speed"},
	"cpu.governor":       {"cpu.policy[].governor"},
}

// follow gives, for facts that are replaced, those that follow.
func follow(tree rig.Snapshot) func([]rig.Fact) []rig.Fact {
	return func(facts []rig.Fact) (out []rig.Fact) {
		for _, f := range facts {
			for _, family := range followers[f.Key] {
				for _, part := range tree.Facts {
					if part.Key.Family() == family && part.Read() {
						out = append(out, like(part, f))
					}
				}
			}
			if f.Key == "cpu.clock_max" || f.Key == "cpu.clock_limit" {
				out = append(out, clocks(tree, f)...)
			}
		}
		return out
	}
}

// like is a part's fact with the value and the source of the whole's.
func like(part, whole rig.Fact) rig.Fact {
	part.Value, part.Unread, part.Source = whole.Value, whole.Unread, whole.Source
	return part
}

// clocks gives the clocks that follow a highest clock or a limit: those that
// stood at the old one move with it, those above the new one come down.
func clocks(tree rig.Snapshot, f rig.Fact) (out []rig.Fact) {
	families := map[rig.Key]bool{"cpu.policy[].clock_limit": true}
	if f.Key == "cpu.clock_max" {
		families["cpu.clock_limit"], families["cpu.policy[].clock_max"] = true, true
	}
	now, ok := f.Value.Number()
	was, known := tree.Number(f.Key)
	for _, part := range tree.Facts {
		v, read := part.Value.Number()
		if ok && read && families[part.Key.Family()] && (v > now || known && v >= was) {
			out = append(out, like(part, f))
		}
	}
	return out
}
