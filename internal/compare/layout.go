package compare

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

// The keys of what is compared beside the facts that rigs read.
const (
	RigName         rig.Key = "rig.name"
	Played          rig.Key = "run.played"         // made up, not measured
	WorkloadVersion rig.Key = "workload.version"   // of the content
	WorkloadContent rig.Key = "workload.content"   // what moves it on
	WorkloadSetting rig.Key = "workload.setting[]" // each by its name
)

// definitions begins the keys of how a workload's figures are defined.
const definitions = "workload.definition["

// noted begins the keys of what a person noted.
const noted = "noted."

// layout is the facts of all runs beside each other. Runs in the same state are
// kept together, so that it grows with the states and not with the runs.
type layout struct {
	states []state
	rows   []row
}

// state is one configuration of machine and workload with its runs on one side.
type state struct {
	against  bool
	workload string
	facts    map[rig.Key]rig.Fact
	devices  map[string]bool
	runs     []string
}

// row is one fact to compare, of the machine or of one workload.
type row struct {
	key      rig.Key
	workload string
}

func layOut(base, against []Run) layout {
	var l layout
	index := map[string]int{}
	for i, side := range [][]Run{base, against} {
		for _, r := range side {
			id := strconv.Itoa(i) + r.state()
			at, ok := index[id]
			if !ok {
				at = len(l.states)
				index[id] = at
				l.states = append(l.states, stateOf(r, i == 1))
			}
			l.states[at].runs = append(l.states[at].runs, r.ID)
		}
	}
	l.list()
	return l
}

// state tells the run's state from others.
func (r Run) state() string {
	sum := r.Configuration
	if sum == [32]byte{} {
		sum = r.Before.ConfigurationSHA256()
	}
	parts := []string{string(sum[:]), r.Rig, r.Workload, r.WorkloadVersion, r.Content, strconv.FormatBool(r.Played != "")}
	for _, m := range []map[string]string{r.Settings, r.Noted, r.Definition} {
		for _, k := range slices.Sorted(maps.Keys(m)) {
			parts = append(parts, k, m[k])
		}
		parts = append(parts, "\x01")
	}
	for _, f := range r.changed() {
		parts = append(parts, string(f.Key), f.Value.String())
	}
	return strings.Join(parts, "\x00")
}

// changed gives the facts that read otherwise after the run than before it.
func (r Run) changed() (out []rig.Fact) {
	for _, f := range r.After.Facts {
		e, _ := rig.Lookup(f.Key)
		if e.Pace == rig.Passing || !f.Read() {
			continue
		}
		if was, ok := r.Before.Find(f.Key); ok && was.Read() && !e.Tolerance.Equal(was.Value, f.Value) {
			out = append(out, f)
		}
	}
	return out
}

func stateOf(r Run, against bool) state {
	s := state{against: against, workload: r.Workload, facts: map[rig.Key]rig.Fact{}, devices: map[string]bool{}}
	for _, f := range r.Before.Configuration() {
		s.facts[f.Key] = f
		s.devices[device(f.Key)] = s.devices[device(f.Key)] || !emptySlot(f)
	}
	for _, f := range r.changed() {
		was := s.facts[f.Key].Value
		f.Value, f.Unit = rig.TextOf(fmt.Sprintf("%s, then %s", was, f.Value)), rig.NoUnit
		s.facts[f.Key] = f
	}
	for _, f := range r.beside() {
		s.facts[f.Key] = f
	}
	return s
}

// emptySlot says whether the fact is that a slot holds no module: the slot is
// there, and the module that its other facts would be of is not.
func emptySlot(f rig.Fact) bool {
	v, ok := f.Value.Number()
	return f.Key.Family() == "memory.module[].size" && ok && v == 0
}

// beside gives what is compared beside the facts that rigs read.
func (r Run) beside() (out []rig.Fact) {
	add := func(k rig.Key, v rig.Value) { out = append(out, rig.Fact{Key: k, Value: v, Source: "record"}) }
	add(RigName, rig.TextOf(r.Rig))
	add(Played, rig.TruthOf(r.Played != ""))
	add(WorkloadVersion, rig.TextOf(r.WorkloadVersion))
	add(WorkloadContent, rig.TextOf(r.Content))
	for k, v := range r.Settings {
		add(rig.Of("workload.setting", k, ""), value(v))
	}
	for k, v := range r.Definition {
		add(rig.Key(definitions+k+"]"), rig.TextOf(v))
	}
	for k, v := range r.Noted {
		add(rig.Key(noted+k), value(v))
	}
	return out
}

// value reads what a person wrote: a number where it is one.
func value(s string) rig.Value {
	if f, err := strconv.ParseFloat(s, 64); err == nil && !math.IsNaN(f) && !math.IsInf(f, 0) {
		return rig.NumberOf(f)
	}
	return rig.TextOf(s)
}

// device is the part of a key up to its index: memory.module[DIMM_A1].
func device(k rig.Key) string {
	if i := strings.LastIndexByte(string(k), ']'); i >= 0 {
		return string(k[:i+1])
	}
	return ""
}

// ofWorkload says whether a fact belongs to one workload and not to the machine.
func ofWorkload(k rig.Key) bool { return strings.HasPrefix(string(k), "workload.") }

