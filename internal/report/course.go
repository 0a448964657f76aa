package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/figure"
	"witnessmark/internal/rig"
)

// course draws the signals of one run.
func (r report) course(id string) figure.Course {
	i := slices.IndexFunc(r.Sides, func(s Side) bool { return pickRun(s.Runs, id) != nil })
	run := pickRun(r.Sides[i].Runs, id)
	f := figure.Course{Head: r.head("run "+short(id), r.labels[i]+", run "+short(id), -1, []compare.Run{*run})}
	f.Strips, f.Events = strips(r.Signals[id])
	return f
}

// strips sorts signals into temperature, clock, power and the load by others.
func strips(signals []rig.Signal) (out []figure.Strip, events []figure.Event) {
	kinds := []figure.Strip{
		{Name: "temperature", Unit: "°C"}, {Name: "clock of the cores", Unit: "MHz", Band: true},
		{Name: "power", Unit: "W", FromZero: true}, {Name: "load by others", Unit: "%", FromZero: true},
	}
	limits := map[string][]figure.Bound{} // by sensor
	for _, s := range signals {
		if len(s.Values) == 0 {
			continue
		}
		t := figure.Track{Label: orWords(s.Key.Index(), string(s.Key)), Offsets: s.Offsets}
		at := -1
		switch family := s.Key.Family(); {
		case family == "temperature[]":
			at = 0
			for _, l := range s.Limits {
				limits[t.Label] = append(limits[t.Label], figure.Bound{Name: l.Name, Value: l.Value})
			}
		case family == "cpu[].clock":
			at = 1
		case s.Counter && s.Unit == rig.Joule:
			at, t = 2, power(s, t.Label)
		case s.Unit == rig.Watt:
			at = 2
		case s.Key == "load.other":
			at, t.Label = 3, "others"
		case strings.HasPrefix(string(s.Key), "throttle[") && s.Counter && s.Unit == rig.NoUnit:
			events = append(events, counted(s)...)
		}
		if at < 0 {
			continue
		}
		if t.Values == nil {
			for k := range s.Values {
				t.Values = append(t.Values, s.At(k))
			}
		}
		kinds[at].Tracks = append(kinds[at].Tracks, t)
	}
	kinds[0] = hottest(kinds[0], limits)
	for _, k := range kinds {
		if len(k.Tracks) > 0 {
			out = append(out, k)
		}
	}
	return out, merged(events)
}

// mostSensors is how many temperatures are drawn: a rig has dozens, and those of
// drives and boards tell nothing of what a workload does to the rest.
const mostSensors = 4

// hottest keeps the sensors that became hottest, with the limits they state.
func hottest(s figure.Strip, limits map[string][]figure.Bound) figure.Strip {
	if n := len(s.Tracks); n > mostSensors {
		slices.SortStableFunc(s.Tracks, func(a, b figure.Track) int { return cmp.Compare(slices.Max(b.Values), slices.Max(a.Values)) })
		s.Tracks = s.Tracks[:mostSensors]
		s.Name = fmt.Sprintf("%s, the %d hottest of %d sensors", s.Name, mostSensors, n)
	}
	for i, t := range s.Tracks {
		s.Bounds = append(s.Bounds, limits[t.Label]...)
		if _, name, ok := strings.Cut(t.Label, " "); ok && !slices.ContainsFunc(s.Tracks, func(o figure.Track) bool {
			return o.Label == name || o.Label != t.Label && strings.HasSuffix(o.Label, " "+name)
		}) {
			s.Tracks[i].Label = name // the driver and the device go without saying
		}
	}
	s.Bounds = bounds(s.Bounds)
	return s
}

// bounds keeps the lowest of each name: what is drawn is when a sensor first says
// that it is enough.
func bounds(in []figure.Bound) (out []figure.Bound) {
	for _, b := range in {
		i := slices.IndexFunc(out, func(o figure.Bound) bool { return o.Name == b.Name })
		switch {
		case i < 0:
			out = append(out, b)
		case b.Value < out[i].Value:
			out[i] = b
		}
	}
	return out
}

// power is the slope of an energy counter. Where the counter turned over there is
// no value.
func power(s rig.Signal, label string) figure.Track {
	t := figure.Track{Label: label}
	for i := 1; i < len(s.Values); i++ {
		took := (s.Offsets[i] - s.Offsets[i-1]).Seconds()
		if used := s.At(i) - s.At(i-1); took > 0 && used >= 0 {
			t.Offsets, t.Values = append(t.Offsets, s.Offsets[i-1]+(s.Offsets[i]-s.Offsets[i-1])/2), append(t.Values, used/took)
		}
	}
	return t
}

// counted is where a throttle counter went up.
func counted(s rig.Signal) (out []figure.Event) {
	for i := 1; i < len(s.Values); i++ {
		if s.Values[i] > s.Values[i-1] {
			out = append(out, figure.Event{From: s.Offsets[i-1], To: s.Offsets[i], Text: "throttling was counted"})
		}
	}
	return out
}

// merged joins events that touch, or are less than a second apart.
func merged(in []figure.Event) (out []figure.Event) {
	slices.SortFunc(in, func(a, b figure.Event) int { return int(a.From - b.From) })
	for _, e := range in {
		if n := len(out); n > 0 && e.From-out[n-1].To < time.Second {
			out[n-1].To = max(out[n-1].To, e.To)
			continue
		}
		out = append(out, e)
	}
	return out
}
