package answer

import (
	"context"
	"math"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/stats"
)

// The most runs that a History looks at, for each rig and workload: enough for
// a spread, whatever the archive holds.
const mostHistory = 200

// enoughRuns is the number of runs on a side from which outliers are found among
// them alone, and plans have a spread of their own.
const enoughRuns = 7

// History gives for each workload of a comparison how its repeats scatter on the
// same rigs, pooled over the newest clean runs of one command and configuration
// that are not compared themselves. Workloads with enough runs on both sides need
// none and get none.
func History(ctx context.Context, b Book, base, against []compare.Run) (map[string]compare.Spread, error) {
	used, rigs := map[string]bool{}, map[[2]string]bool{}
	counts := map[string]*[2]int{}
	for i, side := range [][]compare.Run{base, against} {
		for _, r := range side {
			used[r.ID], rigs[[2]string{r.Workload, r.Rig}] = true, true
			if counts[r.Workload] == nil {
				counts[r.Workload] = &[2]int{}
			}
			counts[r.Workload][i]++
		}
	}
	groups := map[string]map[string][]float64{} // of each workload, the log rates of what belongs together
	for wr := range rigs {
		w := wr[0]
		if c := counts[w]; c[0] >= enoughRuns && c[1] >= enoughRuns {
			continue
		}
		if groups[w] == nil {
			groups[w] = map[string][]float64{}
		}
		err := b.Runs(ctx, Query{Workload: w, Rig: wr[1], Standing: string(drift.Clean), Limit: mostHistory}, func(m Summary) error {
			if rate := m.Statistics.RateMean; !used[m.ID] && m.Group != "" && rate > 0 {
				k := strings.Join([]string{m.Group, m.Setup, m.WorkloadVersion, m.Rig, string(m.Configuration[:])}, "\x00")
				groups[w][k] = append(groups[w][k], math.Log(rate))
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	out := map[string]compare.Spread{}
	for w, gs := range groups {
		if s := pooled(gs); s.DF > 0 {
			out[w] = s
		}
	}
	return out, nil
}

func pooled(groups map[string][]float64) (s compare.Spread) {
	var squares float64
	for _, g := range groups {
		if n := len(g) - 1; n > 0 {
			sd := stats.SD(g)
			squares += float64(n) * sd * sd
			s.DF += n
		}
	}
	if s.DF > 0 {
		s.SD = math.Sqrt(squares / float64(s.DF))
	}
	return s
}
