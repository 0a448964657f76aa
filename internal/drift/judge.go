package drift

import (
	"cmp"
	"slices"
	"strings"

	"witnessmark/internal/rig"
)

// Bounds are the thresholds of the judgement. They are design choices, not
// published constants.
type Bounds struct {
	OtherLoad      float64 // percent of all processors: more work by others over the run is a finding
	IdleBefore     float64 // percent idle: less just before the run is a finding
	BusyProcessors float64 // as many processors at work for others are a finding however many there are
	FewSamples     int     // of work by others: fewer are too few for more than a note
	ClockFall      float64 // share of the plateau, or of a ceiling, below which a clock has fallen
	ClockAbove     float64 // share of the highest clock stated, above which a measured one contradicts it
	MemoryShare    float64 // of the modules' size: less memory in the kernel's hands contradicts the firmware
	SampledShare   float64 // of the run: signals that end sooner do not speak for it
	RestingLink    float64 // GT/s: where a link that saves power rests, whatever it can do
	ClockOffset    float64 // s: a wall clock farther from the collector's is a finding
	SeriesLeast    int     // runs: fewer predict nothing
	SeriesLevel    float64 // of the prediction interval
	SeriesMargin   float64 // share of the outcome: a smaller difference is none
	SeriesFew      float64 // the same where fewer than three sessions tell how far sessions differ
}

// DefaultBounds are used by Judge.
var DefaultBounds = Bounds{
	OtherLoad: 5, IdleBefore: 90, BusyProcessors: 1, FewSamples: 3, ClockFall: 0.98, ClockAbove: 1.02,
	MemoryShare: 0.75, SampledShare: 0.5, RestingLink: 2.5, ClockOffset: 2, SeriesLeast: 8, SeriesLevel: 0.9973, SeriesMargin: 0.01, SeriesFew: 0.03,
}

// Judge raises every flag that the input gives cause for, heaviest first. It
// sets all of the Judgement but its time.
func Judge(in Input) Judgement { return judgeWithin(in, DefaultBounds) }

func judgeWithin(in Input, b Bounds) Judgement {
	j := judge{in: in.ordered(), bounds: b}
	j.declared()
	j.ratings()
	j.marked()
	j.heat()
	j.counts()
	j.before()
	j.wallClock()
	if in.Run != nil {
		j.during()
		j.setAndSlept()
		j.outcome()
		j.unlike()
	}
	j.relied()
	j.weigh()
	slices.SortFunc(j.flags, func(a, b Flag) int {
		return cmp.Or(cmp.Compare(b.Weight, a.Weight), cmp.Compare(slices.Index(kinds, a.Kind), slices.Index(kinds, b.Kind)), rig.Compare(a.Fact, b.Fact))
	})
	out := Judgement{Standing: StandingOf(j.flags), Flags: j.flags}
	if in.Mark != nil {
		out.MarkRun = in.Mark.RunID
	}
	return out
}

type judge struct {
	in     Input
	bounds Bounds
	flags  []Flag
}

// raise adds a flag. Of two with one kind and fact the heavier stands, or the
// first.
func (j *judge) raise(f Flag) {
	i := slices.IndexFunc(j.flags, func(g Flag) bool { return g.Kind == f.Kind && g.Fact == f.Fact })
	switch {
	case i < 0:
		j.flags = append(j.flags, f)
	case f.Weight > j.flags[i].Weight:
		j.flags[i] = f
	}
}

// weigh gives flags the weights that the setup has for their facts. How a run
// ended and what became of its logs is no fact of the rig, and stays as it is.
func (j *judge) weigh() {
	s := j.in.Setup
	if s == nil {
		return
	}
	for i := range j.flags {
		f := &j.flags[i]
		if strings.HasPrefix(string(f.Fact), "run.") || strings.HasPrefix(string(f.Fact), "rig.") {
			continue
		}
		word, ok := s.Weigh[string(f.Fact)]
		if !ok {
			word, ok = s.Weigh[string(f.Fact.Family())]
		}
		w, err := rig.ParseWeight(string(word))
		if !ok || err != nil {
			continue
		}
		before := cmp.Or(f.WeightBefore, f.Weight)
		f.Weight, f.WeightBefore = w, before
		if before == w {
			f.WeightBefore = 0
		}
	}
}

// unread raises a flag on an unread fact.
func (j *judge) unread(f rig.Fact, expected rig.Value, w rig.Weight, neededBy string) {
	e, _ := rig.Lookup(f.Key)
	j.raise(Flag{
		Kind: UnreadFact, Fact: f.Key, Expected: expected, Seen: unreadValue(f.Unread), Unit: e.Unit, Weight: w,
		Evidence: source(f) + ": " + neededBy + j.virtualWord(f.Key),
	})
}

func unreadValue(u rig.Unread) rig.Value { return rig.TextOf("unread: " + u.String()) }

func (j *judge) virtualWord(k rig.Key) string {
	if v, ok := j.truth("machine.virtual"); ok && v && k != "machine.virtual" {
		return "; this is a virtual machine, which hides much of what it runs on"
	}
	return ""
}

// relied raises what the judgement needed and could not have.
func (j *judge) relied() {
	for _, e := range rig.Catalogue {
		f := find(j.in.Before, e.Key)
		switch {
		case !e.Relied:
		case !f.Read():
			j.unread(f, rig.TextOf("a reading"), rig.Note, "the built-in judgement looks at it")
		case j.in.Mark != nil:
			if m := find(j.in.Mark.Snapshot, e.Key); !m.Read() {
				j.raise(Flag{
					Kind: UnreadFact, Fact: e.Key, Expected: rig.TextOf("a reading in the mark"), Seen: unreadValue(m.Unread), Weight: rig.Note,
					Evidence: source(m) + ": run " + j.in.Mark.RunID + ", the mark, has none to hold " + f.String() + " against",
				})
			}
		}
	}
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

// reading is the start of a flag's evidence: where the fact was read, and as what.
func reading(f rig.Fact) string { return source(f) + ": " + f.String() }
