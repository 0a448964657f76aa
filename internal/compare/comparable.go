package compare

import (
	"cmp"
	"slices"
	"time"

	"witnessmark/internal/rig"
)

// Kin is the runs of one workload made under one configuration of one rig, of
// which one speaks for all.
type Kin struct {
	Run     Run      // its facts
	Runs    []string // all of them, newest first
	First   time.Time
	Last    time.Time
	Caution int // runs among them that are under caution
}

// Stand is runs held against another as a comparison would.
type Stand struct {
	Kin
	Controlled
	For   rig.Key // the fact that the comparison may vary; "" where nothing differs
	Named bool    // it was named; else it is the one fact that alone explains what differs
}

// Spoiler is a fact that keeps runs from being comparable.
type Spoiler struct {
	Fact           rig.Key
	Runs           int
	Configurations int
	Unknown        int     // configurations in which it was not read on one side
	Follows        rig.Key // another spoiler that explains it wherever it differs
	Class          Class

	rank int
}

// Comparable is which runs may still stand beside one run, and why the others may not.
type Comparable struct {
	To       Run
	Terms    Terms
	Stands   []Stand   // controlled, the newest first
	Spoilt   []Stand   // the others, by how little spoils them
	Spoilers []Spoiler // of the others, the most frequent first; of equals what others explain last, and the heaviest first
	LeftOut  []LeftOut
}

// StandBeside holds the kin against the run. Without a factor named, kin that one
// fact alone sets apart are controlled for it.
func StandBeside(to Run, kin []Kin, terms Terms) Comparable {
	c := Comparable{To: to, Terms: terms}
	for _, k := range kin {
		s := Stand{Kin: k, Controlled: terms.Control([]Run{to}, []Run{k.Run})}
		switch {
		case s.Controlled.Controlled:
			s.Named = len(terms.Vary) > 0
			for _, d := range s.Factor {
				if s.For == "" && d.Differs() {
					s.For = d.Fact
				}
			}
			c.Stands = append(c.Stands, s)
		case len(terms.Vary) == 0 && len(s.NotKnown) == 0 && s.Only != "":
			s.For = s.Only
			c.Stands = append(c.Stands, s)
		default:
			c.Spoilt = append(c.Spoilt, s)
		}
	}
	slices.SortStableFunc(c.Stands, func(a, b Stand) int { return b.Last.Compare(a.Last) })
	slices.SortStableFunc(c.Spoilt, func(a, b Stand) int {
		return cmp.Or(cmp.Compare(len(a.roots()), len(b.roots())), b.Last.Compare(a.Last))
	})
	c.spoilers()
	return c
}

// roots gives the facts that spoil, without those that others among them explain.
func (s Stand) roots() (out []Difference) {
	for _, d := range s.spoiling() {
		if s.explained(d) == "" {
			out = append(out, d)
		}
	}
	return out
}

// Spoiling gives the facts that spoil the comparison, the heaviest first.
func (s Stand) Spoiling() []Difference { return heaviest(s.roots()) }

// spoiling gives each fact once that is not controlled or not known.
func (s Stand) spoiling() []Difference {
	out := slices.Clone(s.NotControlled)
	for _, d := range s.NotKnown {
		if !slices.ContainsFunc(out, func(e Difference) bool { return e.Fact == d.Fact }) {
			out = append(out, d)
		}
	}
	return out
}

func (s Stand) explained(d Difference) rig.Key {
	from, _ := follows(d.Fact, func(k rig.Key) (rig.Key, bool) {
		i := slices.IndexFunc(s.NotControlled, func(e Difference) bool { return (e.Fact == k || e.Fact.Family() == k) && e.Fact != d.Fact })
		if i < 0 {
			return "", false
		}
		return s.NotControlled[i].Fact, true
	})
	return from
}

// spoilers counts what spoils, by fact.
func (c *Comparable) spoilers() {
	at := map[rig.Key]int{}
	for _, s := range c.Spoilt {
		for _, d := range s.spoiling() {
			i, ok := at[d.Fact]
			from := s.explained(d)
			if !ok {
				i = len(c.Spoilers)
				at[d.Fact] = i
				c.Spoilers = append(c.Spoilers, Spoiler{Fact: d.Fact, Class: classOf(d.Fact), Follows: from, rank: d.rank()})
			}
			p := &c.Spoilers[i]
			p.Runs, p.Configurations = p.Runs+len(s.Kin.Runs), p.Configurations+1
			if from == "" {
				p.Follows = ""
			}
			if _, unread := d.split(); unread {
				p.Unknown++
			}
		}
	}
	slices.SortStableFunc(c.Spoilers, func(a, b Spoiler) int {
		return cmp.Or(cmp.Compare(b.Runs, a.Runs), cmp.Compare(min(1, len(a.Follows)), min(1, len(b.Follows))), b.rank-a.rank, rig.Compare(a.Fact, b.Fact))
	})
}

// Leave adds runs that were found and not held against the run.
func (c *Comparable) Leave(why string, runs ...string) {
	i := slices.IndexFunc(c.LeftOut, func(l LeftOut) bool { return l.Why == why })
	if i < 0 {
		c.LeftOut = append(c.LeftOut, LeftOut{Why: why})
		i = len(c.LeftOut) - 1
	}
	c.LeftOut[i].Runs = append(c.LeftOut[i].Runs, runs...)
}
