package watch

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
)

// mostApart is how far apart two passes may be without a gap between them, at the
// paces that a pump has if it was given none.
const mostApart = 3 * time.Second

// apartAt is the same where passes are meant to be no further apart than slowest.
func apartAt(slowest time.Duration) time.Duration { return max(mostApart, 3*slowest) }

// Cut is what the ring holds of a span.
type Cut struct {
	Signals []rig.Signal // offsets since the span's begin, sorted by key; unread where nothing is left
	Gaps    []rig.Gap    // of all signals at once, which are in each of them, too
	Cost    probe.Cost   // the agent's own; its processor time as far as the span covers what was measured at once
	Remarks []string     // where the signals are thinned, and why, in words
}

// mostCut bounds the samples of a cut, each of 16 bytes: an hour and a half of 40
// signals at the full pace. A longer span is thinned evenly. A design choice.
const mostCut = 2 << 20

// Cut gives the signals from one instant to another. What is missing in it is
// told as gaps, or as unread signals where all is missing, with the reason: the
// agent did not run, the machine slept, the ring does not go so far back. What
// was thinned is told in remarks.
func (r *Ring) Cut(from, to Instant) (Cut, error) {
	if from.Boot != to.Boot || to.At < from.At {
		c := newCutting(Instant{}, 0)
		err := r.read(everything, none, func(h heads, _ piece) bool { c.know(h); return true })
		return c.cut("the span does not lie within one boot of the machine"), err
	}
	c := newCutting(from, to.At)
	near := func(all []*segment) []*segment { return around(all, from, to.At) }
	inside := func(p piece) bool { return p.to >= from.At && p.from <= to.At }
	if err := r.read(near, inside, func(h heads, p piece) bool { c.add(h, p); return true }); err != nil {
		return Cut{}, err
	}
	return c.cut(""), nil
}

func everything(all []*segment) []*segment { return all }

// around leaves out segments that are further from a span than the next one on
// each side, which tells why something is missing at its bounds.
func around(all []*segment, from Instant, to time.Duration) []*segment {
	first, last := 0, len(all)
	for i, s := range all {
		switch {
		case s.boot != from.Boot || s.size == 0:
		case s.to < from.At:
			first = i
		case s.from > to && last == len(all):
			last = i + 1
		}
	}
	return all[first:last]
}

// read goes through the pieces of some segments, block by block. They are opened
// at once, so that one that is let go meanwhile can still be read.
func (r *Ring) read(some func([]*segment) []*segment, full func(piece) bool, f func(heads, piece) bool) error {
	type open struct {
		file *os.File
		size int64
	}
	var all []open
	defer func() {
		for _, o := range all {
			o.file.Close()
		}
	}()
	r.mu.Lock()
	for _, s := range some(r.segments) {
		file, err := os.Open(s.path)
		if err != nil {
			r.mu.Unlock()
			return fault.New("read signals", s.path, err)
		}
		all = append(all, open{file, s.size})
	}
	r.mu.Unlock()
	for _, o := range all {
		_, err := walk(io.NewSectionReader(o.file, 0, o.size), full, f)
		if err != nil {
			return fault.New("read signals", o.file.Name(), err)
		}
	}
	return nil
}

// cutting puts pieces together.
type cutting struct {
	from    Instant
	to      time.Duration
	signals map[rig.Key]*joined
	session string
	last    *piece // of that boot
	apart   time.Duration
	any     bool
	gaps    []rig.Gap
	cost    probe.Cost
	begun   bool          // a piece lay in the span
	cpu     time.Duration // at the last piece of the session
	most    int           // samples that may be held
	samples int
	pace    time.Duration // to which they are thinned, so that they are no more; 0 when they are not
	thinned thinned
}

type joined struct {
	rig.Signal
	doubted bool
	shift   int64 // of a counter that began again
	session string
	until   time.Duration // end of the last piece that knew of it
}

var notThere = rig.Unread{Reason: rig.Absent, Detail: "not found on the machine then"}

func newCutting(from Instant, to time.Duration) *cutting {
	return &cutting{from: from, to: to, signals: map[rig.Key]*joined{}, most: mostCut, apart: mostApart}
}

