package setup

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Expectation is what a setup declares of one fact, in the fact's own unit. It
// has one of three forms: a value with an optional tolerance, a range, a choice.
type Expectation struct {
	Value     Value     // Kind None when the form is another
	Tolerance Tolerance // around a Value that is a number; zero when not given
	Min, Max  *float64  // both belong to the range; nil for open
	OneOf     []Value   // any of these
	Line      int       // in the file
}

// Tolerance is how far a number may be from the declared one and still hold: the
// larger of the two, as in the catalogue of facts, whose tolerances convert to
// this type. A file sets at most one of them.
type Tolerance struct {
	Absolute float64 // in the fact's unit
	Relative float64 // a fraction of the declared number: 0.01 for "1%"
}

// Holds reports whether the fact's value is as declared. Numbers are compared
// as decimals, texts exactly, and kinds as Value.Same compares them.
func (e Expectation) Holds(v Value) bool {
	switch {
	case v.Kind == None:
		return false
	case e.Min != nil || e.Max != nil:
		f, ok := v.number()
		return ok && (e.Min == nil || f >= *e.Min || within(f, *e.Min, 0)) &&
			(e.Max == nil || f <= *e.Max || within(f, *e.Max, 0))
	case len(e.OneOf) > 0:
		for _, w := range e.OneOf {
			if w.Same(v) {
				return true
			}
		}
		return false
	case e.Tolerance != (Tolerance{}):
		f, ok := v.number()
		return ok && within(f, e.Value.Number, e.Tolerance.around(e.Value.Number))
	}
	return e.Value.Same(v)
}

// around gives the tolerance in the unit of the declared number.
func (t Tolerance) around(declared float64) float64 {
	return max(t.Absolute, t.Relative*math.Abs(declared))
}

// String prints the tolerance: "10", "1%", "10 or 1%", or "" for none.
func (t Tolerance) String() string {
	var parts []string
	if t.Absolute > 0 {
		parts = append(parts, decimal(t.Absolute))
	}
	if t.Relative > 0 {
		// Twelve digits hide what dividing the percentage by 100 lost.
		f, _ := strconv.ParseFloat(strconv.FormatFloat(100*t.Relative, 'g', 12, 64), 64)
		parts = append(parts, decimal(f)+"%")
	}
	return strings.Join(parts, " or ")
}

// WithTolerance returns e with t where e is a bare number, and e unchanged
// otherwise: the place for a catalogue's tolerance when the setup gives none.
func (e Expectation) WithTolerance(t Tolerance) Expectation {
	if e.Value.Kind == Number && e.Tolerance == (Tolerance{}) {
		e.Tolerance = t
	}
	return e
}

// String prints what is declared: "3200", "3200 within 1%", "4100 to 4300",
// "at least 4100", "performance or schedutil".
func (e Expectation) String() string {
	switch {
	case e.Min != nil && e.Max != nil:
		return decimal(*e.Min) + " to " + decimal(*e.Max)
	case e.Min != nil:
		return "at least " + decimal(*e.Min)
	case e.Max != nil:
		return "at most " + decimal(*e.Max)
	case len(e.OneOf) > 0:
		words := make([]string, len(e.OneOf))
		for i, v := range e.OneOf {
			words[i] = v.String()
		}
		if n := len(words) - 1; n > 0 {
			return strings.Join(words[:n], ", ") + " or " + words[n]
		}
		return words[0]
	case e.Tolerance != (Tolerance{}):
		return e.Value.String() + " within " + e.Tolerance.String()
	}
	return e.Value.String()
}

