package compare

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/rig"
)

// Words puts a difference into words: "firmware.version: 1.08 on the base, 1.10
// against it".
func (d Difference) Words() string {
	name := string(d.Fact)
	if d.Workload != "" {
		name = d.Workload + " " + name
	}
	b, a := d.Side(d.Base), d.Side(d.Against)
	if b == a {
		return fmt.Sprintf("%s: %s on both sides", name, b)
	}
	return fmt.Sprintf("%s: %s on the base, %s against it", name, b, a)
}

// Side puts what one side has into words: "3200 MT/s", or "3200 MT/s in 4 runs,
// 2400 MT/s in 1".
func (d Difference) Side(side []Seen) string {
	var parts []string
	for _, s := range side {
		p := d.value(s)
		if len(side) > 1 {
			p += fmt.Sprintf(" in %d", len(s.Runs))
			if len(parts) == 0 {
				p += map[bool]string{true: " run", false: " runs"}[len(s.Runs) == 1]
			}
		}
		parts = append(parts, p)
	}
	if len(parts) == 0 {
		return "not there"
	}
	return strings.Join(parts, ", ")
}

func (d Difference) value(s Seen) string {
	if !s.Read() {
		return "unread (" + s.Unread.String() + ")"
	}
	if t, ok := s.Value.Text(); ok && t == "" {
		return "not given"
	}
	if _, ok := s.Value.Number(); ok && d.Unit != rig.NoUnit {
		return s.Value.String() + " " + string(d.Unit)
	}
	return s.Value.String()
}

// Headline is the first line of every answer: controlled or not, and why.
func (c Controlled) Headline() string {
	if !c.Controlled {
		return "not controlled: " + strings.Join(c.spoils(), "; ")
	}
	var factor []string
	for _, d := range c.Factor {
		factor = append(factor, d.Words())
	}
	names := strings.Join(factor, "; ")
	switch {
	case len(c.Factor) == 0:
		return fmt.Sprintf("controlled: every fact is known and equal in all %d runs", c.Runs)
	case !c.Varied():
		return "controlled, but nothing was varied; " + names
	}
	s := "controlled; the factor is " + names
	if n := len(c.Follows); n > 0 {
		s += fmt.Sprintf("; %s from it", count(n, "fact follows", "facts follow"))
	}
	return s
}

// Varied says whether the factor differs between the sides.
func (c Controlled) Varied() bool {
	for _, d := range c.Factor {
		if d.Differs() {
			return true
		}
	}
	return false
}

// most is how many facts the headline names of each kind.
const most = 3

// spoils names what was not controlled, the heaviest first.
func (c Controlled) spoils() (out []string) {
	differ, unknown := heaviest(c.NotControlled), heaviest(c.NotKnown)
	for _, d := range differ[:min(most, len(differ))] {
		out = append(out, d.Words())
	}
	if more := len(differ) - most; more > 0 {
		out = append(out, count(more, "other fact differs", "other facts differ"))
	}
	for _, d := range unknown[:min(most, len(unknown))] {
		out = append(out, "not known: "+d.Words())
	}
	if more := len(unknown) - most; more > 0 {
		out = append(out, count(more, "other fact is not known", "other facts are not known"))
	}
	return out
}

// heaviest orders differences for a person: those that refuse a ratio, then by
// weight, then by what a run's judgement relies on, devices last.
func heaviest(ds []Difference) []Difference {
	out := slices.Clone(ds)
	slices.SortStableFunc(out, func(a, b Difference) int { return b.rank() - a.rank() })
	return out
}

func (d Difference) rank() int {
	e, _ := rig.Lookup(d.Fact)
	n := int(d.Weight) * 4
	if d.Class != "" {
		n += 100
	}
	if e.Relied {
		n += 2
	}
	if d.Fact.Index() == "" {
		n++
	}
	return n
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
