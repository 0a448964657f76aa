package compare

import (
	"slices"
	"strings"

	"witnessmark/internal/rig"
)

// Rule says what named the factor.
type Rule string

const (
	ByVary      Rule = "vary"      // the analyst, in so many words
	BySelection Rule = "selection" // both sides were chosen by different values of it
	BySetup     Rule = "setup"     // both sides were chosen by setups, which declare it differently
	ByNobody    Rule = "none"      // nothing was meant to differ
)

// Terms is what a comparison means to vary and what it lets vary.
type Terms struct {
	Vary    []rig.Key                 // the factor; a family such as memory.module[].rank stands for all its members
	Rule    Rule                      // "" is ByVary, or ByNobody without a factor
	Follows []rig.Key                 // declared to follow from the factor, beside what the catalogue says
	Within  map[rig.Key]rig.Tolerance // in place of the catalogue's tolerance
}

// Controlled is what was found when all facts of both sides were laid beside
// each other. Every list is in the order of the facts' keys.
type Controlled struct {
	Controlled    bool
	Rule          Rule
	Factor        []Difference // facts of the factor, whether or not they differ
	Follows       []Difference // differ, and follow from the factor
	NotControlled []Difference // differ, and do not
	NotKnown      []Difference // unread somewhere
	Absent        []Difference // absent on both sides alike, which is taken as equal
	Only          rig.Key      // without a factor: the one fact that alone explains what differs; "" if there is none
	Runs          int
}

// Difference is one fact with what each side has of it.
type Difference struct {
	Fact          rig.Key
	Unit          rig.Unit
	Workload      string // when it is a fact of one workload; else ""
	Base, Against []Seen
	Runs          []string // those that differ from the base's most common value, or where it is unread
	From          rig.Key  // the fact it follows from
	Class         Class    // of facts that refuse a ratio when not controlled; else ""
	Weight        rig.Weight
	Why           string // what a difference in it does to a result
}

// Seen is one value of a fact, or the reason why there is none, with the runs
// that have it.
type Seen struct {
	Value  rig.Value  // of kind None when there is none
	Unread rig.Unread // set when it was not read
	Runs   []string
	class  int // the same for values that are equal within tolerance
}

// Read says whether there is a value.
func (s Seen) Read() bool { return s.Unread.Reason == "" }

// NotThere is what is seen of a fact whose device is not on the machine.
const NotThere = "not there"

// Differs says whether the sides have different values.
func (d Difference) Differs() bool {
	values, unread := d.split()
	return values > 1 || unread && values > 0
}

// Device is the device of a fact that one whole side has and the other has not,
// such as memory.module[DIMM_A1]; "" for all others.
func (d Difference) Device() string {
	gone := func(side []Seen) bool { return len(side) == 1 && side[0].Value == rig.TextOf(NotThere) }
	if len(d.Base) == 1 && len(d.Against) == 1 && gone(d.Base) != gone(d.Against) {
		return device(d.Fact)
	}
	return ""
}

// Control lays all facts of both sides beside each other. Runs of several
// workloads are compared in the facts of the machine all together, in those of
// the workload each with its own.
func Control(base, against []Run, vary []rig.Key) Controlled {
	return Terms{Vary: vary}.Control(base, against)
}

// Control is the function Control with everything that may be declared.
func (t Terms) Control(base, against []Run) Controlled {
	c := Controlled{Rule: t.rule(), Runs: len(base) + len(against)}
	l := layOut(base, against)
	for _, row := range l.rows {
		t.class(&c, l.difference(row, t))
	}
	t.missing(&c, l)
	c.Controlled = len(c.NotControlled) == 0 && len(c.NotKnown) == 0
	if len(t.Vary) == 0 {
		c.Only = c.only()
	}
	return c
}

// missing adds the facts of the factor that no run has at all.
func (t Terms) missing(c *Controlled, l layout) {
	for _, v := range t.Vary {
		if !slices.ContainsFunc(l.rows, func(r row) bool { return r.key == v || r.key.Family() == v }) {
			c.NotKnown = append(c.NotKnown, l.difference(row{key: v}, t))
		}
	}
}

func (t Terms) rule() Rule {
	switch {
	case t.Rule != "":
		return t.Rule
	case len(t.Vary) > 0:
		return ByVary
	}
	return ByNobody
}

// class puts a fact where it belongs. Equal facts go nowhere.
func (t Terms) class(c *Controlled, d Difference) {
	read, unread := d.split()
	uniform := len(d.Base) == 1 && len(d.Against) == 1
	factor := t.varies(d.Fact)
	switch {
	case unread && !factor && d.absentAlike():
		c.Absent = append(c.Absent, d)
		return
	case unread:
		k := d
		k.Runs = d.unreadRuns()
		c.NotKnown = append(c.NotKnown, k)
		if factor {
			return
		}
	case factor && uniform:
		c.Factor = append(c.Factor, d)
		return
	}
	if read < 2 {
		return
	}
	if from, ok := t.cause(d.Fact); ok && uniform && !factor {
		d.From = from
		c.Follows = append(c.Follows, d)
		return
	}
	d.Class = classOf(d.Fact)
	c.NotControlled = append(c.NotControlled, d)
}

