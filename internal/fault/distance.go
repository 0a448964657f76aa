package fault

// Distance counts the insertions, deletions, replacements and swaps of
// neighbours that turn a into b, no part being edited twice (optimal string
// alignment; from memory).
func Distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	before, above := make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range above {
		above[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row := make([]int, len(y)+1)
		row[0] = i
		for j := 1; j <= len(y); j++ {
			change := 1
			if x[i-1] == y[j-1] {
				change = 0
			}
			row[j] = min(above[j]+1, row[j-1]+1, above[j-1]+change)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, above = above, row
	}
	return above[len(y)]
}
