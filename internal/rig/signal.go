package rig

import (
	"math"
	"time"
)

// Signal is a fact sampled through a run. Sample i was taken Offsets[i] after
// the run's start by the rig's monotonic clock and reads Values[i]*10^Exponent
// in Unit; both slices have one length. A sample that could not be taken is not
// there, and Gaps says why. A signal that never gave a sample is unread.
type Signal struct {
	Key      Key
	Unit     Unit
	Exponent int // decimal: -3 with Celsius means thousandths of a degree
	Source   string
	Offsets  []time.Duration
	Values   []int64
	Limits   []Limit
	Gaps     []Gap
	Counter  bool // the value only counts up (events, energy); differences carry the meaning
	Unread   Unread
}

// Limit is a bound that the sensor itself states, in the signal's unit.
type Limit struct {
	Name  string // "max", "crit", "emergency", or a trip point's type
	Value float64
}

// Gap is a stretch of the run without samples.
type Gap struct {
	From, To time.Duration
	Unread
}

// At returns sample i in the signal's unit.
func (s Signal) At(i int) float64 { return s.Scale(s.Values[i]) }

// Scale turns a raw sample into the signal's unit.
func (s Signal) Scale(v int64) float64 {
	if s.Exponent >= 0 {
		return float64(v) * math.Pow10(s.Exponent)
	}
	return float64(v) / math.Pow10(-s.Exponent)
}
