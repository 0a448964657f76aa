package stats

import (
	"math"
	"slices"
	"time"
)

// MomentOptions are the settings of CompareMoments; zero fields mean the default.
type MomentOptions struct {
	Align  AlignOptions
	Window time.Duration // 2 s, never below 1 s
	Step   time.Duration // 0.1 s
	Margin float64       // 0.01: no difference, for the level stretch
	Alpha  float64       // 0.05
}

func (o MomentOptions) filled() MomentOptions {
	o.Align = o.Align.filled()
	defaultTo(&o.Window, 2*time.Second)
	defaultTo(&o.Step, 100*time.Millisecond)
	defaultTo(&o.Margin, 0.01)
	defaultTo(&o.Alpha, 0.05)
	return o
}

// Gap is one window of the sequence with the rates of both sides, in frames/s.
type Gap struct {
	Start        time.Duration // on the clock of the first run of A
	RateA, RateB float64
	Ratio        float64 // A over B
}

// Stretch is a part of the sequence on the clock of the first run of A.
type Stretch struct{ From, To time.Duration }

// Moments is two configurations laid beside each other along one sequence.
type Moments struct {
	Grade
	AlignedA, AlignedB []Alignment // of each run to the first of A, in the order given
	Window             time.Duration
	Profile            []Gap   // one for each step; rates are geometric means over the runs
	Overall            float64 // A over B, over all that they share
	Largest            Gap     // moments.gap: the largest sustained gap, biased upward by its selection
	LargestWithin      Number  // moments.null: the largest such gap between repeats of one side, as a ratio above 1
	Claimed            bool    // the gap exceeds that, and the interval below excludes 1 where there is one
	HeldOut            *Comparison
	HeldOutAt          Gap      // where the first half of the runs found it; HeldOut has the rates of the others there, A over B
	Level              *Stretch // the longest stretch without a difference, nil if none
	LevelBound         float64  // the ratio above 1 that counted as none
	RoughA, RoughB     []float64
	RoughestA          Stretch // the window of the roughest pacing of each side
	RoughestB          Stretch
}

// CompareMoments aligns all runs of both sides to the first of A and compares
// their rates moment by moment. Runs that cannot be aligned are left out and
// flagged.
//
// The largest of many gaps is large by selection alone: it is claimed only when it
// exceeds what repeats of one side show among themselves. With four runs on each
// side it is found on one half of them and estimated on the other.
func CompareMoments(a, b [][]int64, opt MomentOptions) Moments {
	opt = opt.filled()
	m := Moments{Grade: Grade{Status: OK}, Window: opt.Window}
	m.LargestWithin = refusedNumber("moments.null", "1", 0, NoNull, "no side was repeated")
	switch {
	case opt.Window < time.Second || opt.Step <= 0:
		m.refuse(BadOption, "window %v, step %v: a window below 1 s shows noise", opt.Window, opt.Step)
	case len(a) == 0 || len(b) == 0:
		m.refuse(TooFewValues, "%d and %d runs", len(a), len(b))
	}
	if !m.Usable() {
		return m
	}
	seq := sequence{reference: a[0], advance: opt.Align.Advance}
	m.AlignedA = m.align(&seq, "A", a, opt)
	na := len(seq.runs)
	m.AlignedB = m.align(&seq, "B", b, opt)
	m.tellSpeed()
	if na == 0 || len(seq.runs) == na {
		m.refuse(RunNotAligned, "no run of one side is left")
		return m
	}
	if !seq.lay(opt) {
		m.refuse(OverlapTooShort, "the runs share less than one window of %v", opt.Window)
		return m
	}
	m.compare(seq, na, opt)
	return m
}

// tellSpeed says in how many runs no half could be held against the other.
func (m *Moments) tellSpeed() {
	all := slices.Concat(m.AlignedA, m.AlignedB)
	still := 0
	for _, al := range all {
		if al.Usable() && al.Has(SpeedUnknown) {
			still++
		}
	}
	if still > 0 {
		m.flag(SpeedUnknown, "half of the sequence shows too little to align by, so that one speed is taken for granted in %d of %d runs", still, len(all))
	}
}

// align adds the runs that can be aligned to the sequence.
func (m *Moments) align(seq *sequence, side string, runs [][]int64, opt MomentOptions) []Alignment {
	var out []Alignment
	for i, r := range runs {
		al := Align(seq.reference, r, opt.Align)
		out = append(out, al)
		if !al.Usable() {
			m.flag(RunNotAligned, "run %d of %s is left out, %s", i, side, al.Reason)
			continue
		}
		if al.Has(LengthsDiffer) {
			m.flag(LengthsDiffer, "run %d of %s: %s", i, side, al.Reason)
		}
		seq.runs = append(seq.runs, aligned{order: r, lag: int64(al.Lag)})
	}
	return out
}

