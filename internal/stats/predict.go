package stats

import "math"

// Prediction is where the next run of a series is expected, from its sessions so
// far: runs that were started together share what their session brought.
type Prediction struct {
	Grade
	Sessions, N int
	Mean        float64
	Spread      float64 // standard deviation of the next value about Mean
	DF          float64 // effective
	Interval    Interval
}

// PredictNext predicts one more value of another session, with probability level
// inside the interval (0 means 0.9973, as many as lie within three standard
// deviations): the variance of a session's mean and of a value inside it, with
// Welch-Satterthwaite degrees of freedom. Single values keep the stated
// false-alarm rate however few they are. Sessions of several that differ by twice
// what their values do miss more often: at the default, nominally 1 in 370, 1 in
// 280 with 12 or 20 sessions, 250 with 8, 130 with 5, 74 with 3 (simulated).
// Values from fewer than three sessions are taken as independent, flagged
// OneSession: how far sessions differ is then not in it. Sessions without a value
// are passed over.
//
// Source: prediction interval of a normal sample (memory); variance components of
// a one-way layout (memory).
func PredictNext(sessions [][]float64, level float64) Prediction {
	defaultTo(&level, 0.9973)
	p := Prediction{Grade: Grade{Status: OK}}
	var all, means []float64
	var kept [][]float64
	for _, s := range sessions {
		if len(s) > 0 {
			kept, all, means = append(kept, s), append(all, s...), append(means, Mean(s))
		}
	}
	p.Sessions, p.N = len(kept), len(all)
	if p.N < 3 || !finite(all) {
		p.refuse(TooFewValues, "%d finite values, at least 3 are needed", p.N)
		return p
	}
	n, k := float64(p.N), float64(p.Sessions)
	if p.Sessions < 3 {
		p.Mean, p.Spread, p.DF = Mean(all), SD(all)*math.Sqrt(1+1/n), n-1
		p.flag(OneSession, "%d values from %d sessions, how far sessions differ is not known", p.N, p.Sessions)
	} else {
		p.components(kept, means, k)
	}
	if !(p.Spread > 0) {
		p.refuse(ZeroVariance, "all values are equal")
		return p
	}
	half := tQuantile(0.5+level/2, p.DF) * p.Spread
	p.Interval = Interval{Low: p.Mean - half, High: p.Mean + half, Level: level}
	return p
}

// components adds what sessions and values inside them vary by.
func (p *Prediction) components(sessions [][]float64, means []float64, k float64) {
	table := OneWay(sessions)
	between := SD(means) * SD(means)
	within, inside := 0.0, 0.0 // variance of a value about its session, and the part of it not in a mean
	if table.Within.DF > 0 {
		within = table.Within.MS
		for _, s := range sessions {
			inside += within * (1 - 1/float64(len(s))) / k
		}
	}
	p.Mean = Mean(means)
	// A mean that varies less than its own values allow has no part of the session.
	fromMeans, fromInside := between*(1+1/k), inside
	if between < within-inside {
		fromMeans, fromInside = between/k, within
	}
	v := fromMeans + fromInside
	p.Spread = math.Sqrt(v)
	d := fromMeans * fromMeans / (k - 1)
	if table.Within.DF > 0 {
		d += fromInside * fromInside / float64(table.Within.DF)
	}
	p.DF = v * v / d
}
