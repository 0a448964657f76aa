package series

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
	"slices"
)

const (
	maxOrder  = 32
	coefShift = 12 // coefficients are in units of 2^-12
	coefMax   = 1<<15 - 1
)

// plan says how the steps of a chunk are predicted.
type plan struct {
	diff     bool // predict differences instead of steps
	limitLog int  // misses are remembered up to 2^limitLog; 0 is without limit
	mean     int64
	coef     []int64 // of the latest value first
}

// shape is a kind of plan worth trying; the rest is fitted.
type shape struct {
	diff, limited bool
	order         int
	least         int // steps in the chunk for which it can pay
}

// The shapes: a signal that stays or hops; one that drifts; frame times; frame
// times without outliers; sampling times with jitter.
var shapes = [...]shape{
	{},
	{diff: true},
	{limited: true, order: 8, least: 256},
	{order: 8, least: 256},
	{diff: true, order: 8, least: 256},
	{diff: true, limited: true, order: 2, least: 64},
}

// predictor finds the best plan for a chunk and what it misses by.
type predictor struct {
	x       []int64 // what is predicted: steps or their differences
	fit     []float64
	sample  []int64
	history []int64
	misses  [2][]int64 // of the best plan so far, and of the one being tried
	chosen  int        // which of the shapes it was
}

// best gives the plan of one of the shapes in list with the shortest code, and
// its misses, which are valid until the next call. The first shape suits any.
func (e *predictor) best(steps []int64, list []shape) (best plan, misses []int64) {
	least := math.Inf(1)
	for i, s := range list {
		if len(steps) < s.least {
			continue
		}
		e.load(steps, s.diff)
		p := e.fitted(s)
		e.misses[1] = p.misses(e.misses[1], e.x, &e.history)
		if bits := codeBits(e.misses[1]) + float64(16*len(p.coef)); bits < least {
			least, best, e.chosen = bits, p, i
			e.misses[0], e.misses[1] = e.misses[1], e.misses[0]
		}
	}
	return best, e.misses[0]
}

// load sets x to steps or to their differences, the first against zero.
func (e *predictor) load(steps []int64, diff bool) {
	e.x = append(e.x[:0], steps...)
	if diff {
		for i := len(e.x) - 1; i > 0; i-- {
			e.x[i] -= e.x[i-1]
		}
	}
}

// fitted fits a plan of shape s to x: mean and coefficients by least squares
// (autocorrelation method, Levinson's recursion), with values far from the
// median pulled in if s is limited, so that stutters do not weigh.
func (e *predictor) fitted(s shape) plan {
	lo, hi := int64(math.MinInt64), int64(math.MaxInt64)
	if s.limited {
		lo, hi = e.bulk()
	}
	e.fit = e.fit[:0]
	var sum float64
	for _, x := range e.x[min(1, len(e.x)-1):] { // the first difference is a level, not a difference
		f := float64(min(max(x, lo), hi))
		sum += f
		e.fit = append(e.fit, f)
	}
	p := plan{diff: s.diff, mean: toInt(sum / float64(len(e.fit)))}
	for i := range e.fit {
		e.fit[i] -= float64(p.mean)
	}
	coef, power := levinson(e.fit, s.order)
	p.coef = coef
	if s.limited {
		p.limitLog = min(max(bits.Len64(uint64(toInt(1.75*math.Sqrt(power)))), 1), 62)
	}
	return p
}

// bulk gives bounds about the median that hold all but the outliers of x:
// 7.5 median absolute deviations, five standard deviations of a normal law.
// A sample is enough.
func (e *predictor) bulk() (lo, hi int64) {
	e.sample = e.sample[:0]
	for i := 0; i < len(e.x); i += max(1, len(e.x)/1023) {
		e.sample = append(e.sample, e.x[i])
	}
	slices.Sort(e.sample)
	median := e.sample[len(e.sample)/2]
	for i, x := range e.sample {
		e.sample[i] = max(x-median, median-x)
	}
	slices.Sort(e.sample)
	reach := toInt(7.5*float64(e.sample[len(e.sample)/2])) + 1
	return addCapped(median, -reach), addCapped(median, reach)
}

// misses gives what p misses each of x by, in dst.
func (p *plan) misses(dst, x []int64, history *[]int64) []int64 {
	dst = slices.Grow(dst[:0], len(x))[:len(x)]
	m := p.memory(history, len(x))
	for i, v := range x {
		above := m.guess(i)
		miss := v - p.mean - above
		m.settle(i, above, miss)
		dst[i] = miss
	}
	return dst
}

// restore turns the misses in x back into what was predicted, and then into steps.
func (p *plan) restore(x []int64, history *[]int64) {
	m := p.memory(history, len(x))
	for i, miss := range x {
		above := m.guess(i)
		m.settle(i, above, miss)
		x[i] = p.mean + above + miss
	}
	if p.diff {
		for i := 1; i < len(x); i++ {
			x[i] += x[i-1]
		}
	}
}

