package compare

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// Measured is a figure of a run's signals: what was measured under load, not
// what was set.
type Measured struct {
	Value  float64 // NaN when there is none
	Unit   rig.Unit
	Source string // the signal it comes from
	Why    string // why there is none, or what makes it weak
}

// Known says whether there is a value.
func (m Measured) Known() bool { return !math.IsNaN(m.Value) }

func unknown(unit rig.Unit, why string) Measured {
	return Measured{Value: math.NaN(), Unit: unit, Why: why}
}

// tick is the sampler's pace: samples of one tick belong to one moment.
const tick = 100 * time.Millisecond

// MeanClock is the mean over the run of the clock of the busiest core, the
// highest of all cores at each moment.
func (r Run) MeanClock() Measured {
	best, source := map[time.Duration]float64{}, ""
	for _, s := range r.Signals {
		if s.Key.Family() != "cpu[].clock" {
			continue
		}
		for i := range s.Values {
			at := s.Offsets[i].Round(tick)
			best[at] = max(best[at], s.At(i))
		}
		if len(s.Values) > 0 && source == "" {
			source = s.Source
		}
	}
	if len(best) == 0 {
		return unknown(rig.MHz, "no core's clock was sampled")
	}
	var sum float64
	for _, v := range best {
		sum += v
	}
	return Measured{Value: sum / float64(len(best)), Unit: rig.MHz, Source: source}
}

// Thermal is a run's temperature over its room. Load is the processor's hottest
// sensor over the last fifth of the run.
type Thermal struct {
	Load, Room, Rise Measured
	RoomRead         bool // noted by a person; else the room is bounded by the lowest sensor before the run
	Watts            Measured
	PerWatt          stats.Number
}

// Thermal works out how far the run heated its processor.
func (r Run) Thermal() Thermal {
	t := Thermal{Load: unknown(rig.Celsius, "no temperature of the processor was sampled"), Watts: r.watts()}
	sensor := r.processorSensor()
	if n := len(sensor.Values); n > 0 {
		late := sensor.Offsets[0] + (sensor.Offsets[n-1]-sensor.Offsets[0])*4/5
		var end []float64
		for i, at := range sensor.Offsets {
			if at >= late {
				end = append(end, sensor.At(i))
			}
		}
		t.Load = Measured{Value: stats.Median(end), Unit: rig.Celsius, Source: sensor.Source}
	}
	t.Room, t.RoomRead = r.room()
	t.Rise = unknown(rig.Celsius, "")
	switch {
	case !t.Load.Known():
		t.Rise.Why = t.Load.Why
	case !t.Room.Known():
		t.Rise.Why = t.Room.Why
	default:
		t.Rise = Measured{Value: t.Load.Value - t.Room.Value, Unit: rig.Celsius, Source: t.Load.Source, Why: t.Room.Why}
	}
	t.PerWatt = stats.RisePerWatt(t.Load.Value, t.Room.Value, t.Watts.Value, t.RoomRead)
	return t
}

// room gives the room's temperature: what a person noted, else the lowest sensor
// before the run, which bounds it from above.
func (r Run) room() (m Measured, noted bool) {
	if v, err := strconv.ParseFloat(r.Noted["room_temperature"], 64); err == nil {
		return Measured{Value: v, Unit: rig.Celsius, Source: "setup file: room_temperature"}, true
	}
	m = unknown(rig.Celsius, "no room temperature is noted, and no sensor was read before the run")
	for _, f := range r.Before.Facts {
		if v, ok := f.Value.Number(); ok && f.Key.Family() == "temperature[]" && (!m.Known() || v < m.Value) {
			m = Measured{Value: v, Unit: rig.Celsius, Source: f.Source,
				Why: "the room is taken as the lowest sensor before the run, which bounds it from above to 2 degrees"}
		}
	}
	return m, false
}

// processorSensor is the processor's own sensor that got hottest.
func (r Run) processorSensor() (best rig.Signal) {
	highest := math.Inf(-1)
	for _, s := range r.Signals {
		if s.Key.Family() != "temperature[]" || len(s.Values) == 0 || !ofProcessor(s.Key.Index()) {
			continue
		}
		if top := s.Scale(slices.Max(s.Values)); top > highest {
			best, highest = s, top
		}
	}
	return best
}

// ofProcessor says whether a sensor's name is one that processors have.
func ofProcessor(sensor string) bool {
	name, _, _ := strings.Cut(sensor, " ")
	name, _, _ = strings.Cut(name, "/")
	return slices.Contains([]string{"coretemp", "k10temp", "zenpower", "x86_pkg_temp"}, name) || strings.HasPrefix(name, "cpu")
}

// watts is the mean power of the processor package over the run.
func (r Run) watts() Measured {
	for _, s := range r.Signals {
		n := len(s.Values)
		if s.Key.Family() != "energy[]" || !strings.HasPrefix(s.Key.Index(), "package") || n < 2 {
			continue
		}
		if span := (s.Offsets[n-1] - s.Offsets[0]).Seconds(); span > 0 {
			return Measured{Value: (s.At(n-1) - s.At(0)) / span, Unit: rig.Watt, Source: s.Source}
		}
	}
	return unknown(rig.Watt, "the package's energy was not sampled")
}

// share is the mean of a percentage over the run, 0 to 1, of the signal of the
// family that has the highest.
func (r Run) share(family rig.Key) (float64, bool) {
	best, ok := 0.0, false
	for _, s := range r.Signals {
		if s.Key.Family() != family || s.Unit != rig.Percent || len(s.Values) == 0 {
			continue
		}
		var sum float64
		for i := range s.Values {
			sum += s.At(i)
		}
		best, ok = max(best, sum/float64(len(s.Values))/100), true
	}
	return best, ok
}

// waiting is the share of the run in which some task waited for the resource, by
// the kernel's pressure counter.
func (r Run) waiting(k rig.Key) (float64, bool) {
	for _, s := range r.Signals {
		n := len(s.Values)
		if s.Key != k || n < 2 {
			continue
		}
		if span := (s.Offsets[n-1] - s.Offsets[0]).Seconds(); span > 0 {
			return (s.At(n-1) - s.At(0)) * 1e-6 / span, true
		}
	}
	return 0, false
}
