package sim

import (
	"math"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/rig"
)

// WithClock adds to each run a clock of all cores that holds the given share of
// what was set, sampled at 10 Hz, with a ripple of 5 MHz.
func WithClock(runs []compare.Run, share float64) []compare.Run {
	for i := range runs {
		mhz, _ := runs[i].Before.Number("cpu.clock_max")
		add(&runs[i], rig.Signal{Key: "cpu[0-15].clock", Unit: rig.MHz, Exponent: -3, Source: "sim"}, func(_ time.Duration, n int) float64 {
			return mhz*share + 5*float64(n%3-1)
		})
	}
	return runs
}

// WithHeat adds to each run the processor's temperature, which rises from the room
// by rise degrees with a time constant of 4 s, and notes the room.
func WithHeat(runs []compare.Run, room, rise float64) []compare.Run {
	for i := range runs {
		add(&runs[i], rig.Signal{Key: "temperature[coretemp/coretemp.0 Package id 0]", Unit: rig.Celsius, Exponent: -3, Source: "sim"},
			func(at time.Duration, _ int) float64 { return room + rise*(1-math.Exp(-at.Seconds()/4)) })
		if runs[i].Noted == nil {
			runs[i].Noted = map[string]string{}
		}
		runs[i].Noted["room_temperature"] = rig.NumberOf(room).String()
	}
	return runs
}

// add samples a signal through the run.
func add(r *compare.Run, s rig.Signal, of func(at time.Duration, n int) float64) {
	for n := 0; time.Duration(n)*100*time.Millisecond < r.Elapsed; n++ {
		at := time.Duration(n) * 100 * time.Millisecond
		s.Offsets = append(s.Offsets, at)
		s.Values = append(s.Values, int64(math.Round(of(at, n)*math.Pow10(-s.Exponent))))
	}
	r.Signals = append(r.Signals, s)
}
