package stats

import (
	"math"
	"slices"
	"time"
)

// Trace is the signals of a run, sampled together. A slice may be nil and a value
// NaN where nothing was read.
type Trace struct {
	Seconds      []float64 // since the load began, ascending
	Megahertz    []float64
	Celsius      []float64
	Watts        []float64
	LoadPercent  []float64
	ThermalCount []float64 // the platform's own count of thermal throttling, cumulative
	PowerCount   []float64 // and of power limiting
}

// ThrottleOptions are the settings of FindThrottling; zero fields mean the
// default. All are design choices.
type ThrottleOptions struct {
	LimitCelsius float64 // the part's own limit; 0 when undeclared, then nothing is called thermal
	Bin          float64 // 5 s medians
	Skip         float64 // 5 s of boost at the start
	Plateau      float64 // 0.2 of the rest gives the clock to hold against
	Drop         float64 // 0.98 of that clock
	Least        float64 // 10 s
	LoadPoints   float64 // 5 percentage points
	NearLimit    float64 // 3 degC
	PowerFlat    float64 // 0.02
}

func (o ThrottleOptions) filled() ThrottleOptions {
	defaultTo(&o.Bin, 5)
	defaultTo(&o.Skip, 5)
	defaultTo(&o.Plateau, 0.2)
	defaultTo(&o.Drop, 0.98)
	defaultTo(&o.Least, 10)
	defaultTo(&o.LoadPoints, 5)
	defaultTo(&o.NearLimit, 3)
	defaultTo(&o.PowerFlat, 0.02)
	return o
}

// ThrottleCause is why a clock fell under unchanged load, as far as that is known.
type ThrottleCause string

const (
	ThrottleThermal ThrottleCause = "thermal"
	ThrottlePower   ThrottleCause = "power_limit"
	ThrottleUnknown ThrottleCause = "clock_drop_unknown"
)

// ThrottleEvent is one stretch of lowered clock.
type ThrottleEvent struct {
	Grade
	From, To   float64 // seconds
	Cause      ThrottleCause
	ByCounter  bool    // the platform's counters decided
	ClockRatio float64 // least median over the plateau
	MaxCelsius float64 // NaN when not read
}

// Throttling is what a run's signals show.
type Throttling struct {
	Grade
	Plateau float64 // MHz, the clock held against
	Events  []ThrottleEvent
}

type bin struct{ from, to, clock, celsius, watts, load, thermal, power float64 }

// FindThrottling looks for stretches of lowered clock under unchanged load. The
// platform's own counters, where read, overrule the rule.
//
// Common practice, no source.
func FindThrottling(tr Trace, opt ThrottleOptions) Throttling {
	opt = opt.filled()
	out := Throttling{Grade: Grade{Status: OK}, Plateau: math.NaN()}
	bins := tr.bins(opt)
	if len(bins) < 5 {
		out.refuse(TooFewValues, "the clock was read in %d stretches of %g s, at least 5 are needed", len(bins), opt.Bin)
		return out
	}
	early := bins[:max(1, int(math.Ceil(opt.Plateau*float64(len(bins)))))]
	out.Plateau = medianField(early, func(b bin) float64 { return b.clock })
	load := medianField(early, func(b bin) float64 { return b.load })
	low := func(b bin) bool {
		return b.clock < opt.Drop*out.Plateau && !(math.Abs(b.load-load) > opt.LoadPoints)
	}
	for i := 0; i < len(bins); {
		if !low(bins[i]) {
			i++
			continue
		}
		j := i
		for j < len(bins) && low(bins[j]) && (j == i || bins[j].from == bins[j-1].to) {
			j++
		}
		if bins[j-1].to-bins[i].from >= opt.Least-1e-9 {
			out.Events = append(out.Events, event(bins, i, j, out.Plateau, load, opt))
		}
		i = j
	}
	return out
}

func event(bins []bin, i, j int, plateau, load float64, opt ThrottleOptions) ThrottleEvent {
	part := bins[i:j]
	e := ThrottleEvent{Grade: Grade{Status: OK}, From: part[0].from, To: part[len(part)-1].to, ClockRatio: math.Inf(1), MaxCelsius: math.NaN()}
	for _, b := range part {
		e.ClockRatio = math.Min(e.ClockRatio, b.clock/plateau)
		if !(b.celsius <= e.MaxCelsius) {
			e.MaxCelsius = b.celsius
		}
	}
	if math.IsNaN(load) {
		e.flag(LoadUnread, "the load was not read, the drop may be its own")
	}
	e.Cause = e.byRule(part, opt)
	e.byCounters(bins[max(0, i-1)], part[len(part)-1])
	return e
}

