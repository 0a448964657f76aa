package figure

import (
	"math"
	"slices"
)

// column is what of a series falls into one column of a drawing.
type column struct {
	low, high float64
	count     int
}

// columns is a series as it can be drawn: from the lowest to the highest value
// that each of equally wide columns of [from, to) holds.
type columns struct {
	from, to float64
	cell     []column
	most     int // the most values of one column
	left     int // values that are no number or too large
}

func newColumns(from, to float64, n int) *columns {
	c := &columns{from: from, to: to, cell: make([]column, max(n, 1))}
	for i := range c.cell {
		c.cell[i].low, c.cell[i].high = math.Inf(1), math.Inf(-1)
	}
	return c
}

// add puts in a value that holds from x to end. It lies in every column that it
// touches.
func (c *columns) add(x, end, v float64) {
	if !drawable(v) || !drawable(x) || !drawable(end) {
		c.left++
		return
	}
	width := (c.to - c.from) / float64(len(c.cell))
	first, last := int(math.Floor((x-c.from)/width)), int(math.Ceil((end-c.from)/width))-1
	last = max(first, last)
	if last < 0 || first >= len(c.cell) {
		return
	}
	for i := max(first, 0); i <= min(last, len(c.cell)-1); i++ {
		cell := &c.cell[i]
		cell.low, cell.high = math.Min(cell.low, v), math.Max(cell.high, v)
		if i == first {
			cell.count++
			c.most = max(c.most, cell.count)
		}
	}
}

// center is the place of column i.
func (c *columns) center(i int) float64 {
	return c.from + (float64(i)+0.5)*(c.to-c.from)/float64(len(c.cell))
}

// extent is the range of all that was put in.
func (c *columns) extent() extent {
	e := nothing()
	for _, cell := range c.cell {
		if cell.low <= cell.high {
			e.add(cell.low, cell.high)
		}
	}
	return e
}

// movingMean gives the mean frame time in ms over a window of seconds around the
// middle of each of n equal parts of [0, total), frames counted in part. It is NaN
// where the window is not full.
func movingMean(nanos []int64, window float64, n int) (at, mean []float64) {
	begins := make([]float64, len(nanos)+1) // seconds
	var sum int64
	for i, v := range nanos {
		sum += v
		begins[i+1] = float64(sum) / 1e9
	}
	total := begins[len(nanos)]
	frames := func(t float64, i *int) float64 { // finished at t
		for *i < len(nanos)-1 && begins[*i+1] <= t {
			*i++
		}
		return float64(*i) + (t-begins[*i])/(begins[*i+1]-begins[*i])
	}
	head, end := 0, 0
	for k := range n {
		mid := (float64(k) + 0.5) * total / float64(n)
		at = append(at, mid)
		from, to := mid-window/2, mid+window/2
		if from < 0 || to > total || total <= 0 {
			mean = append(mean, math.NaN())
			continue
		}
		mean = append(mean, window*1e3/(frames(to, &end)-frames(from, &head)))
	}
	return at, mean
}

// joined bridges columns without a value where there are fewer than a pause on
// end, so that samples taken slower than the columns are wide make one shape.
func (c *columns) joined(pause float64) *columns {
	j := *c
	j.cell = slices.Clone(c.cell)
	most := int(pause / ((c.to - c.from) / float64(len(c.cell))))
	before := -1
	for i, cell := range c.cell {
		if cell.low > cell.high {
			continue
		}
		if before >= 0 && i-before-1 <= most {
			for k := before + 1; k < i; k++ {
				j.cell[k] = column{low: c.cell[before].low, high: c.cell[before].high}
			}
		}
		before = i
	}
	return &j
}

// middles is the middle of each column, NaN where it holds no value.
func (c *columns) middles() (at, mid []float64) {
	for i, cell := range c.cell {
		at = append(at, c.center(i))
		if cell.low <= cell.high {
			mid = append(mid, (cell.low+cell.high)/2)
		} else {
			mid = append(mid, math.NaN())
		}
	}
	return at, mid
}

// meanOfFrames gives the mean of so many frames around the middle of each of n
// equal parts of the log, by frame number. It is NaN where the window is not full.
func meanOfFrames(nanos []int64, frames, n int) (at, mean []float64) {
	sums := make([]int64, len(nanos)+1)
	for i, v := range nanos {
		sums[i+1] = sums[i] + v
	}
	for k := range n {
		mid := (float64(k) + 0.5) * float64(len(nanos)) / float64(n)
		from := int(mid) - frames/2
		at = append(at, mid)
		if from < 0 || from+frames > len(nanos) {
			mean = append(mean, math.NaN())
			continue
		}
		mean = append(mean, float64(sums[from+frames]-sums[from])/float64(frames)/1e6)
	}
	return at, mean
}
