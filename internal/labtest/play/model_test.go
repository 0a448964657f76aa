package play

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"witnessmark/internal/setup"
	"witnessmark/internal/stats"
	"witnessmark/internal/timing"
)

// orrery is the workload of the scenario in the package's documentation.
func orrery() setup.PlayedWorkload {
	return setup.PlayedWorkload{
		Name: "orrery", Content: setup.ByTime, ClockMHz: 4100, MemoryMTps: 3200,
		Scenes: []setup.Scene{
			{Duration: 10 * time.Second, FrameMS: 8, Clock: 0.6, Memory: 0.2},
			{Duration: 15 * time.Second, FrameMS: 12.5, Clock: 0.2, Memory: 0.7},
		},
	}
}

func still(mhz float64) func(time.Duration) float64 {
	return func(time.Duration) float64 { return mhz }
}

func in(clock, memory, rate float64) motion {
	return motion{workload: orrery(), clock: still(clock), memory: memory, rate: rate}
}

func TestShares(t *testing.T) {
	first, second := orrery().Scenes[0], orrery().Scenes[1]
	for _, c := range []struct {
		what  string
		m     motion
		scene setup.Scene
		want  float64
	}{
		{"the reference state", in(4100, 3200, 1), first, 8},
		{"the reference state", in(4100, 3200, 1), second, 12.5},
		{"half the clock doubles its share", in(2050, 3200, 1), first, 8 * (1.2 + 0.2 + 0.2)},
		{"half the memory doubles its share", in(4100, 1600, 1), second, 12.5 * (0.2 + 1.4 + 0.1)},
		{"memory at 2400", in(4100, 2400, 1), first, 8 * (0.6 + 0.2*3200/2400 + 0.2)},
		{"both faster", in(8200, 6400, 1), second, 12.5 * (0.1 + 0.35 + 0.1)},
		{"a factor on the rate", in(4100, 3200, 1.25), first, 6.4},
		{"a clock that is not known", in(0, 3200, 1), first, 8},
		{"memory that is not known", in(4100, 0, 1), second, 12.5},
	} {
		if got := c.m.milliseconds(c.scene, 0); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %v ms, not %v", c.what, got, c.want)
		}
	}
}

// A scene lasts its seconds whatever the rig, but for the frame that is under way
// when it ends; the lead-in comes before the first.
func TestScenesFollowTheClock(t *testing.T) {
	for _, clock := range []float64{2000, 4100, 6000} {
		m := in(clock, 3200, 1)
		m.leadIn = 2350 * time.Millisecond
		frames, total := m.play(rand.New(rand.NewPCG(1, 2)))
		var sum time.Duration
		begins := map[int]time.Duration{}
		for _, f := range frames {
			if _, met := begins[f.scene]; !met {
				begins[f.scene] = sum
			}
			sum += f.took
		}
		if sum != total {
			t.Errorf("the frames take %v, not %v", sum, total)
		}
		longest := 30 * time.Millisecond
		for scene, at := range map[int]time.Duration{0: 0, 1: m.leadIn, 2: m.leadIn + 10*time.Second} {
			if got, ok := begins[scene]; !ok || got < at || got > at+longest {
				t.Errorf("at %v MHz scene %d begins at %v, not at %v", clock, scene, got, at)
			}
		}
		if end := m.leadIn + 25*time.Second; total < end || total > end+longest {
			t.Errorf("at %v MHz it takes %v, not %v", clock, total, end)
		}
	}
}

func TestScenesFollowTheFrames(t *testing.T) {
	m := in(2050, 3200, 1)
	m.workload.Content = setup.ByFrame
	m.workload.Scenes = []setup.Scene{{Frames: 600, FrameMS: 8, Clock: 1}, {Frames: 300, FrameMS: 5}}
	frames, total := m.play(rand.New(rand.NewPCG(1, 2)))
	if want := 600*16*time.Millisecond + 300*5*time.Millisecond; len(frames) != 900 || total != want {
		t.Errorf("%d frames in %v, not 900 in %v", len(frames), total, want)
	}
}

// The clock falls in the middle of a run.
func TestThrottledFrames(t *testing.T) {
	m := in(4100, 3200, 1)
	m.clock = (&Block{Block: setup.Block{Throttle: &setup.Throttle{After: 5 * time.Second, ClockMHz: 2050}}, state: state{clock: 4100}}).clock
	frames, _ := m.play(rand.New(rand.NewPCG(1, 2)))
	if first, later := frames[0].took, frames[len(frames)/3].took; first != 8*time.Millisecond || later != 12800*time.Microsecond {
		t.Errorf("%v, then %v", first, later)
	}
}

// Within a scene the log frame times have the lag-1 correlation 0.9 and the
// stated deviation; between runs the log rates have theirs. The bounds are more
// than four standard errors wide. Source of the standard error of a first-order
// correlation, sqrt((1-0.9^2)/n): Bartlett (memory).
func TestChance(t *testing.T) {
	m := in(4100, 3200, 1)
	m.workload.Noise, m.workload.Jitter = 0.01, 0.03
	m.workload.Scenes = []setup.Scene{{Duration: 80 * time.Second, FrameMS: 8}}
	var rates []float64
	for i := range 100 {
		frames, total := m.play(rand.New(rand.NewPCG(3, uint64(i))))
		rates = append(rates, math.Log(float64(len(frames))/total.Seconds()))
		if i > 0 {
			continue
		}
		var x []float64
		for _, f := range frames {
			x = append(x, math.Log(f.took.Seconds()))
		}
		_, sd := moments(x)
		k := stats.Effective(x).AR1.Value / float64(len(x)) // (1-r)/(1+r)
		if r := (1 - k) / (1 + k); math.Abs(r-0.9) > 0.018 || math.Abs(sd/0.03-1) > 0.15 {
			t.Errorf("lag-1 correlation %v, deviation %v over %d frames", r, sd, len(x))
		}
	}
	mean, sd := moments(rates)
	if math.Abs(mean-math.Log(125)) > 4*0.01/math.Sqrt(100) || math.Abs(sd/0.01-1) > 0.3 {
		t.Errorf("log rates of 100 runs: mean %v, not %v, deviation %v", mean, math.Log(125), sd)
	}
}

func moments(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// What the log says is what was played, to the nanosecond.
func TestLogIsExact(t *testing.T) {
	m := in(4100, 3200, 1)
	m.workload.Jitter = 0.3
	frames, _ := m.play(rand.New(rand.NewPCG(5, 6)))
	frames = append(frames, frame{2, 1}, frame{2, 1_000_000_007})
	b := timingLog(frames)
	log, err := timing.Parse(b, timing.Spec{Column: "frame_ms"})
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range frames {
		if log.Durations[i] != int64(f.took) {
			t.Fatalf("row %d is %d ns, not %d", i+1, log.Durations[i], f.took)
		}
	}
}