// split counts the different values over both sides, and says whether the fact
// is unread anywhere.
func (d Difference) split() (values int, unread bool) {
	met := map[int]bool{}
	for _, s := range slices.Concat(d.Base, d.Against) {
		if s.Read() {
			met[s.class] = true
		} else {
			unread = true
		}
	}
	return len(met), unread
}

// mixed says whether one side by itself has several values.
func (d Difference) mixed() bool {
	for _, side := range [][]Seen{d.Base, d.Against} {
		n := 0
		for _, s := range side {
			if s.Read() {
				n++
			}
		}
		if n > 1 {
			return true
		}
	}
	return false
}

// absentAlike says whether every run lacks the fact for one reason that says
// something of the machine itself: its source is not there, or, of a fact that is
// only worth a note, says that it does not know. What hides behind missing
// rights, a refusal or a broken reading is not known, and what the judgement of a
// run relies on never counts as absent.
func (d Difference) absentAlike() bool {
	if len(d.Base) != 1 || len(d.Against) != 1 || d.Base[0].Unread.Reason != d.Against[0].Unread.Reason {
		return false
	}
	e, _ := rig.Lookup(d.Fact)
	switch d.Base[0].Unread.Reason {
	case rig.Absent:
		return !e.Relied
	case rig.Unknown:
		return !e.Relied && e.Weight == rig.Note
	}
	return false
}

func (d Difference) unreadRuns() (ids []string) {
	for _, s := range slices.Concat(d.Base, d.Against) {
		if !s.Read() {
			ids = append(ids, s.Runs...)
		}
	}
	return ids
}

// varies says whether the fact is of the factor.
func (t Terms) varies(k rig.Key) bool {
	return slices.ContainsFunc(t.Vary, func(v rig.Key) bool { return v == k || v == k.Family() })
}

// cause finds the fact of the factor that k follows from, over any number of steps.
func (t Terms) cause(k rig.Key) (rig.Key, bool) {
	if len(t.Vary) == 0 {
		return "", false
	}
	if slices.ContainsFunc(t.Follows, func(f rig.Key) bool { return f == k || f == k.Family() }) {
		return t.Vary[0], true
	}
	return follows(k, func(f rig.Key) (rig.Key, bool) {
		for _, v := range t.Vary {
			if v == f || v.Family() == f {
				return v, true
			}
		}
		return "", false
	})
}

// follows walks from a fact to what it follows from, nearest first, until is
// gives a cause.
func follows(k rig.Key, is func(rig.Key) (rig.Key, bool)) (rig.Key, bool) {
	next, met := causes(k), map[rig.Key]bool{}
	for len(next) > 0 {
		f := next[0]
		next = next[1:]
		if met[f] {
			continue
		}
		met[f] = true
		if v, ok := is(f); ok {
			return v, true
		}
		next = append(next, causes(f)...)
	}
	return "", false
}

// causes gives what a fact follows from: by the catalogue, and the marks of one
// specimen from the rig itself.
func causes(k rig.Key) []rig.Key {
	if specimen[k.Family()] {
		return []rig.Key{RigName}
	}
	e, _ := rig.Lookup(k)
	return e.Follows
}

// specimen is the facts that tell one specimen of a machine from another.
var specimen = map[rig.Key]bool{
	"machine.serial": true, "machine.id": true, "machine.uuid": true, "board.serial": true,
	"memory.module[].serial": true, "host.name": true,
}

// only is the one fact that explains all that is not controlled, if there is
// one that may be a factor.
func (c Controlled) only() rig.Key {
	var roots []Difference
	for _, d := range c.NotControlled {
		_, explained := follows(d.Fact, func(f rig.Key) (rig.Key, bool) {
			return f, slices.ContainsFunc(c.NotControlled, func(o Difference) bool { return o.Fact == f && !o.mixed() })
		})
		if !explained || d.mixed() {
			roots = append(roots, d)
		}
	}
	if len(roots) != 1 || roots[0].mixed() || roots[0].Workload != "" || len(roots[0].Base) != 1 || len(roots[0].Against) != 1 {
		return ""
	}
	return roots[0].Fact
}

// Class is a class of facts that change what is measured.
type Class string

const (
	Firmware   Class = "firmware"
	Driver     Class = "driver"
	Version    Class = "content version"
	Setting    Class = "settings"
	Definition Class = "definition of the figures"
)

// classOf gives the class of a fact that refuses a ratio; "" for all others.
func classOf(k rig.Key) Class {
	switch k.Family() {
	case "firmware.maker", "firmware.version", "firmware.date", "firmware.release", "firmware.controller_release",
		"cpu.microcode", "graphics[].firmware", "drive[].firmware":
		return Firmware
	case "graphics[].driver", "graphics[].driver_version", "kernel.module[].version", "cpu.clock_driver":
		return Driver
	case WorkloadVersion, WorkloadContent:
		return Version
	case WorkloadSetting:
		return Setting
	}
	if strings.HasPrefix(string(k), definitions) {
		return Definition
	}
	return ""
}
