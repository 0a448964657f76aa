package play

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"time"

	"witnessmark/internal/setup"
)

// correlation is that of the jitter of one frame with the next.
const correlation = 0.9

// motion is all that the frame times of one run come from.
type motion struct {
	workload setup.PlayedWorkload
	leadIn   time.Duration
	clock    func(at time.Duration) float64 // MHz; 0 where it is not known
	memory   float64                        // MT/s; 0 where it is not known
	rate     float64                        // multiplies the rate
}

// frame is one row of the log; scene 0 is the picture that stands still.
type frame struct {
	scene int
	took  time.Duration
}

// milliseconds is a scene's frame time in a state, without noise and jitter.
func (m *motion) milliseconds(s setup.Scene, at time.Duration) float64 {
	slower := func(reference, now float64) float64 {
		if reference == 0 || now == 0 {
			return 1
		}
		return reference / now
	}
	clock := s.Clock * slower(m.workload.ClockMHz, m.clock(at))
	memory := s.Memory * slower(m.workload.MemoryMTps, m.memory)
	return s.FrameMS * (clock + memory + (1 - s.Clock - s.Memory)) / m.rate
}

// play gives the frames of one run and how long they take together.
func (m *motion) play(r *rand.Rand) (frames []frame, total time.Duration) {
	w := m.workload
	run := math.Exp(w.Noise * r.NormFloat64())
	x := w.Jitter * r.NormFloat64()
	add := func(number int, s setup.Scene) {
		ms := m.milliseconds(s, total) * run * math.Exp(x-w.Jitter*w.Jitter/2)
		f := frame{number, max(1, time.Duration(math.Round(ms*1e6)))}
		frames, total = append(frames, f), total+f.took
		x = correlation*x + math.Sqrt(1-correlation*correlation)*w.Jitter*r.NormFloat64()
	}
	for total < m.leadIn {
		add(0, w.Scenes[0])
	}
	end := m.leadIn
	for i, s := range w.Scenes {
		for end += s.Duration; total < end && w.Content == setup.ByTime; {
			add(i+1, s)
		}
		for range s.Frames {
			add(i+1, s)
		}
	}
	return frames, total
}

// logName and its columns are those of every played log.
const logName = "frames.csv"

// timingLog writes the frames as a workload would.
func timingLog(frames []frame) []byte {
	b := []byte("frame,scene,frame_ms\n")
	for i, f := range frames {
		b = strconv.AppendInt(b, int64(i+1), 10)
		b = fmt.Appendf(b, ",%d,%d.%06d\n", f.scene, f.took/1e6, f.took%1e6)
	}
	return b
}
