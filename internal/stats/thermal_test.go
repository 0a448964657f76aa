package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// thermal of reference.json: R 4.2.2 nls and lm (opened).
func checkThermal(t *testing.T, ref *reference) {
	g := lehmer{1111}
	now := int64(31000)
	var milli, seconds, celsius []float64
	for k := range 300 {
		v := now + g.noise4(250)
		milli, seconds, celsius = append(milli, float64(v)), append(seconds, float64(k)), append(celsius, float64(v)/1000)
		now += (86000 - now) / 40
	}
	ref.list(t, 0, 0, milli, "thermal", "series_mC")
	f := FitFirstOrder(seconds, celsius, ThermalOptions{})
	if f.Status != OK {
		t.Fatalf("%s %q", f.Status, f.Reason)
	}
	ref.number(t, 1e-6, f.Final, "thermal", "fit", "Tinf")
	ref.number(t, 1e-6, f.Start, "thermal", "fit", "T0")
	ref.number(t, 1e-6, f.Tau, "thermal", "fit", "tau_s")
	ref.list(t, 1e-6, 0, f.SE[:], "thermal", "fit", "se")
	ref.near(t, 1e-9, f.RSS, "thermal", "fit", "rss")
	ref.near(t, 1e-12, -1/math.Log(1-1./40), "thermal", "exact_tau_of_recurrence")
	s := Settled(seconds, celsius, f, ThermalOptions{})
	ref.number(t, 1e-9, s.Slope, "thermal", "last60_slope_C_per_min")
	if !s.Steady || !(s.Remaining.Value > 0 && s.Remaining.Value < 0.1) {
		t.Errorf("%+v", s)
	}
}

// response makes a heating curve sampled each second.
func heating(n int, start, final, tau, noise float64, seed uint64) (seconds, celsius []float64) {
	rng := rand.New(rand.NewPCG(seed, 17))
	for k := range n {
		s := float64(k)
		seconds = append(seconds, s)
		celsius = append(celsius, final-(final-start)*math.Exp(-s/tau)+noise*rng.NormFloat64())
	}
	return seconds, celsius
}

func TestThermalRefusals(t *testing.T) {
	s, c := heating(60, 30, 90, 300, 0.1, 1)
	f := FitFirstOrder(s, c, ThermalOptions{})
	if f.Status != Refused || !f.Has(NotReached) || f.Final.Usable() {
		t.Errorf("tau of 300 s in a minute: %s %q", f.Status, f.Reason)
	}
	if st := Settled(s, c, f, ThermalOptions{}); st.Steady || !st.Has(NotSteady) {
		t.Errorf("still rising: %+v", st)
	}
	s, c = heating(200, 60, 60, 30, 0.3, 2)
	flat := FitFirstOrder(s, c, ThermalOptions{})
	if flat.Usable() || !flat.Has(PoorFit) {
		t.Errorf("flat: %+v", flat)
	}
	if st := Settled(s, c, flat, ThermalOptions{}); !st.Steady {
		t.Errorf("flat is steady: %+v", st)
	}
	s, c = heating(200, 60, 63, 30, 2, 2)
	if f := FitFirstOrder(s, c, ThermalOptions{}); f.Usable() || !f.Has(PoorFit) || !(f.RSquared > 0 && f.RSquared < 0.9) {
		t.Errorf("noise of two thirds of the rise: R squared %v, %q", f.RSquared, f.Reason)
	}
	if f := FitFirstOrder(s[:3], c[:3], ThermalOptions{}); !f.Has(TooFewValues) {
		t.Errorf("three samples: %+v", f.Grade)
	}
	nan := slices.Repeat([]float64{math.NaN()}, 200)
	if f := FitFirstOrder(s, nan, ThermalOptions{}); f.Usable() {
		t.Errorf("nothing read: %+v", f.Grade)
	}
	if st := Settled(s, nan, flat, ThermalOptions{}); st.Slope.Usable() || st.Steady || st.Usable() {
		t.Errorf("nothing read: %+v", st)
	}
}

// A die that follows in seconds on a sink that follows in minutes.
func TestFastPartIsLeftOut(t *testing.T) {
	s, c := heating(600, 30, 70, 90, 0.02, 3)
	for i := range c {
		c[i] += 15 * (1 - math.Exp(-s[i]/3))
	}
	f := FitFirstOrder(s, c, ThermalOptions{})
	if f.Status != Flagged || !f.Has(FastPartIgnored) || math.Abs(f.Tau.Value-90) > 2 || math.Abs(f.Final.Value-85) > 0.5 {
		t.Errorf("%s %q tau %v final %v", f.Status, f.Reason, f.Tau.Value, f.Final.Value)
	}
}

