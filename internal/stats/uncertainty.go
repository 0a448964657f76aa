package stats

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Component is one part of a standard uncertainty, in the unit of the value.
type Component struct {
	Name string
	U    float64
	DF   float64 // math.Inf(1) for a type B part taken as known
}

// ResolutionComponent is the type B part of a value shown in steps of q.
func ResolutionComponent(q float64) Component {
	return Component{Name: "resolution", U: q / math.Sqrt(12), DF: math.Inf(1)}
}

// Uncertainty is a value with its standard and expanded uncertainty. It states
// how well this one machine repeats, not how units of its kind differ.
//
// Source: JCGM 100:2008 (GUM) 4.2, 4.4.3, G.4 (memory, examples reproduced).
type Uncertainty struct {
	Grade
	Value      float64
	Unit       string
	N          int
	SD         float64
	U          float64 // standard uncertainty, all components
	DF         float64 // effective
	K          float64 // coverage factor
	Expanded   float64 // K times U
	Level      float64
	RelativeU  float64 // U/Value
	Components []Component
	Sessions   int
}

// TypeA evaluates the uncertainty of the mean of repeated values and combines it
// with further components, at the given level (0 means 0.95).
func TypeA(values []float64, unit string, level float64, more ...Component) Uncertainty {
	defaultTo(&level, 0.95)
	u := Uncertainty{Grade: Grade{Status: OK}, Value: Mean(values), Unit: unit, N: len(values), SD: SD(values), Level: level, Sessions: 1}
	if u.N < 2 || !finite(values) {
		u.refuse(SingleRun, "%d finite values show no spread", u.N)
		u.U, u.DF, u.K, u.Expanded, u.RelativeU = math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()
		return u
	}
	u.Components = append([]Component{{Name: "type A", U: u.SD / math.Sqrt(float64(u.N)), DF: float64(u.N - 1)}}, more...)
	u.U, u.DF = Combine(u.Components)
	if u.U == 0 {
		u.flag(NoVariation, "all values are %g and no resolution is declared", u.Value)
	}
	u.K = tQuantile(0.5+level/2, u.DF)
	u.Expanded = u.K * u.U
	u.RelativeU = u.U / math.Abs(u.Value)
	return u
}

// Combine adds components in quadrature; the degrees of freedom are effective by
// the Welch-Satterthwaite formula.
func Combine(parts []Component) (u, df float64) {
	var variance, fourth float64
	for _, c := range parts {
		variance += c.U * c.U
		fourth += c.U * c.U * c.U * c.U / c.DF
	}
	if fourth == 0 {
		if len(parts) > 0 && variance == 0 {
			return 0, parts[0].DF
		}
		return math.Sqrt(variance), math.Inf(1)
	}
	return math.Sqrt(variance), variance * variance / fourth
}

// String states the result as it should be published.
func (u Uncertainty) String() string {
	if !u.Usable() {
		return fmt.Sprintf("no uncertainty (%s)", u.Reason)
	}
	value, standard := RoundTo(u.Value, u.U)
	_, expanded := RoundTo(u.Value, u.Expanded)
	kind := "type A"
	if len(u.Components) > 1 {
		names := make([]string, len(u.Components))
		for i, c := range u.Components {
			names[i] = c.Name
		}
		kind = "from " + strings.Join(names, " and ")
	}
	return fmt.Sprintf("%s %s, standard uncertainty %s (%s, %d runs, %s degrees of freedom), expanded U = %s (k = %s, %g %%), one rig, %s",
		value, u.Unit, standard, kind, u.N, trim(u.DF), expanded, significant(u.K), 100*u.Level, sessionWords(u.Sessions))
}

func sessionWords(n int) string {
	if n == 1 {
		return "one session"
	}
	return fmt.Sprintf("%d sessions", n)
}

func trim(df float64) string {
	if math.IsInf(df, 1) {
		return "infinite"
	}
	return strconv.FormatFloat(math.Floor(df+1e-9), 'f', 0, 64)
}

// significant prints three significant digits without an exponent.
func significant(x float64) string {
	decimals := 2 - int(math.Floor(math.Log10(math.Abs(x))))
	return strconv.FormatFloat(x, 'f', max(0, decimals), 64)
}

// RoundTo writes a value and its uncertainty, the uncertainty with two
// significant digits and the value to the same place. Without a positive
// uncertainty the value is written in full.
func RoundTo(value, u float64) (string, string) {
	if !(u > 0) || math.IsInf(u, 0) {
		return strconv.FormatFloat(value, 'g', -1, 64), strconv.FormatFloat(u, 'g', -1, 64)
	}
	decimals := 1 - int(math.Floor(math.Log10(u)))
	scale := math.Pow(10, float64(decimals))
	if math.Round(u*scale) >= 100 { // 0.0996 rounds to 0.10, not to 0.100
		decimals--
		scale /= 10
	}
	write := func(x float64) string { // 144.075 is held as 144.07499999999999
		return strconv.FormatFloat(math.Round(x*scale*(1+1e-13))/scale, 'f', max(0, decimals), 64)
	}
	return write(value), write(u)
}
