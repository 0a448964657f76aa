package compare

import (
	"math"
	"slices"

	"witnessmark/internal/stats"
)

// order gives the place of each run that has a value in the order of all.
func (w *Workload) order(f Figure) (base, against []int) {
	place := map[string]int{}
	for i, r := range w.inOrder() {
		place[r.ID] = i
	}
	for _, p := range usable(f.Base) {
		base = append(base, place[p.Run])
	}
	for _, p := range usable(f.Against) {
		against = append(against, place[p.Run])
	}
	return base, against
}

// inOrder gives the runs of both sides in the order they were made.
func (w *Workload) inOrder() []Run {
	all := slices.Concat(w.Base.Runs, w.Against.Runs)
	slices.SortStableFunc(all, inTime)
	return all
}

// sessions finds out whether the sessions of a side differ more than the runs
// inside them (GUM H.5). Their means are compared then.
func (w *Workload) sessions(f Figure) {
	for _, side := range []struct {
		s      *Side
		points []Point
	}{{&w.Base, f.Base}, {&w.Against, f.Against}} {
		var groups [][]float64
		for _, places := range side.s.Sessions {
			var g []float64
			for _, i := range places {
				if p := side.points[i]; p.Usable() && p.Value > 0 {
					g = append(g, math.Log(p.Value))
				}
			}
			if len(g) > 0 {
				groups = append(groups, g)
			}
		}
		side.s.ByMeans = len(groups) > 1 && stats.BetweenSessions(groups, 0.05).Has(stats.SessionSpread)
	}
}

// values gives what is compared of a side: the runs' values, or the geometric
// means of the sessions.
func (s Side) values(points []Point) []float64 {
	if !s.ByMeans {
		return Values(points)
	}
	var out []float64
	for _, places := range s.Sessions {
		var g []Point
		for _, i := range places {
			g = append(g, points[i])
		}
		if v := Values(g); len(v) > 0 {
			out = append(out, math.Exp(stats.Mean(logs(v))))
		}
	}
	return out
}

// Uncertainty is the standard uncertainty (type A) of the geometric mean of a
// side's values, in their unit, with its degrees of freedom; 0 of them for fewer
// than two values. It says how this one machine repeats.
//
// Source: JCGM 100:2008 (GUM) 4.2 (memory), carried from the logs by 5.1.2.
func (s Side) Uncertainty(points []Point) (u float64, df int) {
	y := logs(s.values(points))
	if len(y) < 2 {
		return math.NaN(), 0
	}
	return math.Exp(stats.Mean(logs(Values(points)))) * stats.SD(y) / math.Sqrt(float64(len(y))), len(y) - 1
}

// sides describes the runs themselves, also where means of sessions are compared.
func (f Figure) sides(w *Workload) (base, against stats.Repeats) {
	base, against = f.Comparison.Base, f.Comparison.Against
	if w.Base.ByMeans {
		base = stats.DescribeRepeats(Values(f.Base), f.Unit)
	}
	if w.Against.ByMeans {
		against = stats.DescribeRepeats(Values(f.Against), f.Unit)
	}
	return base, against
}

// comparePairs compares the runs two by two in the order they were made, which
// must give one of each side every time.
func (w *Workload) comparePairs(f *Figure, opt Options) {
	base, against := map[string]float64{}, map[string]float64{}
	for _, p := range usable(f.Base) {
		base[p.Run] = p.Value
	}
	for _, p := range usable(f.Against) {
		against[p.Run] = p.Value
	}
	var b, a []float64
	all := w.inOrder()
	paired := len(all)%2 == 0
	for i := 0; paired && i < len(all); i += 2 {
		x, y := all[i].ID, all[i+1].ID
		if _, ok := against[x]; ok {
			x, y = y, x
		}
		v, okB := base[x]
		u, okA := against[y]
		if paired = okB && okA; paired {
			b, a = append(b, v), append(a, u)
		}
	}
	if !paired {
		f.Comparison = stats.Comparison{Grade: stats.Grade{Status: stats.Refused,
			Reason: reason(stats.BadOption, "in the order they were made the runs are no pairs of one of each side")}}
		f.Comparison.Base, f.Comparison.Against = stats.DescribeRepeats(Values(f.Base), f.Unit), stats.DescribeRepeats(Values(f.Against), f.Unit)
		return
	}
	f.Comparison = stats.Compare(b, a, w.options(*f, opt))
}