// trace makes five minutes at 4 GHz which fall by the ratio from second 100 to 200.
func trace(ratio, celsius, watts float64) Trace {
	var tr Trace
	for k := range 300 {
		clock, hot, power := 4000.0, celsius-20, 120.0
		if k >= 100 && k < 200 {
			clock, hot, power = 4000*ratio, celsius, watts
		}
		if k < 4 {
			clock = 5000
		}
		tr.Seconds = append(tr.Seconds, float64(k))
		tr.Megahertz = append(tr.Megahertz, clock)
		tr.Celsius = append(tr.Celsius, hot)
		tr.Watts = append(tr.Watts, power)
		tr.LoadPercent = append(tr.LoadPercent, 99)
	}
	return tr
}

func TestThrottlingCauses(t *testing.T) {
	limit := ThrottleOptions{LimitCelsius: 100}
	unread := slices.Repeat([]float64{math.NaN()}, 300)
	hot := trace(0.8, 98, 90)
	unloaded := trace(0.8, 98, 90)
	unloaded.LoadPercent = unread
	idle := trace(0.8, 98, 90)
	for k := 100; k < 200; k++ {
		idle.LoadPercent[k] = 60
	}
	unsteady := trace(0.8, 80, 90)
	for k := 100; k < 200; k++ {
		unsteady.Watts[k] = float64(60 + k%90)
	}
	cleared := trace(0.8, 98, 90)
	cleared.ThermalCount = make([]float64, 300)
	counted := trace(0.8, 80, 90)
	counted.ThermalCount = make([]float64, 300)
	for k := 110; k < 300; k++ {
		counted.ThermalCount[k] = 5
	}
	for name, c := range map[string]struct {
		tr    Trace
		opt   ThrottleOptions
		cause ThrottleCause // "" when nothing is found
		code  Code
	}{
		"hot":                 {hot, limit, ThrottleThermal, ""},
		"cool, power flat":    {trace(0.8, 80, 90), limit, ThrottlePower, ""},
		"cool, power moving":  {unsteady, limit, ThrottleUnknown, ""},
		"no limit known":      {hot, ThrottleOptions{}, ThrottleUnknown, LimitUndeclared},
		"load not read":       {unloaded, limit, ThrottleThermal, LoadUnread},
		"load fell":           {idle, limit, "", ""},
		"within 2 %":          {trace(0.985, 98, 90), limit, "", ""},
		"counter stood still": {cleared, limit, ThrottleUnknown, ""},
		"counter rose":        {counted, limit, ThrottleThermal, ""},
	} {
		got := FindThrottling(c.tr, c.opt)
		if c.cause == "" {
			if len(got.Events) != 0 || got.Status != OK {
				t.Errorf("%s: %+v", name, got)
			}
			continue
		}
		if len(got.Events) != 1 {
			t.Errorf("%s: %+v", name, got)
			continue
		}
		e := got.Events[0]
		if e.Cause != c.cause || e.From != 100 || e.To != 200 || math.Abs(e.ClockRatio-0.8) > 1e-9 || got.Plateau != 4000 {
			t.Errorf("%s: %+v, plateau %v", name, e, got.Plateau)
		}
		if c.code != "" && !e.Has(c.code) {
			t.Errorf("%s: %q does not name %s", name, e.Reason, c.code)
		}
	}
	if got := FindThrottling(Trace{Seconds: hot.Seconds, Megahertz: unread}, limit); got.Status != Refused {
		t.Errorf("clock not read: %+v", got)
	}
}

func TestThrottleEffect(t *testing.T) {
	x := slices.Concat(slices.Repeat([]int64{1e7}, 2000), slices.Repeat([]int64{2e7}, 500))
	n := ThrottleEffect(x, true)
	agree(t, "effect", 1e-9, n.Value, 0.5)
	if n := ThrottleEffect(x, false); n.Usable() || !n.Has(NotLooped) {
		t.Errorf("not looped: %+v", n)
	}
	if n := RisePerWatt(80, 20, 120, true); n.Status != OK || n.Value != 0.5 {
		t.Errorf("%+v", n)
	}
	if n := RisePerWatt(80, 20, 120, false); !n.Has(RoomBounded) || !n.Usable() {
		t.Errorf("%+v", n)
	}
	if n := RisePerWatt(80, 20, 0, true); n.Usable() {
		t.Errorf("%+v", n)
	}
}