func (m *Moments) compare(seq sequence, na int, opt MomentOptions) {
	rates := make([][]float64, len(seq.runs)) // logs, run by window
	for i, r := range seq.runs {
		rates[i] = logs(seq.rates(r, opt))
	}
	meanA, meanB := columnMeans(rates[:na]), columnMeans(rates[na:])
	for i, s := range seq.starts {
		m.Profile = append(m.Profile, gapOf(time.Duration(s), meanA[i], meanB[i]))
	}
	m.Largest = m.Profile[widest(meanA, meanB)]
	m.Overall = math.Exp(seq.overall(seq.runs[:na]) - seq.overall(seq.runs[na:]))
	m.null(rates[:na], rates[na:])
	m.holdOut(rates[:na], rates[na:], seq, opt)
	m.claim()
	m.level(opt)
	m.RoughA, m.RoughestA = seq.roughness(seq.runs[:na], opt)
	m.RoughB, m.RoughestB = seq.roughness(seq.runs[na:], opt)
}

func gapOf(start time.Duration, logA, logB float64) Gap {
	return Gap{Start: start, RateA: math.Exp(logA), RateB: math.Exp(logB), Ratio: math.Exp(logA - logB)}
}

// widest is the window where two profiles of log rates differ most.
func widest(a, b []float64) int {
	at := 0
	for i := range a {
		if math.Abs(a[i]-b[i]) > math.Abs(a[at]-b[at]) {
			at = i
		}
	}
	return at
}

func columnMeans(rows [][]float64) []float64 {
	out := make([]float64, len(rows[0]))
	for _, r := range rows {
		for i, v := range r {
			out[i] += v / float64(len(rows))
		}
	}
	return out
}

// null finds the largest gap between any two runs of one side.
func (m *Moments) null(sides ...[][]float64) {
	largest, pairs := 0.0, 0
	for _, rows := range sides {
		for i := range rows {
			for j := range i {
				at := widest(rows[i], rows[j])
				largest = math.Max(largest, math.Abs(rows[i][at]-rows[j][at]))
				pairs++
			}
		}
	}
	if pairs > 0 {
		m.LargestWithin = number("moments.null", "1", pairs, math.Exp(largest), Param{Name: "window", Value: m.Window.Seconds(), Unit: "s"})
	}
}

// holdOut chooses the moment on every other run and estimates it on the rest.
func (m *Moments) holdOut(a, b [][]float64, seq sequence, opt MomentOptions) {
	if len(a) < 4 || len(b) < 4 {
		return
	}
	halves := func(rows [][]float64) (choose, estimate [][]float64) {
		for i, r := range rows {
			if i%2 == 0 && len(choose) < len(rows)/2 {
				choose = append(choose, r)
			} else {
				estimate = append(estimate, r)
			}
		}
		return choose, estimate
	}
	chooseA, restA := halves(a)
	chooseB, restB := halves(b)
	ca, cb := columnMeans(chooseA), columnMeans(chooseB)
	at := widest(ca, cb)
	m.HeldOutAt = gapOf(time.Duration(seq.starts[at]), ca[at], cb[at])
	column := func(rows [][]float64) []float64 {
		var out []float64
		for _, r := range rows {
			out = append(out, math.Exp(r[at]))
		}
		return out
	}
	c := Compare(column(restB), column(restA), CompareOptions{Alpha: opt.Alpha, Margin: opt.Margin, Unit: "frames/s"})
	m.HeldOut = &c
}

func (m *Moments) claim() {
	gap := math.Abs(math.Log(m.Largest.Ratio))
	switch null, known := m.LargestWithin.Get(); {
	case !known:
		m.flag(NoNull, "without repeats of one side it is not known what gap chance alone makes")
	case gap <= math.Log(null):
		m.flag(WithinNoise, "repeats of one side differ by a factor of %.3f somewhere, the sides by %.3f", null, math.Exp(gap))
	case m.HeldOut != nil && m.HeldOut.Interval != nil && m.HeldOut.Interval.Contains(1):
		m.flag(WithinNoise, "the runs that did not choose the moment do not confirm it: %.3f to %.3f", m.HeldOut.Interval.Low, m.HeldOut.Interval.High)
	default:
		m.Claimed = true
	}
}

// level finds the longest stretch where no window differs by more than the margin,
// or than repeats do.
func (m *Moments) level(opt MomentOptions) {
	m.LevelBound = 1 + opt.Margin
	if null, known := m.LargestWithin.Get(); known {
		m.LevelBound = math.Max(m.LevelBound, null)
	}
	best, from := 0, 0
	var stretch Stretch
	for i := 0; i <= len(m.Profile); i++ {
		if i < len(m.Profile) && math.Abs(math.Log(m.Profile[i].Ratio)) <= math.Log(m.LevelBound) {
			continue
		}
		if i-from > best {
			best = i - from
			stretch = Stretch{From: m.Profile[from].Start, To: m.Profile[i-1].Start + m.Window}
		}
		from = i + 1
	}
	if best > 0 {
		m.Level = &stretch
	}
}
