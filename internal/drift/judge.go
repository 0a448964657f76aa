package drift

import (
	"cmp"
	"slices"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// Bounds are the thresholds of the judgement. They are design choices, not
// published constants, but for ClockFall and ClockFallTime (METHODS: throttling).
type Bounds struct {
	OtherLoad     float64       // percent of all processors: more work by others over the run is a finding
	IdleBefore    float64       // percent idle: less just before the run is a finding
	ClockFall     float64       // share of the plateau below which the clock has fallen
	ClockFallTime time.Duration // for at least this long
	LoadBand      float64       // percentage points within which the load counts as unchanged
}

// DefaultBounds are used by Judge.
var DefaultBounds = Bounds{OtherLoad: 5, IdleBefore: 90, ClockFall: 0.98, ClockFallTime: 10 * time.Second, LoadBand: 5}

// Judge raises every flag that the input gives cause for, heaviest first. It
// sets all of the Judgement but its time.
func Judge(in Input) Judgement {
	j := judge{in: in, bounds: DefaultBounds}
	j.declared()
	j.marked()
	j.ratings()
	j.limits()
	j.before()
	if in.Run != nil {
		j.during()
		j.outcome()
	}
	j.relied()
	slices.SortStableFunc(j.flags, func(a, b Flag) int {
		return cmp.Or(cmp.Compare(b.Weight, a.Weight), cmp.Compare(rank(a.Kind), rank(b.Kind)), rig.Compare(a.Fact, b.Fact))
	})
	out := Judgement{Standing: StandingOf(j.flags), Flags: j.flags}
	if in.Mark != nil {
		out.MarkRun = in.Mark.RunID
	}
	return out
}

func rank(k Kind) int {
	return slices.Index([]Kind{Undeclared, Underrated, Moved, Unsteady, Unlike, UnreadFact}, k)
}

type judge struct {
	in     Input
	bounds Bounds
	flags  []Flag
}

// raise adds a flag with the weight given, or the setup's for that fact.
func (j *judge) raise(f Flag) {
	if s := j.in.Setup; s != nil {
		w, ok := s.Weigh[string(f.Fact)]
		if !ok {
			w, ok = s.Weigh[string(f.Fact.Family())]
		}
		if parsed, err := rig.ParseWeight(string(w)); ok && err == nil && parsed != f.Weight {
			f.WeightBefore, f.Weight = f.Weight, parsed
		}
	}
	j.flags = append(j.flags, f)
}

// unread adds a flag on an unread fact, unless one is there already.
func (j *judge) unread(f rig.Fact, expected rig.Value, w rig.Weight, neededBy string) {
	if slices.ContainsFunc(j.flags, func(g Flag) bool { return g.Kind == UnreadFact && g.Fact == f.Key }) {
		return
	}
	e, _ := rig.Lookup(f.Key)
	evidence := source(f) + neededBy
	if v, ok := j.truth("machine.virtual"); ok && v && f.Key != "machine.virtual" {
		evidence += "; this is a virtual machine, which hides much of what it runs on"
	}
	j.raise(Flag{
		Kind: UnreadFact, Fact: f.Key, Expected: expected, Seen: rig.TextOf("unread: " + f.Unread.String()),
		Unit: e.Unit, Weight: w, Evidence: evidence,
	})
}

// find returns the fact, as unread and absent when the snapshot has none.
func find(s rig.Snapshot, k rig.Key) rig.Fact {
	f, ok := s.Find(k)
	if !ok {
		f = rig.Fact{Key: k, Unread: rig.Unread{Reason: rig.Absent, Detail: "the rig does not tell it"}}
	}
	return f
}

func (j *judge) truth(k rig.Key) (yes, ok bool) {
	f := find(j.in.Before, k)
	if !f.Read() {
		return false, false
	}
	return f.Value.Truth()
}

func source(f rig.Fact) string {
	if f.Source == "" {
		return "snapshot"
	}
	return f.Source
}

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
	keys := make([]rig.Key, 0, len(s.Expect))
	for k := range s.Expect {
		keys = append(keys, rig.Key(k))
	}
	slices.SortFunc(keys, rig.Compare)
	for _, k := range keys {
		j.declaredFact(k, s.Expect[string(k)])
	}
}

func (j *judge) declaredFact(k rig.Key, want setup.Expectation) {
	e, _ := rig.Lookup(k)
	f := find(j.in.Before, k)
	if !f.Read() {
		j.unread(f, expected(want), max(e.Weight, rig.Caution), ": setup "+j.in.Setup.Label+" declares it")
		return
	}
	if want.WithTolerance(setup.Tolerance(e.Tolerance)).Holds(seen(f.Value)) {
		return
	}
	j.raise(Flag{
		Kind: Undeclared, Fact: k, Expected: expected(want), Seen: f.Value, Unit: f.Unit,
		Weight: e.Weight, Evidence: source(f) + ": setup " + j.in.Setup.Label + " declares it",
	})
}

// declaredHolds says whether the setup declares the fact and the fact is so.
func (j *judge) declaredHolds(k rig.Key) bool {
	if j.in.Setup == nil {
		return false
	}
	want, ok := j.in.Setup.Expect[string(k)]
	f := find(j.in.Before, k)
	return ok && f.Read() && want.Holds(seen(f.Value))
}

// expected gives what is declared as one value where it is one, else in words.
func expected(e setup.Expectation) rig.Value {
	switch e.Value.Kind {
	case setup.Number:
		return rig.NumberOf(e.Value.Number)
	case setup.Truth:
		return rig.TruthOf(e.Value.Truth)
	}
	return rig.TextOf(e.String())
}

func seen(v rig.Value) setup.Value {
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

// relied raises what the judgement needed and could not have.
func (j *judge) relied() {
	for _, e := range rig.Catalogue {
		if !e.Relied {
			continue
		}
		if f := find(j.in.Before, e.Key); !f.Read() {
			j.unread(f, rig.TextOf("a reading"), rig.Note, ": the built-in judgement looks at it")
		}
	}
}
