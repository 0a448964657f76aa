package stats

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// ReadingID is what a grid of two factors comes to.
type ReadingID string

const (
	ReadNotResolved      ReadingID = "not_resolved"      // an interval is too wide to say anything
	ReadSuspect          ReadingID = "suspect"           // something else moved with a factor
	ReadLimitMoves       ReadingID = "limit_moves"       // the limit depends on where one stands, no single number
	ReadLimitedElsewhere ReadingID = "limited_elsewhere" // neither factor matters
	ReadMainly           ReadingID = "mainly"            // one factor has more than half of the time
	ReadMattersMore      ReadingID = "matters_more"      // one factor matters more than the other
	ReadShared           ReadingID = "shared"            // both matter
	ReadPartly           ReadingID = "partly"            // none of the above: the numbers stand for themselves
)

// Reading is one finding in words. Factor names the one it speaks of, if one.
type Reading struct {
	ID     ReadingID
	Factor string
	P      float64 // of the difference between the factors, for ReadMattersMore; adjust it over a table by Holm
	Words  string
}

// read applies the rule. An interval too wide ends it, and what is suspect comes
// first. A limit that moves comes before what holds on average over the grid,
// except a factor that has most of the time all the same.
func (s *Scaling) read(opt ScalingOptions) {
	if s.tooWide(opt) {
		return
	}
	s.readSuspect(opt)
	a, b := s.A, s.B
	inside := func(i Interval) bool { return -opt.Insensitive < i.Low && i.High < opt.Insensitive }
	if inside(a.Reading) && inside(b.Reading) {
		s.say(ReadLimitedElsewhere, "", "neither %s nor %s limits it: %s", a.Name, b.Name, opt.Elsewhere.words())
		s.readMoving(opt)
		return
	}
	for _, f := range []FactorScaling{a, b} {
		if f.Reading.Low > opt.Mainly {
			s.say(ReadMainly, f.Name, "mainly %s: %s of the time scales with it", f.Name, percent(f.Elasticity.Value))
		}
	}
	s.readMoving(opt)
	s.readBoth(opt)
}

// readBoth holds the two factors against each other.
func (s *Scaling) readBoth(opt ScalingOptions) {
	a, b := s.A, s.B
	mainly := slices.ContainsFunc(s.Readings, func(r Reading) bool { return r.ID == ReadMainly })
	if !mainly && a.Reading.Low > opt.Shared && b.Reading.Low > opt.Shared {
		s.say(ReadShared, "", "shared: %s of the time scales with %s, %s with %s, the rest is %s", percent(a.Elasticity.Value),
			a.Name, percent(b.Elasticity.Value), b.Name, percent(s.Rest.Value))
	}
	if a.Reading.Low > b.Reading.High {
		s.saysMore(a.Name, b.Name)
	} else if b.Reading.Low > a.Reading.High {
		s.saysMore(b.Name, a.Name)
	}
	if len(s.Readings) == 0 {
		s.say(ReadPartly, "", "no single limit: %s %.2f, %s %.2f, %s of the time scales with neither", a.Name,
			a.Elasticity.Value, b.Name, b.Elasticity.Value, percent(s.Rest.Value))
	}
}

func (s *Scaling) say(id ReadingID, factor, format string, args ...any) {
	s.Readings = append(s.Readings, Reading{ID: id, Factor: factor, P: math.NaN(), Words: fmt.Sprintf(format, args...)})
}

func (s *Scaling) saysMore(more, less string) {
	s.say(ReadMattersMore, more, "%s matters more than %s", more, less)
	s.Readings[len(s.Readings)-1].P = s.Difference.P
}

func (s *Scaling) tooWide(opt ScalingOptions) bool {
	wide := false
	for _, f := range []FactorScaling{s.A, s.B} {
		if half := (f.Reading.High - f.Reading.Low) / 2; !(half <= opt.WidestHalf) {
			wide = true
			s.say(ReadNotResolved, f.Name, "not resolved: the elasticity of %s is known to +-%.2f only, wider steps or more repeats are needed", f.Name, half)
		}
	}
	return wide
}

func (s *Scaling) readSuspect(opt ScalingOptions) {
	for _, f := range []FactorScaling{s.A, s.B} {
		switch e := f.Elasticity.Value; {
		case f.Reading.Low > 1:
			s.say(ReadSuspect, f.Name, "suspect: the rate rises faster than %s (%.2f), something else moved with it", f.Name, e)
		case e < -opt.NegativeLimit:
			s.say(ReadSuspect, f.Name, "suspect: the rate falls with %s (%.2f), something else moved with it", f.Name, e)
		}
	}
	if s.Sum.Value > opt.SumLimit {
		s.say(ReadSuspect, "", "suspect: the shares of both factors add up to %.2f, something else moved with them", s.Sum.Value)
	}
}

func (s *Scaling) readMoving(opt ScalingOptions) {
	if s.Interaction == nil || !(s.Interaction.P < opt.InteractionP) {
		return
	}
	for _, f := range []FactorScaling{s.A, s.B} {
		low, high := math.Inf(1), math.Inf(-1)
		var each []string
		for _, a := range f.Arcs {
			low, high = math.Min(low, a.Elasticity), math.Max(high, a.Elasticity)
			each = append(each, fmt.Sprintf("%.2f at %.4g", a.Elasticity, a.Other))
		}
		if high-low > opt.ArcSpread {
			s.say(ReadLimitMoves, f.Name, "the limit moves: elasticity of %s %s of the other factor", f.Name, strings.Join(each, ", "))
		}
	}
}

// words says what was checked when neither factor matters. The bounds of 0.5,
// 0.95, 0.9 and again 0.5 are common practice, no source.
func (e Elsewhere) words() string {
	var found, checked []string
	refresh := "its refresh"
	if e.RefreshHertz > 0 {
		refresh = fmt.Sprintf("multiples of a %g Hz refresh", e.RefreshHertz)
	}
	check := func(v *float64, bound float64, name, limit string) {
		if v == nil {
			return
		}
		if *v > bound {
			found = append(found, fmt.Sprintf("%s (%s)", limit, percent(*v)))
		} else {
			checked = append(checked, fmt.Sprintf("%s is not it (%s)", name, percent(*v)))
		}
	}
	check(e.RefreshShare, 0.5, "a frame cap", "a frame cap or the display, by the share of frames on "+refresh)
	check(e.GraphicsBusy, 0.95, "graphics", "graphics, by its utilisation")
	check(e.StorageBusy, 0.9, "storage", "storage, by its utilisation")
	check(e.StorageWait, 0.5, "waiting for storage", "storage, by the share of the time that something waited for it")
	if len(found) == 0 {
		return strings.Join(append([]string{"elsewhere, not identified"}, checked...), ", ")
	}
	return strings.Join(append(found, checked...), ", ")
}

func percent(share float64) string { return fmt.Sprintf("%.0f %%", 100*share) }