// list makes the rows, in the order of their keys.
func (l *layout) list() {
	met := map[row]bool{}
	for _, s := range l.states {
		for k := range s.facts {
			r := row{key: k}
			if ofWorkload(k) {
				r.workload = s.workload
			}
			met[r] = true
		}
	}
	// What the judgement of a run relies on is missed, too.
	for _, e := range rig.Catalogue {
		if e.Relied && !strings.Contains(string(e.Key), "[]") {
			met[row{key: e.Key}] = true
		}
	}
	l.rows = slices.SortedFunc(maps.Keys(met), func(a, b row) int {
		if c := rig.Compare(a.key, b.key); c != 0 {
			return c
		}
		return strings.Compare(a.workload, b.workload)
	})
}

// difference gathers one fact from all states.
func (l layout) difference(r row, t Terms) Difference {
	e, known := rig.Lookup(r.key)
	d := Difference{Fact: r.key, Workload: r.workload, Weight: e.Weight, Why: e.Why}
	if !known && (ofWorkload(r.key) || strings.HasPrefix(string(r.key), noted) || r.key == RigName || r.key == Played) {
		d.Why = ""
	}
	for _, s := range l.states {
		if r.workload != "" && s.workload != r.workload {
			continue
		}
		seen, unit := s.see(r.key)
		if d.Unit == rig.NoUnit {
			d.Unit = unit
		}
		side := &d.Base
		if s.against {
			side = &d.Against
		}
		*side = append(*side, seen)
	}
	d.merge(t)
	d.Runs = d.odd()
	return d
}

// see gives what a state has of a fact.
func (s state) see(k rig.Key) (Seen, rig.Unit) {
	f, ok := s.facts[k]
	switch {
	case ok:
		return Seen{Value: f.Value, Unread: f.Unread, Runs: s.runs}, f.Unit
	case strings.HasPrefix(string(k), noted):
		return Seen{Unread: rig.Unread{Reason: rig.Absent, Detail: "not noted"}, Runs: s.runs}, rig.NoUnit
	case ofWorkload(k):
		return Seen{Value: rig.TextOf("not set"), Runs: s.runs}, rig.NoUnit
	case device(k) != "" && !s.devices[device(k)]:
		if gate, ok := rig.Gate(k); ok {
			if g, ok := s.facts[gate]; ok && !g.Read() {
				return Seen{Unread: g.Unread, Runs: s.runs}, rig.NoUnit
			}
		}
		return Seen{Value: rig.TextOf(NotThere), Runs: s.runs}, rig.NoUnit
	}
	return Seen{Unread: rig.Unread{Reason: rig.Absent, Detail: "the agent did not look for it"}, Runs: s.runs}, rig.NoUnit
}

// merge joins what is equal within tolerance, over both sides alike. Numbers are
// taken in rising order, so that the outcome does not hang on the runs' order.
func (d *Difference) merge(t Terms) {
	tolerance := t.tolerance(d.Fact)
	var values, classes []rig.Value
	for _, s := range slices.Concat(d.Base, d.Against) {
		values = append(values, s.Value)
	}
	slices.SortStableFunc(values, compareValues)
	within := func(v rig.Value) int {
		return slices.IndexFunc(classes, func(c rig.Value) bool { return tolerance.Equal(c, v) })
	}
	for _, v := range values {
		if within(v) < 0 {
			classes = append(classes, v)
		}
	}
	for _, side := range []*[]Seen{&d.Base, &d.Against} {
		for i := range *side {
			s := &(*side)[i]
			s.class = within(s.Value)
		}
		*side = mergeSide(*side)
	}
}

// compareValues orders numbers by size, before all others.
func compareValues(a, b rig.Value) int {
	x, ok := a.Number()
	y, ok2 := b.Number()
	switch {
	case ok && ok2:
		return cmp.Compare(x, y)
	case ok != ok2 && ok:
		return -1
	case ok != ok2:
		return 1
	}
	return strings.Compare(a.String(), b.String())
}

// mergeSide joins the states of one side that have the same.
func mergeSide(side []Seen) (out []Seen) {
	for _, s := range side {
		at := slices.IndexFunc(out, func(o Seen) bool { return o.class == s.class && o.Unread.Reason == s.Unread.Reason })
		if at < 0 {
			s.Runs = slices.Clone(s.Runs)
			out = append(out, s)
			continue
		}
		out[at].Runs = append(out[at].Runs, s.Runs...)
	}
	return out
}

func (t Terms) tolerance(k rig.Key) rig.Tolerance {
	for _, name := range []rig.Key{k, k.Family()} {
		if w, ok := t.Within[name]; ok {
			return w
		}
	}
	e, _ := rig.Lookup(k)
	return e.Tolerance
}

// odd gives the runs that have another value than most of the base.
func (d Difference) odd() (ids []string) {
	var most Seen
	for _, s := range d.Base {
		if len(s.Runs) > len(most.Runs) && s.Read() {
			most = s
		}
	}
	for _, s := range slices.Concat(d.Base, d.Against) {
		if !s.Read() || s.class != most.class {
			ids = append(ids, s.Runs...)
		}
	}
	return ids
}

// Facts gives the run's facts before it with a key, or of a family such as
// memory.module[].part; none when it has no such fact.
func (r Run) Facts(k rig.Key) (out []rig.Fact) {
	for _, f := range slices.Concat(r.Before.Facts, r.beside()) {
		if f.Key == k || f.Key.Family() == k {
			out = append(out, f)
		}
	}
	return out
}
