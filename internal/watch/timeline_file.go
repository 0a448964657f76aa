package watch

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"hash/crc32"
	"slices"
	"time"
)

// A line of a timeline's file is the CRC-32C of its JSON, in hexadecimal, a
// blank, and a stretch as JSON. One with the first reading of the line before
// it stands in its place: the stretch has gone on.

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

const sumText = 2 * crc32.Size

func appendLine(b []byte, s Stretch) []byte {
	text, err := json.Marshal(s)
	if err != nil { // a year beyond 9999 does not fit
		return b
	}
	b = hex.AppendEncode(b, sumOf(text))
	b = append(b, ' ')
	b = append(b, text...)
	return append(b, '\n')
}

func sumOf(b []byte) []byte {
	sum := crc32.Checksum(b, castagnoli)
	return []byte{byte(sum >> 24), byte(sum >> 16), byte(sum >> 8), byte(sum)}
}

// parseTimeline gives the stretches in b and how many lines, other than a last
// one that was cut off, were none.
func parseTimeline(b []byte) (all []Stretch, damaged int) {
	lines := bytes.SplitAfter(b, []byte("\n"))
	for _, line := range lines {
		text, whole := bytes.CutSuffix(line, []byte("\n"))
		if !whole {
			continue // the end, or what a crash left of a line
		}
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
	if len(text) < sumText+1 || text[sumText] != ' ' {
		return s, false
	}
	sum, body := text[:sumText], text[sumText+1:]
	if want := hex.AppendEncode(nil, sumOf(body)); !bytes.Equal(sum, want) || json.Unmarshal(body, &s) != nil {
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
