package stats

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
)

// Status says whether a number may be used.
type Status string

const (
	OK      Status = "ok"
	Flagged Status = "flagged" // usable, with the reason printed beside it
	Refused Status = "refused" // there is no number, only the reason
)

// Grade is the status of a number or of a whole result, with why. Reason holds
// one or more "code: words" joined by "; " and is empty while the status is OK.
type Grade struct {
	Status Status `json:"status"`
	Reason string `json:"reason,omitempty"`
}

// Has reports whether the reason holds the code.
func (g Grade) Has(code Code) bool {
	for _, part := range strings.Split(g.Reason, "; ") {
		if c, _, _ := strings.Cut(part, ":"); c == string(code) {
			return true
		}
	}
	return false
}

// Usable reports whether there is a value: ok or flagged.
func (g Grade) Usable() bool { return g.Status == OK || g.Status == Flagged }

func (g *Grade) flag(code Code, format string, args ...any) {
	if g.Status != Refused {
		g.Status = Flagged
	}
	g.because(code, format, args...)
}

func (g *Grade) refuse(code Code, format string, args ...any) {
	g.Status = Refused
	g.because(code, format, args...)
}

func (g *Grade) because(code Code, format string, args ...any) {
	words := string(code) + ": " + strings.ReplaceAll(fmt.Sprintf(format, args...), "; ", ", ")
	if g.Reason != "" {
		words = g.Reason + "; " + words
	}
	g.Reason = words
}

// inherit takes over what was held against an ingredient of this result.
func (g *Grade) inherit(from Grade) {
	if from.Status == Refused || (from.Status == Flagged && g.Status != Refused) {
		g.Status = from.Status
	}
	if from.Reason == "" {
		return
	}
	if g.Reason != "" {
		g.Reason += "; "
	}
	g.Reason += from.Reason
}

// Param is one setting a method used.
type Param struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit,omitempty"`
}

// Number is one figure that may leave the system. Value is NaN when refused.
type Number struct {
	Value  float64
	Unit   string  // "ms", "frames/s", "1" for a pure number
	Method string  // id, such as "frametime.p99.hf7"
	Params []Param // what the method was told, beyond its id
	N      int     // values it rests on
	Grade
}

// Get returns the value and whether there is one.
func (n Number) Get() (float64, bool) { return n.Value, n.Usable() }

// MarshalJSON writes the value as null when there is none.
func (n Number) MarshalJSON() ([]byte, error) {
	var v *float64
	if n.Usable() && !math.IsNaN(n.Value) && !math.IsInf(n.Value, 0) {
		v = &n.Value
	}
	return json.Marshal(struct {
		Value  *float64 `json:"value"`
		Unit   string   `json:"unit"`
		Method string   `json:"method"`
		Params []Param  `json:"params,omitempty"`
		N      int      `json:"n"`
		Grade
	}{v, n.Unit, n.Method, n.Params, n.N, n.Grade})
}

func number(method, unit string, n int, value float64, params ...Param) Number {
	return Number{Value: value, Unit: unit, Method: method, Params: params, N: n, Grade: Grade{Status: OK}}
}

func (n *Number) withhold(code Code, format string, args ...any) {
	n.Value = math.NaN()
	n.refuse(code, format, args...)
}

func refusedNumber(method, unit string, n int, code Code, format string, args ...any) Number {
	r := number(method, unit, n, math.NaN())
	r.withhold(code, format, args...)
	return r
}

// Interval is a range with its level, such as 0.95.
type Interval struct {
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	Level float64 `json:"level"`
}

// Contains reports whether x lies in the closed interval.
func (i Interval) Contains(x float64) bool { return i.Low <= x && x <= i.High }
