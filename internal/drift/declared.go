package drift

import (
	"maps"
	"slices"

	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// declared holds the snapshot against the setup.
func (j *judge) declared() {
	s := j.in.Setup
	if s == nil {
		return
	}
	if s.Rig != "" && j.in.Rig != "" && s.Rig != j.in.Rig {
		j.raise(Flag{
			Kind: Undeclared, Fact: "rig.name", Expected: rig.TextOf(s.Rig), Seen: rig.TextOf(j.in.Rig), Weight: rig.Caution,
			Evidence: "setup " + s.Label + " is declared for another rig",
		})
	}
	for _, k := range slices.Sorted(maps.Keys(s.Expect)) {
		j.declaredFact(rig.Key(k), s.Expect[k])
	}
}

// declaredFact holds one fact against what is declared. Who declares a fact
// relies on it, so that nothing found here is less than a caution.
func (j *judge) declaredFact(k rig.Key, want setup.Expectation) {
	e, _ := rig.Lookup(k)
	f := j.declarable(k)
	says := "setup " + j.in.Setup.Label + " declares " + want.String()
	switch {
	case !f.Read():
		number := e.Unit != rig.NoUnit || want.Value.Text == rig.NumberOf(want.Value.Number).String()
		j.unread(f, expected(want, number), max(e.Weight, rig.Caution), says)
	case !holds(want, f):
		_, number := f.Value.Number()
		j.raise(Flag{
			Kind: Undeclared, Fact: k, Expected: expected(want, number), Seen: f.Value, Unit: f.Unit,
			Weight: max(e.Weight, rig.Caution), Evidence: reading(f) + "; " + says,
		})
	}
}

// declarable gives the fact that a declaration is held against: the one before
// the run, but of a link's speed, which falls when idle, the highest seen.
func (j *judge) declarable(k rig.Key) rig.Fact {
	f := find(j.in.Before, k)
	if j.in.Run != nil && k.Family() == linkSpeed && f.Read() {
		best, _ := j.bestSpeed(k)
		f.Value = rig.NumberOf(best)
	}
	return f
}

// holds says whether the fact is as declared, within the tolerance that the
// declaration gives, or else the catalogue.
func holds(want setup.Expectation, f rig.Fact) bool {
	e, _ := rig.Lookup(f.Key)
	return want.WithTolerance(setup.Tolerance(e.Tolerance)).Holds(given(f.Value))
}

// declaredSo says whether the setup declares the fact and the fact is so.
func (j *judge) declaredSo(k rig.Key) bool {
	if j.in.Setup == nil {
		return false
	}
	want, ok := j.in.Setup.Expect[string(k)]
	f := j.declarable(k)
	return ok && f.Read() && holds(want, f)
}

// expected gives what is declared as one value where it is one, else in words.
// A number declared of a fact that is none is the text as it is written: 1.10.
func expected(e setup.Expectation, number bool) rig.Value {
	switch {
	case e.Value.Kind == setup.Number && number:
		return rig.NumberOf(e.Value.Number)
	case e.Value.Kind == setup.Truth:
		return rig.TruthOf(e.Value.Truth)
	}
	return rig.TextOf(e.String())
}

func given(v rig.Value) setup.Value {
	switch v.Kind() {
	case rig.Number:
		n, _ := v.Number()
		return setup.NumberOf(n)
	case rig.Truth:
		b, _ := v.Truth()
		return setup.TruthOf(b)
	}
	return setup.TextOf(v.String())
}
