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

// mostApart is how far apart two passes may be without a gap between them.
const mostApart = 3 * time.Second

// Cut is what the ring holds of a span.
type Cut struct {
	Signals []rig.Signal // offsets since the span's begin, sorted by key; unread where nothing is left
	Gaps    []rig.Gap    // of all signals at once, which are in each of them, too
	Cost    probe.Cost   // the agent's own; its processor time over the pieces that the span touches
}

// Cut gives the signals from one instant to another. What is missing in it is
// told as gaps, or as unread signals where all is missing, with the reason: the
// agent did not run, the machine slept, the ring does not go so far back.
func (r *Ring) Cut(from, to Instant) (Cut, error) {
	if from.Boot != to.Boot || to.At < from.At {
		c := newCutting(Instant{}, 0)
		err := r.read(func(h heads, p piece) { c.know(h) })
		return c.cut("the span does not lie within one boot of the machine"), err
	}
	c := newCutting(from, to.At)
	if err := r.read(c.add); err != nil {
		return Cut{}, err
	}
	return c.cut(""), nil
}

// read goes through all pieces. Segments are opened at once, so that one that
// is let go meanwhile can still be read.
func (r *Ring) read(f func(heads, piece)) error {
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
	for _, s := range r.segments {
		file, err := os.Open(s.path)
		if err != nil {
			r.mu.Unlock()
			return fault.New("read signals", s.path, err)
		}
		all = append(all, open{file, s.size})
	}
	r.mu.Unlock()
	for _, o := range all {
		b, err := io.ReadAll(io.NewSectionReader(o.file, 0, o.size))
		if err != nil {
			return fault.New("read signals", o.file.Name(), err)
		}
		walk(b, false, f)
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
	any     bool
	gaps    []rig.Gap
	cost    probe.Cost
	begun   bool
	cpu     time.Duration // at the last piece of the session
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
	return &cutting{from: from, to: to, signals: map[rig.Key]*joined{}}
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
	p2 := p
	p2.parts = nil
	defer func() { c.session, c.cpu = h.Session, p.cpu }()
	if h.Boot != c.from.Boot {
		if !c.any {
			c.know(h)
		}
		return
	}
	begin := c.from.At
	if c.last != nil {
		begin = c.last.to
	}
	if p.from-begin > mostApart || c.last != nil && c.session != h.Session || c.last != nil && p.why != "" {
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
	if c.begun && c.session == h.Session {
		c.cost.CPU += max(0, p.cpu-c.cpu)
	}
	c.begun, c.cost.PeakRSS = true, max(c.cost.PeakRSS, p.peak)
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
		}
	}
	for _, g := range x.gaps {
		if g.To < c.from.At || g.From > c.to {
			continue
		}
		g.From, g.To = max(g.From, c.from.At)-c.from.At, min(g.To, c.to)-c.from.At
		j.Gaps = append(j.Gaps, g)
	}
}

// cut gives the signals as a record takes them; with why none of them was read.
func (c *cutting) cut(why string) Cut {
	end := c.from.At
	if c.last != nil {
		end = max(end, c.last.to)
	}
	if why == "" && c.to-end > mostApart {
		text := "nothing was sampled after that"
		if c.last == nil {
			text = "the ring of signals holds nothing of that boot"
		}
		c.gap(end, c.to, text)
	}
	out := Cut{Gaps: c.gaps, Cost: c.cost}
	for _, j := range c.signals {
		s := j.Signal
		if until := min(end, c.to); c.any && until-j.until > mostApart {
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