func decimal(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// number gives the value as a number, also where a rig reports one as a text.
func (v Value) number() (float64, bool) {
	if v.Kind == Text {
		f, err := strconv.ParseFloat(v.Text, 64)
		return f, err == nil && !math.IsNaN(f) && !math.IsInf(f, 0)
	}
	return v.Number, v.Kind == Number
}

// expectation reads what stands for one fact.
func (r *reader) expectation(key string, n *node) Expectation {
	e := Expectation{Line: n.line}
	switch n.shape {
	case isValue:
		e.Value = r.scalar(key, n)
	case isList:
		r.wrong(n, fmt.Sprintf("write %q = { one_of = [...] }", key), "%q is a list", key)
	case isTable:
		r.stated(key, n, &e)
	}
	return e
}

func (r *reader) scalar(key string, n *node) Value {
	if n.shape != isValue {
		r.wrong(n, "give a text, a number, true or false", "%q is %s, not a single value", key, n)
		return Value{}
	}
	if n.value.Text == "" || n.value.Text != oneLine(n.value.Text) {
		r.wrong(n, "give the value as the fact prints it", "%q is blank or holds blanks that no fact has", key)
	}
	return n.value
}

// stated reads { value, tolerance }, { min, max } or { one_of }.
func (r *reader) stated(key string, n *node, e *Expectation) {
	r.known(n, expectTable)
	has := func(k string) bool { return n.table[k] != nil }
	ranged, valued, chosen := has("min") || has("max"), has("value") || has("tolerance"), has("one_of")
	switch {
	case ranged && valued, ranged && chosen, valued && chosen:
		r.wrong(n, "one of { value, tolerance }, { min, max } and { one_of }", "%q is stated in two ways", key)
	case ranged:
		r.ranged(key, n, e)
	case chosen:
		r.chosen(key, n, e)
	case has("value"):
		e.Value = r.scalar(key, n.table["value"])
		if has("tolerance") {
			e.Tolerance = r.tolerance(key, n.table["tolerance"], e.Value)
		}
	case valued:
		r.wrong(n, `write { value = 3200, tolerance = "1%" }`, "%q has a tolerance but no value", key)
	case len(n.keys) == 0:
		r.wrong(n, "write a value, { min, max }, { value, tolerance } or { one_of }", "%q is an empty table", key)
	}
}

func (r *reader) ranged(key string, n *node, e *Expectation) {
	if f, ok := r.number(n, "min"); ok {
		e.Min = &f
	}
	if f, ok := r.number(n, "max"); ok {
		e.Max = &f
	}
	if e.Min != nil && e.Max != nil && *e.Min > *e.Max {
		r.wrong(n, "swap them", "%q has min %s above max %s", key, decimal(*e.Min), decimal(*e.Max))
	}
}

func (r *reader) chosen(key string, n *node, e *Expectation) {
	c := n.table["one_of"]
	if c.shape != isList || len(c.list) == 0 {
		r.wrong(c, `write { one_of = ["performance", "schedutil"] }`, "one_of for %q is %s, not a list of values", key, emptyOr(c))
		return
	}
	for _, m := range c.list {
		e.OneOf = append(e.OneOf, r.scalar(key, m))
	}
}

func emptyOr(n *node) string {
	if n.shape == isList {
		return "an empty list"
	}
	return n.String()
}

// tolerance reads a number in the fact's unit or a text such as "1%".
func (r *reader) tolerance(key string, n *node, around Value) Tolerance {
	hint := `write tolerance = 50 in the fact's unit, or tolerance = "1%"`
	if around.Kind != None && around.Kind != Number {
		r.wrong(n, "leave it out, or use { one_of = [...] }", "%q has a tolerance, but its value is %s", key, around.Kind)
		return Tolerance{}
	}
	if n.shape == isValue && n.value.Kind == Number && n.value.Number > 0 {
		return Tolerance{Absolute: n.value.Number}
	}
	if n.shape == isValue && n.value.Kind == Text {
		digits, percent := strings.CutSuffix(n.value.Text, "%")
		f, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
		if err == nil && percent && f > 0 && f <= 100 {
			return Tolerance{Relative: f / 100}
		}
	}
	r.wrong(n, hint, "the tolerance of %q is neither a number above zero nor a percentage", key)
	return Tolerance{}
}
