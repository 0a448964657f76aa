package setup

import (
	"math"
	"strconv"
	"strings"
)

// Kind says what a Value holds.
type Kind uint8

const (
	None   Kind = iota // no value; the zero Value
	Text               // a text; a date in a file is the text it is written as
	Number             // a finite number
	Truth              // yes or no
)

// String gives the kind with its article, as error messages use it.
func (k Kind) String() string {
	switch k {
	case Text:
		return "a text"
	case Number:
		return "a number"
	case Truth:
		return "true or false"
	}
	return "nothing"
}

// Value is one text, number or truth, from a file or from a rig.
type Value struct {
	Kind   Kind
	Text   string  // the text; of a number or truth, how it is written
	Number float64 // set for Number; always finite
	Truth  bool    // set for Truth
}

// TextOf returns a text value.
func TextOf(s string) Value { return Value{Kind: Text, Text: s} }

// NumberOf returns a number value, or the zero Value when f is not finite.
func NumberOf(f float64) Value {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return Value{}
	}
	return Value{Kind: Number, Text: strconv.FormatFloat(f, 'f', -1, 64), Number: f}
}

// TruthOf returns a truth value, written yes or no.
func TruthOf(b bool) Value {
	if b {
		return Value{Kind: Truth, Text: "yes", Truth: true}
	}
	return Value{Kind: Truth, Text: "no"}
}

// String prints the value as it was written: 3200, 1.10, performance, yes.
func (v Value) String() string { return v.Text }

// Same reports whether two values say the same. Values of one kind are equal as
// texts, numbers or truths. Across kinds the writing decides, because a file
// cannot show which kind the rig reports: 1.10 is the text "1.10" but not
// "1.1", 3200 is the text "3200", and yes is "on", "true" or "enabled".
func (v Value) Same(w Value) bool {
	switch {
	case v.Kind == None || w.Kind == None:
		return false
	case v.Kind == Number && w.Kind == Number:
		return within(v.Number, w.Number, 0)
	case v.Kind == Truth && w.Kind == Truth:
		return v.Truth == w.Truth
	case v.Kind == Truth:
		return w.Kind == Text && v.sameTruth(w.Text)
	case w.Kind == Truth:
		return v.Kind == Text && w.sameTruth(v.Text)
	}
	return v.Text == w.Text
}

func (v Value) sameTruth(text string) bool {
	switch strings.ToLower(text) {
	case "yes", "true", "on", "enabled":
		return v.Truth
	case "no", "false", "off", "disabled":
		return !v.Truth
	}
	return false
}

// within reports |a-b| <= limit, allowing for what decimals lose as binary
// fractions, so that 4.2 is within 0.1 of 4.1.
func within(a, b, limit float64) bool {
	slack := 1e-12 * max(math.Abs(a), math.Abs(b))
	return math.Abs(a-b) <= limit+slack
}
