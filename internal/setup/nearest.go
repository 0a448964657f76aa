package setup

import "witnessmark/internal/fault"

// nearest returns the word of known that takes the fewest edits to reach from
// word, and how many; the earlier one of equals, and "" when known is empty.
func nearest(word string, known []string) (best string, edits int) {
	edits = -1
	for _, k := range known {
		if d := fault.Distance(word, k); edits < 0 || d < edits {
			best, edits = k, d
		}
	}
	return best, edits
}