// know takes up what signals there are.
func (c *cutting) know(h heads) {
	for _, x := range h.Signals {
		j := c.signals[x.Key]
		if j == nil {
			j = &joined{session: h.Session}
			c.signals[x.Key] = j
		}
		s := x.signal()
		if j.Unit != s.Unit || j.Exponent != s.Exponent || j.Counter != s.Counter {
			j.Offsets, j.Values = nil, nil // another signal under that name
		}
		s.Offsets, s.Values, s.Gaps = j.Offsets, j.Values, j.Gaps
		j.Signal, j.doubted = s, x.Doubted
	}
}

// add takes the next piece of the ring.
func (c *cutting) add(h heads, p piece) {
	p2, before := p, c.last
	p2.parts = nil
	defer func() { c.session, c.cpu = h.Session, p.cpu }()
	if h.Boot != c.from.Boot {
		if !c.any {
			c.know(h)
		}
		return
	}
	c.apart = apartAt(h.Apart)
	begin := c.from.At
	if c.last != nil {
		begin = c.last.to
	}
	if p.from-begin > c.apart || c.last != nil && c.session != h.Session || c.last != nil && p.why != "" {
		c.gap(begin, p.from, c.reason(h, &p))
	}
	c.last = &p2
	if p.to < c.from.At || p.from > c.to {
		if !c.any {
			c.know(h)
		}
		return
	}
	if !c.any {
		c.any, c.signals = true, map[rig.Key]*joined{}
	}
	c.know(h)
	for _, j := range c.signals {
		if c.begun && j.until == 0 {
			j.Gaps = append(j.Gaps, rig.Gap{To: max(p.from-c.from.At, 0), Unread: notThere})
		}
	}
	for _, x := range h.Signals {
		c.signals[x.Key].until = p.to
	}
	if before != nil && c.session == h.Session {
		share := float64(min(p.to, c.to)-max(before.to, c.from.At)) / float64(max(1, p.to-before.to))
		c.cost.CPU += time.Duration(share * float64(max(0, p.cpu-c.cpu)))
	}
	c.begun, c.cost.PeakRSS = true, max(c.cost.PeakRSS, p.peak)
	c.thinned.note(c, p)
	for _, x := range p.parts {
		c.join(c.signals[h.Signals[x.signal].Key], h.Session, x)
	}
}

// reason says why nothing lies between the last piece and p.
func (c *cutting) reason(h heads, p *piece) string {
	if c.last == nil {
		return "older than what the ring of signals holds"
	}
	why := p.why
	switch {
	case why != "":
	case c.session != h.Session:
		why = "the agent was not running"
	default:
		why = "the agent was held up and made no pass"
	}
	slept := (p.from - c.last.to) - (p.awakeFrom - c.last.awakeTo)
	if slept < leastSleep {
		return why
	}
	text := fmt.Sprintf("the machine was suspended for %v", slept.Round(time.Millisecond))
	if c.session != h.Session || p.why != "" {
		text = why + ", and " + text
	}
	return text
}

// gap notes a time without passes, as far as it lies in the span.
func (c *cutting) gap(from, to time.Duration, why string) {
	from, to = max(from, c.from.At)-c.from.At, min(to, c.to)-c.from.At
	if from < to {
		c.gaps = append(c.gaps, rig.Gap{From: from, To: to, Unread: rig.Unread{Reason: rig.Absent, Detail: why}})
	}
}

func (c *cutting) join(j *joined, session string, x part) {
	if n := len(j.Values); j.Counter && n > 0 && len(x.values) > 0 && j.session != session {
		j.shift = max(0, j.Values[n-1]-x.values[0]) // it began again; what it counted meanwhile is not known
	}
	j.session = session
	for i, o := range x.offsets {
		if at := time.Duration(o); at >= c.from.At && at <= c.to {
			j.Offsets, j.Values = append(j.Offsets, at-c.from.At), append(j.Values, x.values[i]+j.shift)
			c.samples++
		}
	}
	if c.samples > c.most {
		c.fit()
	}
	for _, g := range x.gaps {
		if g.To < c.from.At || g.From > c.to {
			continue
		}
		g.From, g.To = max(g.From, c.from.At)-c.from.At, min(g.To, c.to)-c.from.At
		j.Gaps = append(j.Gaps, g)
	}
}