func (e *ThrottleEvent) byRule(part []bin, opt ThrottleOptions) ThrottleCause {
	if opt.LimitCelsius == 0 {
		e.flag(LimitUndeclared, "the temperature limit is not known, heat is neither named nor excluded")
		return ThrottleUnknown
	}
	switch {
	case e.MaxCelsius >= opt.LimitCelsius-opt.NearLimit:
		return ThrottleThermal
	case e.MaxCelsius < opt.LimitCelsius-opt.NearLimit && powerIsFlat(part, opt.PowerFlat):
		return ThrottlePower
	}
	return ThrottleUnknown
}

func powerIsFlat(part []bin, within float64) bool {
	mid := medianField(part, func(b bin) float64 { return b.watts })
	for _, b := range part {
		if !(math.Abs(b.watts-mid) <= within*mid) {
			return false
		}
	}
	return true
}

// byCounters lets the counts that rose during the event name the cause, and a
// count that was read and stood still clear it.
func (e *ThrottleEvent) byCounters(before, last bin) {
	thermal, power := last.thermal-before.thermal, last.power-before.power
	cause := e.Cause
	switch {
	case thermal > 0:
		cause = ThrottleThermal
	case power > 0:
		cause = ThrottlePower
	case thermal == 0 && cause == ThrottleThermal, power == 0 && cause == ThrottlePower:
		cause = ThrottleUnknown
	default:
		return
	}
	e.ByCounter, e.Cause = true, cause
}

// bins takes medians over stretches of the trace in which the clock was read.
func (tr Trace) bins(opt ThrottleOptions) []bin {
	var out []bin
	for i := 0; i < len(tr.Seconds); {
		k := math.Floor(tr.Seconds[i] / opt.Bin)
		j := i
		for j < len(tr.Seconds) && math.Floor(tr.Seconds[j]/opt.Bin) == k {
			j++
		}
		if j == i { // a time that is NaN
			i++
			continue
		}
		b := bin{from: k * opt.Bin, to: (k + 1) * opt.Bin,
			clock: medianRead(tr.Megahertz, i, j), celsius: medianRead(tr.Celsius, i, j), watts: medianRead(tr.Watts, i, j),
			load: medianRead(tr.LoadPercent, i, j), thermal: lastRead(tr.ThermalCount, i, j), power: lastRead(tr.PowerCount, i, j)}
		if b.from >= opt.Skip && !math.IsNaN(b.clock) {
			out = append(out, b)
		}
		i = j
	}
	return out
}

func read(x []float64, i, j int) []float64 {
	if len(x) < j {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(x[i:j]), math.IsNaN)
}

func medianRead(x []float64, i, j int) float64 { return Median(read(x, i, j)) }

func lastRead(x []float64, i, j int) float64 {
	if r := read(x, i, j); len(r) > 0 {
		return r[len(r)-1]
	}
	return math.NaN()
}

func medianField(bins []bin, of func(bin) float64) float64 {
	var x []float64
	for _, b := range bins {
		if v := of(b); !math.IsNaN(v) {
			x = append(x, v)
		}
	}
	return Median(x)
}

// ThrottleEffect is the rate in the last third of a run over that in the first,
// on content that loops. On a sequence that does not loop the thirds are different
// scenes, and it is refused. Id thermal.effect.
func ThrottleEffect(nanos []int64, looped bool) Number {
	n := number("thermal.effect", "1", len(nanos), math.NaN())
	var g Grade
	f, ok := admit(nanos, &g, DefaultOptions())
	switch {
	case !ok:
		n.inherit(g)
	case !looped:
		n.withhold(NotLooped, "the content does not repeat, the thirds of the run are different scenes")
	default:
		third := f.total / 3
		p := progress{order: f.order}
		first := p.at(third)
		before := p.at(f.total - third)
		n.Value = (float64(len(nanos)) - before) / first
		n.Params = []Param{{Name: "third", Value: time.Duration(third).Seconds(), Unit: "s"}}
	}
	return n
}
