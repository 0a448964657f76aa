package figure

import (
	"math"
	"math/rand/v2"
	"time"
)

// The runs below are invented.

// orreryRun makes frame times of a fly-through of four scenes in which heavy is
// what the third one takes.
func orreryRun(seed uint64, heavy, lead float64) []int64 {
	r := rand.New(rand.NewPCG(seed, 1))
	scenes := []struct{ seconds, ms float64 }{{lead, 5}, {12, 8}, {16, 11.5}, {14, 9 * heavy}, {18, 7.2}}
	level := math.Exp(0.004 * r.NormFloat64())
	walk := 0.
	var out []int64
	for _, s := range scenes {
		for t := 0.; t < s.seconds; {
			walk = 0.9*walk + 0.012*r.NormFloat64()
			ms := s.ms * level * math.Exp(walk+0.01*r.NormFloat64())
			if r.IntN(900) == 0 {
				ms *= 1.6 + r.Float64()
			}
			out = append(out, int64(ms*1e6))
			t += ms / 1e3
		}
	}
	return out
}

func sampleRuns(seed uint64, heavy float64, n int) (out [][]int64) {
	for i := range n {
		out = append(out, orreryRun(seed+uint64(i), heavy, 0))
	}
	return out
}

var sampleHead = Head{Name: "orrery", Subject: "orrery 3, heron: memory at 2400 against 3200 MT/s"}

func spoiled(h Head) Head {
	h.NotControlled, h.Played = "firmware.version differs (1.08, 1.10); memory.module[A1].rank is not known on one side", true
	return h
}

func sampleFrameTimes() FrameTimes {
	return FrameTimes{Head: sampleHead, Traces: []Trace{
		{Label: "base: heron, memory-default", Nanos: orreryRun(1, 1.5, 0)},
		{Label: "against: heron, memory-rated", Nanos: orreryRun(2, 1, 2.35), Shift: -2350 * time.Millisecond},
	}, Moment: &Moment{28 * time.Second, 42 * time.Second, "1.49 times"}}
}

func sampleRates() RateAlong {
	f := RateAlong{Head: spoiled(sampleHead), Labels: [2]string{"heron, memory-default", "heron, memory-rated"}, Window: 2 * time.Second, Repeats: 1.012,
		Moment: &Moment{30 * time.Second, 34 * time.Second, "1.49 times"}}
	_, a := movingMean(orreryRun(1, 1.5, 0), 2, 580)
	at, b := movingMean(orreryRun(2, 1, 0), 2, 580)
	for i := range at {
		f.Start = append(f.Start, time.Duration(at[i]*1e9)-time.Second)
		f.Base, f.Against = append(f.Base, 1e3/a[i]), append(f.Against, 1e3/b[i])
	}
	return f
}

func sampleDistribution() Distribution {
	return Distribution{Head: sampleHead, Groups: []Group{
		{"heron, memory-default", 0, sampleRuns(10, 1.5, 5)},
		{"heron, memory-rated", 1, sampleRuns(20, 1, 5)},
	}}
}

func sampleRepeats() Repeats {
	return Repeats{Head: sampleHead, What: "mean rate", Unit: "frames/s", Level: 0.95, Rows: []Row{
		{Label: "heron, memory-default", Side: 0, Values: []float64{101.2, 100.7, 101.9, 101.1, 100.9}, Mean: 101.16, Low: 100.6, High: 101.7, Text: "101.2 (100.6 to 101.7)", Head: "orrery 3"},
		{Label: "heron, memory-rated", Side: 1, Values: []float64{108.8, 109.4, 108.9, 109.1, 109.9}, Mean: 109.2, Low: 108.6, High: 109.8, Text: "109.2 (108.6 to 109.8)", Head: "orrery 3"},
		{Label: "heron, memory-default", Side: 0, Values: []float64{111.2}, Mean: 111.2, Text: "111.2 (one run)", Head: "dome-encode 1"},
		{Label: "heron, memory-rated", Side: 1, Values: []float64{112.8, 112.4, 112.5}, Mean: 112.57, Low: 112, High: 113, Text: "112.6 (112.1 to 113.1)", Head: "dome-encode 1"},
	}}
}