// fit thins what is held until it is three quarters of what may be, so that it is
// not done again soon.
func (c *cutting) fit() {
	pace := max(c.pace, 2*finestPace)
	for ; c.samples > c.most/4*3 && pace < slowestPace; pace *= 2 {
		c.pace, c.samples = pace, 0
		for _, j := range c.signals {
			j.Offsets, j.Values = slower(j.Offsets, j.Values, pace)
			c.samples += len(j.Values)
		}
	}
}

// thinned is what part of a span the ring holds thinned, and to which paces.
type thinned struct{ from, to, finest, slowest time.Duration }

func (t *thinned) note(c *cutting, p piece) {
	if p.pace == 0 {
		return
	}
	from, to := max(p.from-c.from.At, 0), min(p.to, c.to)-c.from.At
	if t.slowest == 0 {
		*t = thinned{from, to, p.pace, p.pace}
	}
	t.to, t.finest, t.slowest = to, min(t.finest, p.pace), max(t.slowest, p.pace)
}

// remarks says what was thinned.
func (c *cutting) remarks() (out []string) {
	if t := c.thinned; t.slowest > 0 {
		paces := fmt.Sprintf("one sample in %v", t.finest)
		if t.slowest > t.finest {
			paces = fmt.Sprintf("between one sample in %v and one in %v", t.finest, t.slowest)
		}
		out = append(out, fmt.Sprintf("the ring of signals was full: from %v to %v of the span they are thinned to %s, %s",
			t.from.Round(time.Millisecond), t.to.Round(time.Millisecond), paces, evenly))
	}
	if c.pace > 0 {
		out = append(out, fmt.Sprintf("the span has more samples than the agent puts into one record: the signals are thinned to one sample in %v, %s", c.pace, evenly))
	}
	return out
}

const evenly = "evenly and with the least and the greatest of each stretch"

// cut gives the signals as a record takes them; with why none of them was read.
func (c *cutting) cut(why string) Cut {
	end := c.from.At
	if c.last != nil {
		end = max(end, c.last.to)
	}
	if why == "" && c.to-end > c.apart {
		text := "nothing was sampled after that"
		if c.last == nil {
			text = "the ring of signals holds nothing of that boot"
		}
		c.gap(end, c.to, text)
	}
	out := Cut{Gaps: c.gaps, Cost: c.cost, Remarks: c.remarks()}
	for _, j := range c.signals {
		s := j.Signal
		if c.pace > 0 {
			s.Offsets, s.Values = slower(s.Offsets, s.Values, c.pace)
		}
		if until := min(end, c.to); c.any && until-j.until > c.apart {
			s.Gaps = append(s.Gaps, rig.Gap{From: max(0, j.until-c.from.At), To: until - c.from.At, Unread: notThere})
		}
		switch {
		case s.Unread.Reason != "":
		case why != "":
			s.Unread = rig.Unread{Reason: rig.Absent, Detail: why}
		default:
			s.Gaps = together(append(s.Gaps, c.gaps...))
			s = settled(s, j.doubted)
		}
		out.Signals = append(out.Signals, s)
	}
	slices.SortFunc(out.Signals, func(a, b rig.Signal) int { return rig.Compare(a.Key, b.Key) })
	return out
}

// settled makes a signal without samples, or with ones that are not to be
// believed, unread.
func settled(s rig.Signal, doubted bool) rig.Signal {
	if len(s.Values) == 0 {
		s.Unread = rig.Unread{Reason: rig.Absent, Detail: "no sample fell into the span"}
		if len(s.Gaps) > 0 {
			s.Unread = s.Gaps[0].Unread
		}
	} else if u, stuck := probe.Stuck(s); doubted && stuck {
		s.Unread = u
	}
	if s.Unread.Reason != "" {
		s.Offsets, s.Values, s.Gaps = nil, nil, nil
	}
	return s
}

// together sorts gaps, joins those of one reason that touch, and lets one end
// where another has begun.
func together(gaps []rig.Gap) []rig.Gap {
	slices.SortStableFunc(gaps, func(a, b rig.Gap) int { return cmp.Compare(a.From, b.From) })
	var out []rig.Gap
	for _, g := range gaps {
		if k := len(out) - 1; k >= 0 && out[k].Unread == g.Unread && out[k].To >= g.From {
			out[k].To = max(out[k].To, g.To)
			continue
		} else if k >= 0 && out[k].To > g.From {
			if g.From = out[k].To; g.From >= g.To {
				continue
			}
		}
		out = append(out, g)
	}
	return out
}
