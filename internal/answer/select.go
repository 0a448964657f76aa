package answer

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/fault"
	"witnessmark/internal/rig"
)

// Selection chooses runs by labels, facts and ids, as an analyst writes it:
//
//	workload=orrery,rig=heron,setup=memory-rated,since=7d,memory.speed=3200
//	k7q2m9xd,20310302-090312-p4c0r1tz
//
// Terms of different names have all to hold; of one name, any. Ids narrow the
// choice to these runs. A value with a comma in it stands in double quotes.
type Selection struct {
	Text         string // as it was written
	Labels       map[string][]string
	Facts        map[rig.Key][]string // values as written
	IDs          []string
	From, Before time.Time
}

// The labels that a Selection knows beside since and until.
var selectionLabels = []string{"rig", "workload", "version", "setup", "group"}

const selecting = "selection"

// ParseSelection reads a selection. Spans count back from now. The error is one
// line, and has a hint.
func ParseSelection(text string, now time.Time) (Selection, error) {
	s := Selection{Text: text, Labels: map[string][]string{}, Facts: map[rig.Key][]string{}}
	terms, err := cutTerms(text)
	if err != nil {
		return s, err
	}
	for _, t := range terms {
		if err := s.term(t, now); err != nil {
			return s, err
		}
	}
	switch {
	case len(terms) == 0:
		return s, fault.New(selecting, strconv.Quote(text), fmt.Errorf("it chooses nothing")).WithHint(selectionHint)
	case !s.From.IsZero() && !s.Before.IsZero() && !s.From.Before(s.Before):
		return s, fault.New(selecting, text, fmt.Errorf("since is not before until")).WithHint("exchange the two")
	}
	return s, nil
}

const selectionHint = "write it as workload=orrery,rig=heron,setup=memory-rated, with facts such as memory.speed=3200, since= and until=, or the ids of runs"

// term is one name with its value; without a name it is an id.
type term struct{ name, value string }

// cutTerms splits the text at commas outside quotes.
func cutTerms(text string) (terms []term, err error) {
	for rest := text; rest != ""; {
		var t string
		var quoted bool
		end := len(rest)
		for i := 0; i < len(rest); i++ {
			if rest[i] == '"' {
				quoted = !quoted
			}
			if rest[i] == ',' && !quoted {
				end = i
				break
			}
		}
		if quoted {
			return nil, fault.New(selecting, text, fmt.Errorf("a quote is left open")).WithHint(selectionHint)
		}
		t, rest = strings.TrimSpace(rest[:end]), strings.TrimPrefix(rest[end:], ",")
		if t == "" {
			continue
		}
		name, value, ok := strings.Cut(t, "=")
		if !ok {
			name, value = "", t
		}
		terms = append(terms, term{strings.TrimSpace(name), strings.ReplaceAll(strings.TrimSpace(value), `"`, "")})
	}
	return terms, nil
}

func (s *Selection) term(t term, now time.Time) error {
	wrong := func(hint, format string, args ...any) error {
		return fault.New(selecting, strings.TrimPrefix(t.name+"="+t.value, "="), fmt.Errorf(format, args...)).WithHint(hint)
	}
	var ok bool
	switch k := rig.Key(t.name); {
	case t.value == "":
		return wrong("give a value: "+t.name+"=VALUE", "there is no value")
	case t.name == "":
		s.IDs = append(s.IDs, t.value)
	case t.name == "since":
		if s.From, ok = Moment(t.value, now, false); !ok {
			return wrong(MomentHint, "not a time")
		}
	case t.name == "until":
		if s.Before, ok = Moment(t.value, now, true); !ok {
			return wrong(MomentHint, "not a time")
		}
	case slices.Contains(selectionLabels, t.name):
		s.Labels[t.name] = append(s.Labels[t.name], t.value)
	case KnownFact(k):
		s.Facts[k] = append(s.Facts[k], t.value)
	default:
		return wrong(nearestName(t.name), "there is no such label or fact")
	}
	return nil
}

// KnownFact says whether a comparison knows the fact: one of the catalogue, with
// or without an index, or one of what it holds beside it (see package compare).
func KnownFact(k rig.Key) bool {
	if _, ok := rig.Lookup(k); ok {
		return true
	}
	for _, prefix := range []string{"noted.", "workload.setting[", "workload.definition["} {
		if strings.HasPrefix(string(k), prefix) {
			return true
		}
	}
	return k == compare.RigName || k == compare.Played || k == compare.WorkloadVersion || k == compare.WorkloadContent
}

func nearestName(name string) string {
	best := string(rig.Nearest(rig.Key(name)))
	for _, l := range append([]string{"since", "until"}, selectionLabels...) {
		if fault.Distance(name, l) < fault.Distance(name, best) {
			best = l
		}
	}
	return "the nearest is " + best + "; facts are listed by: agent facts"
}