// memory is what a prediction knows: how far earlier values were above the mean.
type memory struct {
	coef  []int64 // of the latest value last
	past  []int64 // as many zeros as there are coefficients, then one for each value
	limit int64
	diff  bool
}

func (p *plan) memory(history *[]int64, n int) memory {
	order := len(p.coef)
	m := memory{coef: slices.Clone(p.coef), limit: math.MaxInt64, diff: p.diff}
	slices.Reverse(m.coef)
	m.past = slices.Grow((*history)[:0], order+n)[:order+n]
	clear(m.past[:order])
	*history = m.past
	if p.limitLog > 0 {
		m.limit = 1 << p.limitLog
	}
	return m
}

// guess gives how far above the mean value i is expected.
func (m *memory) guess(i int) int64 {
	acc := int64(1) << (coefShift - 1)
	past := m.past[i : i+len(m.coef)]
	for j, c := range m.coef {
		acc += c * past[j]
	}
	return acc >> coefShift
}

// settle remembers value i, held to the limit about its guess. The first
// difference is a level and not remembered.
func (m *memory) settle(i int, above, miss int64) {
	if i == 0 && m.diff {
		above, miss = 0, 0
	}
	m.past[i+len(m.coef)] = above + min(max(miss, -m.limit), m.limit)
}

// levinson gives order coefficients that predict x from its past with the least
// squared error, rounded, and that error's mean.
func levinson(x []float64, order int) ([]int64, float64) {
	r := autocorrelation(x, order)
	n := float64(max(len(x), 1))
	a, prev := make([]float64, order), make([]float64, order)
	power := float64(r[0]*(1+1e-9)) + 1e-9
	for i := range order {
		acc := r[i+1]
		for j := range i {
			acc -= float64(a[j] * r[i-j])
		}
		k := acc / power
		copy(prev, a)
		a[i] = k
		for j := range i {
			a[j] = prev[j] - float64(k*prev[i-1-j])
		}
		power *= 1 - float64(k*k)
		if !(power > 0) {
			break
		}
	}
	coef := make([]int64, order)
	for i, f := range a {
		coef[i] = min(max(toInt(f*(1<<coefShift)), -coefMax), coefMax)
	}
	return coef, max(power, 0) / n
}

// autocorrelation gives the sums of x[i]*x[i-k] for k from 0 to order. The
// conversions keep processors with a fused multiply-add from rounding otherwise.
func autocorrelation(x []float64, order int) []float64 {
	r := make([]float64, order+1)
	for k := range r {
		var s float64
		for i := k; i < len(x); i++ {
			s += float64(x[i] * x[i-k])
		}
		r[k] = s
	}
	return r
}

// toInt rounds f into an int64, and what is out of range or no number to its edge or 0.
func toInt(f float64) int64 {
	switch f = math.Round(f); {
	case f >= math.MaxInt64:
		return math.MaxInt64
	case f <= math.MinInt64:
		return math.MinInt64
	case f != f:
		return 0
	}
	return int64(f)
}

// addCapped is a+b held at the edges of int64.
func addCapped(a, b int64) int64 {
	switch s := a + b; {
	case b > 0 && s < a:
		return math.MaxInt64
	case b < 0 && s > a:
		return math.MinInt64
	default:
		return s
	}
}

// predicted gives the payload of the predicted method with the best shape of list.
func (e *encoder) predicted(steps []int64, list []shape) []byte {
	p, misses := e.best(steps, list)
	head := byte(len(p.coef))
	if p.diff {
		head |= 0x80
	}
	e.bytes = append(e.bytes[:0], head, byte(p.limitLog))
	e.bytes = binary.AppendUvarint(e.bytes, zigzag(p.mean))
	for _, c := range p.coef {
		e.bytes = binary.AppendUvarint(e.bytes, zigzag(c))
	}
	e.bytes = e.appendClasses(e.bytes, misses)
	return e.bytes
}

// predicted fills steps from a payload of the predicted method.
func (d *decoder) predicted(payload []byte) error {
	r := reader{b: payload}
	head, limitLog := r.byte(), r.byte()
	p := plan{diff: head&0x80 != 0, limitLog: int(limitLog), mean: unzigzag(r.uvarint())}
	order := int(head & 0x7f)
	if order > maxOrder || limitLog > 62 {
		return errors.New("no such prediction")
	}
	for range order {
		p.coef = append(p.coef, unzigzag(r.uvarint()))
	}
	if r.bad {
		return errShort
	}
	if err := d.classes.read(d.steps, &r); err != nil {
		return err
	}
	p.restore(d.steps, &d.history)
	return nil
}
