package series

import (
	"math"
	"math/rand/v2"
	"strconv"
)

// The series below are invented; they have the shape of the real thing.

// frameModel is how frame durations come about: a mean, a scene (AR(1), rho
// 0.9), a slow drift (rho 0.9995), noise of each frame, and rare stutters of
// about three times the length.
type frameModel struct {
	mean                            float64 // ns
	scene, drift, noise, pStutter   float64 // standard deviations of the logarithm, and a probability
	rhoScene, rhoDrift, atLeast, by float64 // a stutter multiplies by atLeast to atLeast+by
}

// newFrameModel draws a model; capped has a steady rate, as with a frame limiter.
func newFrameModel(r *rand.Rand, capped bool) frameModel {
	m := frameModel{
		mean:  1e9 / (60 * math.Pow(500.0/60, r.Float64())),
		scene: 0.03 + 0.09*r.Float64(), noise: 0.01 + 0.05*r.Float64(), pStutter: 0.0003 + 0.002*r.Float64(),
		rhoScene: .9, rhoDrift: .9995, atLeast: 2.5, by: 1,
	}
	if capped {
		m.scene, m.noise = 0, 0.003+0.007*r.Float64()
	}
	m.drift = max(m.scene, m.noise)
	return m
}

// frameTimes gives n durations in nanoseconds on the grid of tick, and the model.
func frameTimes(seed uint64, n int, tick int64, capped bool) ([]int64, frameModel) {
	r := rand.New(rand.NewPCG(seed, 1))
	m := newFrameModel(r, capped)
	var near, far float64
	out := make([]int64, n)
	for i := range out {
		near = m.rhoScene*near + math.Sqrt(1-m.rhoScene*m.rhoScene)*m.scene*r.NormFloat64()
		far = m.rhoDrift*far + math.Sqrt(1-m.rhoDrift*m.rhoDrift)*m.drift*r.NormFloat64()
		x := m.mean * math.Exp(near+far+m.noise*r.NormFloat64())
		if r.Float64() < m.pStutter {
			x *= m.atLeast + m.by*r.Float64()
		}
		out[i] = max(int64(math.Round(x/float64(tick))), 1) * tick
	}
	return out, m
}

// ideal is the code length of v in bytes for somebody who knows the model that
// made it: on average nothing lossless can be shorter. It runs a Kalman filter
// over the logarithms, a stutter being one of two explanations of each frame.
func (m frameModel) ideal(v []int64, tick int64) float64 {
	s, d := 0.0, 0.0                                    // scene and drift as known so far
	ss, sd, dd := m.scene*m.scene, 0.0, m.drift*m.drift // and their covariance
	bits := 0.0
	for _, x := range v {
		f := float64(x)
		miss := math.Log(f/m.mean) - s - d
		variance := ss + 2*sd + dd + m.noise*m.noise
		usual := (1 - m.pStutter) * normal(miss, variance)
		stutter := 0.0
		const parts = 32
		for k := range parts { // the factor is uniform
			by := m.atLeast + m.by*(float64(k)+.5)/parts
			stutter += m.pStutter / parts * normal(miss-math.Log(by), variance)
		}
		bits -= math.Log2((usual + stutter) * float64(tick) / f)
		if usual > stutter {
			ks, kd := (ss+sd)/variance, (sd+dd)/variance
			s, d = s+ks*miss, d+kd*miss
			ss, sd, dd = ss-ks*(ss+sd), sd-ks*(sd+dd), dd-kd*(sd+dd)
		}
		a, b := m.rhoScene, m.rhoDrift
		s, d = a*s, b*d
		ss, sd, dd = a*a*ss+(1-a*a)*m.scene*m.scene, a*b*sd, b*b*dd+(1-b*b)*m.drift*m.drift
	}
	return bits / 8
}

// normal is the density of the normal law with mean 0.
func normal(x, variance float64) float64 {
	return math.Exp(-x*x/(2*variance)) / math.Sqrt(2*math.Pi*variance)
}

// vsyncTimes gives frame durations of a display of period ns, in whole
// milliseconds as a coarse log has them, with a missed frame now and then.
func vsyncTimes(seed uint64, n int, period float64) []int64 {
	r := rand.New(rand.NewPCG(seed, 4))
	out := make([]int64, n)
	var at, last float64
	for i := range out {
		at += period
		if r.Float64() < 0.001 {
			at += period
		}
		now := math.Round(at / 1e6)
		out[i] = int64(now-last) * 1e6
		last = now
	}
	return out
}

// frameLog writes durations as a log of milliseconds with three decimals.
func frameLog(v []int64) []byte {
	b := []byte("frame_ms\n")
	for _, x := range v {
		b = strconv.AppendFloat(b, float64(x)/1e6, 'f', 3, 64)
		b = append(b, '\n')
	}
	return b
}

// intLog writes whole numbers a line each.
func intLog(v []int64) []byte {
	var b []byte
	for _, x := range v {
		b = strconv.AppendInt(b, x, 10)
		b = append(b, '\n')
	}
	return b
}

type signal struct {
	name string
	v    []int64
}

// signals gives what is sampled on one rig, n readings each.
func signals(seed uint64, n int) []signal {
	r := rand.New(rand.NewPCG(seed, 2))
	var out []signal
	add := func(name string, tick float64, read func(i int) float64) {
		v := make([]int64, n)
		for i := range v {
			v[i] = int64(math.Round(read(i)/tick) * tick)
		}
		out = append(out, signal{name, v})
	}
	for core := range 8 {
		clock, load := 4_200_000.0, 0.0
		add("clock_khz", 25_000, func(int) float64 {
			if r.Float64() < .08 {
				clock = 4_200_000 - 25_000*float64(r.IntN(12))
			}
			return clock
		})
		add("load_permille", 10, func(int) float64 {
			if r.Float64() < .05 {
				load = 1000 * r.Float64()
			}
			if r.Float64() < .5 {
				return load
			}
			return min(max(load+15*r.NormFloat64(), 0), 1000)
		})
		temp := 45_000.0 + 500*float64(core)
		add("temperature_millicelsius", []float64{125, 1000}[core%2], func(i int) float64 {
			temp += (72_000 - temp) / 300
			return temp + 300*r.NormFloat64() + 800*math.Sin(float64(i)/90)
		})
	}
	var wave float64
	add("power_milliwatt", 1, func(int) float64 {
		wave = .8*wave + r.NormFloat64()
		return 88_000 + 900*wave + 300*r.NormFloat64()
	})
	fan := 1200.0
	add("fan_rpm", 1, func(int) float64 { fan += (1500 - fan) / 200; return fan + 8*r.NormFloat64() })
	memory, throttled := 8e9, 0.0
	add("memory_bytes", 4096, func(int) float64 {
		if r.Float64() < .03 {
			memory += 4096 * float64(r.IntN(400)-150)
		}
		return memory
	})
	add("throttle_count", 1, func(int) float64 {
		if r.Float64() < .01 {
			throttled += float64(r.IntN(5))
		}
		return throttled
	})
	return out
}

// sampleTimes gives n times of a 100 ms grid in nanoseconds, each late by some
// tens of microseconds; if drifting, the lateness adds up.
func sampleTimes(seed uint64, n int, drifting bool) []int64 {
	r := rand.New(rand.NewPCG(seed, 3))
	out := make([]int64, n)
	var slipped float64
	for i := range out {
		late := 40e3 * math.Abs(r.NormFloat64())
		if r.Float64() < .01 {
			late += 2e6 * r.ExpFloat64()
		}
		out[i] = int64(float64(i)*100e6 + slipped + late)
		if drifting {
			slipped += late
		}
	}
	return out
}