func sampleRatios() Ratios {
	return Ratios{Head: spoiled(sampleHead), What: "ratio of memory-rated to memory-default", Margin: 0.01, Level: 0.95, Rows: []Ratio{
		{"orrery 3", 1.0795, 1.0718, 1.0872, "1.080 (1.072 to 1.087), different"},
		{"dome-encode 1", 1.002, 0.997, 1.007, "1.002 (0.997 to 1.007), no practical difference"},
		{"orrery 4", 1.01, 0.98, 1.042, "1.01 (0.98 to 1.04), not resolved"},
	}}
}

func sampleGrid() Grid {
	g := Grid{Head: sampleHead, A: "memory.speed, MT/s", B: "cpu.clock, MHz", Unit: "frames/s", Level: 0.95}
	for i, a := range []float64{2400, 2666, 3200} {
		for k, b := range []float64{3600, 3900, 4100} {
			if i == 1 && k == 2 {
				continue
			}
			m := 100 * math.Pow(a/2400, .3) * math.Pow(b/3600, .45)
			g.Cells = append(g.Cells, Cell{a, b, 5 - i, m, m * .994, m * 1.006})
		}
	}
	return g
}

func sampleShares() Shares {
	return Shares{Head: sampleHead, Level: 0.9, Rows: []Share{{"memory.speed", .31, .27, .35}, {"cpu.clock", .44, .38, .5}, {"the rest", .25, .2, .3}}}
}

func sampleHistory() History {
	r := rand.New(rand.NewPCG(5, 5))
	start := time.Date(2031, 1, 6, 9, 0, 0, 0, time.UTC)
	outcome, heat := Chart{Name: "orrery 3 on heron, mean rate", Unit: "frames/s", Low: 108.2, High: 110.4}, Chart{Name: "temperature rise under load", Unit: "°C"}
	for i := range 60 {
		at := start.AddDate(0, 0, i*2)
		level, rise := 109.3, 38.
		if i >= 34 {
			level, rise = 107.1, 41
		}
		v := level + 0.35*r.NormFloat64()
		outcome.Points = append(outcome.Points, Point{At: at, Value: v, Flagged: v < outcome.Low, Excluded: i == 10})
		heat.Points = append(heat.Points, Point{At: at, Value: rise + 0.8*r.NormFloat64()})
	}
	cut := start.AddDate(0, 0, 67)
	end := start.AddDate(0, 0, 118)
	outcome.Levels = []Level{{start, cut, 109.3}, {cut, end, 107.1}}
	heat.Levels = []Level{{start, cut, 38}, {cut, end, 41}}
	return History{Head: sampleHead, Sessions: true, Charts: []Chart{outcome, heat}, Changes: []Change{{cut, "firmware.version 1.08 to 1.10"}}}
}

func sampleCourse() Course {
	r := rand.New(rand.NewPCG(7, 7))
	track := func(label string, hz float64, f func(t float64) float64) Track {
		t := Track{Label: label}
		for s := 0.; s < 90; s += 1 / hz {
			if s > 50 && s < 56 && hz < 5 {
				continue
			}
			t.Offsets, t.Values = append(t.Offsets, time.Duration(s*1e9)), append(t.Values, f(s))
		}
		return t
	}
	heat := func(s float64) float64 { return 90 - 50*math.Exp(-s/25) + 0.4*r.NormFloat64() }
	clock := func(s float64) float64 {
		if s > 62 {
			return 3620 + 25*r.NormFloat64()
		}
		return 4100 + 15*r.NormFloat64()
	}
	clocks := Strip{Name: "clock of each core", Unit: "MHz"}
	for range 8 {
		clocks.Tracks = append(clocks.Tracks, track("core", 10, clock))
	}
	return Course{Head: sampleHead, Strips: []Strip{
		{Name: "temperature", Unit: "°C", Tracks: []Track{track("package", 10, heat), track("board", 1, func(s float64) float64 { return 31 + s/30 })}, Bounds: []Bound{{"max", 95}, {"critical", 99}}},
		clocks,
		{Name: "package power", Unit: "W", FromZero: true, Tracks: []Track{track("package", 10, func(s float64) float64 { return clock(s)/41 + 2*r.NormFloat64() })}},
	}, Events: []Event{{62 * time.Second, 90 * time.Second, "thermal throttling"}}}
}

// samples is every kind of figure.
func samples() []interface{ Figure() (Figure, error) } {
	return []interface{ Figure() (Figure, error) }{
		sampleFrameTimes(), sampleRates(), sampleDistribution(), sampleRepeats(), sampleRatios(), sampleGrid(), sampleShares(), sampleHistory(), sampleCourse(),
	}
}
