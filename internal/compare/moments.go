package compare

import (
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// Moments is the comparison along the sequence. Places are on the clock of the
// base's first run. A is the base and B is what is held against it, so that a
// Gap's Ratio is base over against: Ratio turns it over.
type Moments struct {
	stats.Moments
	Advance       stats.Advance
	BaseRuns      []string // of AlignedA
	AgainstRuns   []string // of AlignedB
	NotLookedInto int      // runs beyond the most that are aligned
}

// Ratio gives a gap's ratio as against over base.
func (Moments) Ratio(g stats.Gap) float64 { return 1 / g.Ratio }

// mostAligned is how many runs of a side are aligned: every two of one side are
// held against each other, and more add little to what repeats show.
const mostAligned = 20

// moments compares both sides moment by moment, or says why not.
func (w *Workload) moments(opt Options) {
	if opt.NoMoments {
		w.NoMoments = "not asked for"
		return
	}
	if !w.Usable() {
		w.NoMoments = w.Reason
		return
	}
	if slices.ContainsFunc(opt.Vary, func(k rig.Key) bool { return ofWorkload(k) }) {
		w.NoMoments = reason(Confounded, "the content itself is the factor, so that there is no sequence that both show")
		return
	}
	advance, why := w.advance()
	if why != "" {
		w.NoMoments = why
		return
	}
	var sides [2][][]int64
	var m Moments
	for i, s := range []struct {
		side Side
		ids  *[]string
	}{{w.Base, &m.BaseRuns}, {w.Against, &m.AgainstRuns}} {
		for _, r := range s.side.Runs {
			if r.Durations == nil {
				continue
			}
			if len(sides[i]) == mostAligned {
				m.NotLookedInto++
				continue
			}
			sides[i] = append(sides[i], r.Durations)
			*s.ids = append(*s.ids, r.ID)
		}
	}
	if len(sides[0]) == 0 || len(sides[1]) == 0 {
		w.NoMoments = reason(stats.TooFewValues, "%d and %d runs have a timing log", len(sides[0]), len(sides[1]))
		return
	}
	o := opt.Moments
	o.Align.Advance = advance
	m.Advance = advance
	m.Moments = stats.CompareMoments(sides[0], sides[1], o)
	if m.nameRuns(); !m.Usable() {
		w.NoMoments = m.Reason
		return
	}
	w.Moments = &m
}

var numbered = regexp.MustCompile(`run ([0-9]+) of ([AB])`)

// nameRuns puts ids in the place of the numbers that package stats gives runs, and
// tells of no more than a few that could not be aligned.
func (m *Moments) nameRuns() {
	parts, left := strings.Split(m.Reason, "; "), 0
	parts = slices.DeleteFunc(parts, func(p string) bool {
		if !strings.HasPrefix(p, string(stats.RunNotAligned)+": run ") {
			return false
		}
		left++
		return left > most
	})
	if left > most {
		parts = append(parts, reason(stats.RunNotAligned, "%s left out as well", count(left-most, "other is", "others are")))
	}
	m.Reason = numbered.ReplaceAllStringFunc(strings.Join(parts, "; "), func(s string) string {
		f := numbered.FindStringSubmatch(s)
		ids := m.BaseRuns
		if f[2] == "B" {
			ids = m.AgainstRuns
		}
		if i, err := strconv.Atoi(f[1]); err == nil && i < len(ids) {
			return "run " + ids[i]
		}
		return s
	})
}

// advance is what moves the content on, when all runs declare the same.
func (w *Workload) advance() (stats.Advance, string) {
	declared := map[string]bool{}
	for _, r := range slices.Concat(w.Base.Runs, w.Against.Runs) {
		declared[r.Content] = true
	}
	switch {
	case len(declared) == 1 && declared[string(stats.ByTime)]:
		return stats.ByTime, ""
	case len(declared) == 1 && declared[string(stats.ByFrame)]:
		return stats.ByFrame, ""
	case len(declared) == 1:
		return "", reason(stats.AdvanceUndeclared, `declare content = "time" or "frame" in the workload file`)
	}
	return "", reason(stats.AdvanceUndeclared, "the runs do not all declare the same: %s", strings.Join(slices.Sorted(maps.Keys(declared)), ", "))
}
