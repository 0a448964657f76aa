package stats

import (
	"maps"
	"slices"
)

// layout is the runs of all cells in one list, with the levels and the session
// of each.
type layout struct {
	cells            []Cell
	y                []float64
	a, b, cell       []int
	block            []int
	levelsA, levelsB []int
	repeats          int
	counts           map[[2]int]int
}

// newLayout lays the values out. Cells of the same levels count as one.
func newLayout(cells []Cell, y [][]float64) layout {
	d := layout{cells: cells, counts: map[[2]int]int{}}
	as, bs := map[int]bool{}, map[int]bool{}
	for i, c := range cells {
		for j, v := range y[i] {
			d.y = append(d.y, v)
			d.a, d.b, d.cell = append(d.a, c.A), append(d.b, c.B), append(d.cell, i)
			session := 0
			if j < len(c.Blocks) {
				session = c.Blocks[j]
			}
			d.block = append(d.block, session)
			d.counts[[2]int{c.A, c.B}]++
			as[c.A], bs[c.B] = true, true
		}
	}
	d.levelsA, d.levelsB = slices.Sorted(maps.Keys(as)), slices.Sorted(maps.Keys(bs))
	for _, n := range d.counts {
		if d.repeats == 0 || n < d.repeats {
			d.repeats = n
		}
	}
	return d
}

func (d layout) missing() [][2]int {
	var out [][2]int
	for _, a := range d.levelsA {
		for _, b := range d.levelsB {
			if d.counts[[2]int{a, b}] == 0 {
				out = append(out, [2]int{a, b})
			}
		}
	}
	return out
}

func (d layout) balanced() bool {
	for _, n := range d.counts {
		if n != d.repeats {
			return false
		}
	}
	return len(d.missing()) == 0
}

// indicator is a column that is 1 where keep holds.
func (d layout) indicator(keep func(i int) bool) []float64 {
	c := make([]float64, len(d.y))
	for i := range c {
		if keep(i) {
			c[i] = 1
		}
	}
	return c
}

func (d layout) columnsA() [][]float64 { return d.levelColumns(d.a, d.levelsA) }
func (d layout) columnsB() [][]float64 { return d.levelColumns(d.b, d.levelsB) }

func (d layout) levelColumns(at, levels []int) [][]float64 {
	var out [][]float64
	for _, l := range levels[1:] {
		out = append(out, d.indicator(func(i int) bool { return at[i] == l }))
	}
	return out
}

func (d layout) blockColumns() [][]float64 {
	return d.levelColumns(d.block, slices.Compact(slices.Sorted(slices.Values(d.block))))
}

func (d layout) cellColumns() [][]float64 {
	var out [][]float64
	for _, a := range d.levelsA {
		for _, b := range d.levelsB {
			if d.counts[[2]int{a, b}] > 0 {
				out = append(out, d.indicator(func(i int) bool { return d.a[i] == a && d.b[i] == b }))
			}
		}
	}
	return out
}
