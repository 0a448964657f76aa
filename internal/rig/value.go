package rig

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
)

// Kind says what a Value holds.
type Kind uint8

const (
	None   Kind = iota // no value; the zero Value
	Text               // a text, as the source printed it, trimmed
	Number             // a finite number in the fact's unit
	Truth              // yes or no
)

// Value is one reading: a text, a finite number or a truth. Values are comparable with ==.
type Value struct {
	kind Kind
	text string
	num  float64
}

// TextOf returns a text value.
func TextOf(s string) Value { return Value{kind: Text, text: s} }

// NumberOf returns a number value, or the zero Value for NaN and infinities.
func NumberOf(f float64) Value {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return Value{}
	}
	if f == 0 {
		f = 0 // no negative zero
	}
	return Value{kind: Number, num: f}
}

// TruthOf returns a truth value.
func TruthOf(b bool) Value {
	v := Value{kind: Truth}
	if b {
		v.num = 1
	}
	return v
}

// Kind says what v holds.
func (v Value) Kind() Kind { return v.kind }

// Number returns the number and whether v holds one.
func (v Value) Number() (float64, bool) { return v.num, v.kind == Number }

// Text returns the text and whether v holds one.
func (v Value) Text() (string, bool) { return v.text, v.kind == Text }

// Truth returns the truth and whether v holds one.
func (v Value) Truth() (yes, ok bool) { return v.num != 0, v.kind == Truth }

// String prints v as a table does: 3200, performance, yes.
func (v Value) String() string {
	switch v.kind {
	case Text:
		return v.text
	case Number:
		return strconv.FormatFloat(v.num, 'f', -1, 64)
	case Truth:
		if v.num != 0 {
			return "yes"
		}
		return "no"
	}
	return ""
}

// MarshalJSON gives the JSON text, number or truth; null for the zero Value.
func (v Value) MarshalJSON() ([]byte, error) {
	switch v.kind {
	case Text:
		return json.Marshal(v.text)
	case Number:
		return json.Marshal(v.num)
	case Truth:
		return json.Marshal(v.num != 0)
	}
	return []byte("null"), nil
}

// UnmarshalJSON takes what MarshalJSON gives.
func (v *Value) UnmarshalJSON(b []byte) error {
	var x any
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	switch x := x.(type) {
	case string:
		*v = TextOf(x)
	case float64:
		*v = NumberOf(x)
	case bool:
		*v = TruthOf(x)
	case nil:
		*v = Value{}
	default:
		return fmt.Errorf("fact value: %s is neither text, number nor truth", b)
	}
	return nil
}
