package compare

import (
	"cmp"
	"slices"
	"strings"

	"witnessmark/internal/rig"
)

// straightened gives copies of lists of runs with their starts put right by the
// boot clock, over all of them, as rig.Straighten has it.
func straightened(lists ...[]Run) (out [][]Run) {
	all := slices.Concat(lists...)
	rig.Straighten(all, (*Run).Moment)
	for _, l := range lists {
		out = append(out, all[:len(l):len(l)])
		all = all[len(l):]
	}
	return out
}

// inTime sorts by when runs were made.
func inTime(a, b Run) int { return cmp.Or(a.Started.Compare(b.Started), strings.Compare(a.ID, b.ID)) }
