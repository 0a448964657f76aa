package drift

import (
	"fmt"
	"math"
	"strconv"

	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// Series is what the same rig did before with the same workload, of the same
// version and in the same setup: one list of outcomes for each session, runs that
// were started together. Outcomes are positive numbers in Unit.
type Series struct {
	Figure  string   // "rate_mean", "result.score"
	Unit    rig.Unit // such as frames/s
	Outcome float64  // of this run; NaN when it has none
	Alike   [][]float64
	All     [][]float64 // those of Alike among them
}

// Alike says whether two snapshots of a rig agree in all facts that weigh as
// caution or more and that follow from nothing else that moved.
func Alike(a, b rig.Snapshot) bool {
	for _, d := range differences(rig.NewSnapshot(a.At, a.Facts), rig.NewSnapshot(b.At, b.Facts)) {
		if d.weight >= rig.Caution {
			return false
		}
	}
	return true
}

// unlike holds the outcome against its series, on the scale of its logs, by a
// prediction interval over sessions (stats.PredictNext). An outcome outside it
// that lies closer to the mean than the margin is none: it makes no practical
// difference.
//
// Where enough earlier runs were made under facts that agree with this run's, only
// they count, and the finding is a caution: no fact tells what changed. Else all
// count, and it is a note: what moved stands beside it among the facts.
//
// Fewer than three sessions do not tell how far sessions differ: their interval is
// too narrow by that much, and the margin is wider. Else the interval's level makes
// about one false alarm in 370 runs, more where there are few sessions (see
// stats.PredictNext); each repeat of one session counts as a run.
func (j *judge) unlike() {
	s := j.in.Series
	if s == nil || !(s.Outcome > 0) || math.IsInf(s.Outcome, 0) {
		return
	}
	past, weight, what := logsOf(s.Alike), rig.Caution, "under facts that agree with this run's"
	if size(past) < j.bounds.SeriesLeast {
		past, weight, what = logsOf(s.All), rig.Note, "whatever their facts, of which some that weigh are not this run's"
	}
	if size(past) < j.bounds.SeriesLeast {
		return
	}
	p := stats.PredictNext(past, j.bounds.SeriesLevel)
	y, margin := math.Log(s.Outcome), math.Log1p(j.bounds.SeriesMargin)
	if p.Has(stats.OneSession) {
		margin = math.Log1p(j.bounds.SeriesFew)
	}
	if !p.Usable() || p.Interval.Contains(y) || math.Abs(y-p.Mean) <= margin {
		return
	}
	f := Flag{
		Kind: Unlike, Fact: figureKey(s.Figure), Unit: s.Unit, Weight: weight, Seen: rig.NumberOf(short(s.Outcome)),
		Expected: rig.TextOf(fmt.Sprintf("%v to %v", short(math.Exp(p.Interval.Low)), short(math.Exp(p.Interval.High)))),
		Evidence: fmt.Sprintf("series: %d earlier runs of %d sessions %s give %v, and %v %% of runs like them lie in the interval; see collector history",
			p.N, p.Sessions, what, short(math.Exp(p.Mean)), short(100*j.bounds.SeriesLevel)),
	}
	if p.Has(stats.OneSession) {
		f.Evidence += "; how far sessions differ is not known from so few, and alarms may be false more often"
	}
	j.raise(f)
}

// figureKey is the fact that stands for a figure of the run.
func figureKey(name string) rig.Key { return rig.Key("run." + name) }

// short keeps four digits.
func short(f float64) float64 {
	v, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 4, 64), 64)
	if err != nil {
		return f
	}
	return v
}

// logsOf drops what has no log.
func logsOf(sessions [][]float64) (out [][]float64) {
	for _, s := range sessions {
		var l []float64
		for _, v := range s {
			if v > 0 && !math.IsInf(v, 0) {
				l = append(l, math.Log(v))
			}
		}
		if len(l) > 0 {
			out = append(out, l)
		}
	}
	return out
}

func size(sessions [][]float64) (n int) {
	for _, s := range sessions {
		n += len(s)
	}
	return n
}
