package watch

import (
	"encoding/json"
	"slices"
	"time"

	"witnessmark/internal/durable"
)

// A line of a timeline's file is a stretch as JSON: see durable.AppendLine. One
// with the first reading of the line before it stands in its place: the stretch
// has gone on.

func appendLine(b []byte, s Stretch) []byte {
	text, err := json.Marshal(s)
	if err != nil { // a year beyond 9999 does not fit
		return b
	}
	return durable.AppendLine(b, text)
}

// parseTimeline gives the stretches in b and how many lines, other than a last
// one that was cut off, were none.
func parseTimeline(b []byte) (all []Stretch, damaged int) {
	for _, text := range durable.Lines(b) {
		s, ok := parseLine(text)
		if ok && len(all) > 0 {
			last := all[len(all)-1]
			if last.From == s.From {
				all[len(all)-1] = s
				continue
			}
			ok = s.From.Boot != last.To.Boot || s.From.SinceBoot >= last.To.SinceBoot
		}
		if !ok {
			damaged++
			continue
		}
		all = append(all, s)
	}
	if over := len(all) - maxStretches; over > 0 {
		all = slices.Delete(all, 0, over)
	}
	return all, damaged
}

func parseLine(text []byte) (s Stretch, ok bool) {
	if text == nil || json.Unmarshal(text, &s) != nil {
		return s, false
	}
	for _, r := range []*Reading{&s.From, &s.To} {
		r.Wall = r.Wall.UTC()
		if r.Boot == "" || r.SinceBoot < 0 || r.Awake < 0 || r.Wall.Before(time.Unix(0, 0)) {
			return s, false
		}
	}
	return s, s.From.Boot == s.To.Boot && s.From.SinceBoot <= s.To.SinceBoot
}
