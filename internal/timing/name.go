package timing

import (
	"strings"
	"unicode"
)

// class is what a column's name says it holds.
type class int

const (
	nameless class = iota // no name, or a name that says nothing of the kind
	nameDuration
	nameStamp
	nameTime  // "time", "elapsed": a stamp or a duration
	nameRate  // "fps", "frames/s"
	nameIndex // "row", "id"
	nameMaybeIndex
	nameOther // "temperature", "load"
)

// meaning is what a column's name says.
type meaning struct {
	class class
	unit  Unit
	timed bool // it names a thing whose time is a duration: frame, pass, cpu
}

// classWords are the words of each class; no word is in two.
var classWords = map[class]string{
	nameDuration:   "frametime frametimes duration durations dur delta dt latency interval took lap period",
	nameStamp:      "stamp stamps timestamp timestamps ts epoch since start begin end finish uptime monotonic now at",
	nameTime:       "time times t elapsed",
	nameRate:       "fps hz framerate rate rates throughput",
	nameIndex:      "index idx id nr no num number row seq sequence line count counter",
	nameMaybeIndex: "frame frames pass item iteration iter step run tick job block i n k",
	nameOther: "temp temperature temperatures celsius fahrenheit kelvin power watt watts w volt volts v " +
		"voltage amp amps energy joule joules percent pct load util utilization utilisation usage mem memory " +
		"mb gb kb mib gib kib byte bytes score clock freq frequency speed khz mhz ghz seed width height size " +
		"depth quality level fan rpm",
}

var nameWords = func() map[string]class {
	m := map[string]class{}
	for c, words := range classWords {
		for _, w := range strings.Fields(words) {
			m[w] = c
		}
	}
	return m
}()

// timed are the things whose "time" is a duration: frame time, render time.
var timed = func() map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields("frame pass item render draw encode decode step iteration iter cpu gpu response " +
		"service run call tick loop block job task work busy wait kernel request query op per") {
		m[w] = true
	}
	return m
}()

// readName takes a header name apart.
func readName(name string) meaning {
	ws := nameTokens(name)
	unit, rate := nameUnit(ws)
	if rate {
		return meaning{class: nameRate}
	}
	has := map[class]bool{}
	isTimed, last := false, false
	for _, w := range ws {
		c, known := nameWords[w]
		if _, isUnit := unitWords[w]; isUnit {
			known = false
		}
		if known {
			has[c] = true
		}
		if w == "%" || w == "°" {
			has[nameOther] = true
		}
		isTimed = isTimed || timed[w]
		last = last || w == "last" || w == "previous" || w == "between"
	}
	m := meaning{unit: unit, timed: isTimed}
	switch {
	case has[nameDuration], last && (unit != "" || has[nameStamp] || has[nameTime]), has[nameTime] && isTimed && !has[nameStamp]:
		m.class = nameDuration
	case has[nameStamp]:
		m.class = nameStamp
	case has[nameTime] && !has[nameOther]:
		m.class = nameTime
	case unit != "" && isTimed:
		m.class = nameDuration
	case unit != "":
	case has[nameRate]:
		m.class = nameRate
	case has[nameOther]:
		m.class = nameOther
	case has[nameIndex]:
		m.class = nameIndex
	case has[nameMaybeIndex]:
		m.class = nameMaybeIndex
	}
	return m
}

// nameUnit finds the one unit of time in a name, and whether the name is a rate
// over time ("frames/s", "items per second"). "t/ms" and "ms/frame" are times.
func nameUnit(ws []string) (u Unit, rate bool) {
	for i, w := range ws {
		v, ok := unitWords[w]
		if !ok {
			continue
		}
		if i > 0 && (ws[i-1] == "per" || ws[i-1] == "/") && !timeBefore(ws[:i-1]) {
			if i == 1 {
				return "", true
			}
			if _, beforeIsUnit := unitWords[ws[i-2]]; !beforeIsUnit {
				return "", true
			}
			continue
		}
		if u != "" && u != v {
			return "", false
		}
		u = v
	}
	return u, false
}

// timeBefore reports whether any of the words is a time, as in "frame time / ms".
func timeBefore(ws []string) bool {
	for _, w := range ws {
		if c := nameWords[w]; c == nameDuration || c == nameStamp || c == nameTime {
			return true
		}
	}
	return false
}

// nameTokens gives the words of a name in lower case, split where letters,
// digits and case change; "/", "%" and "°" are words of their own.
func nameTokens(name string) []string {
	var out []string
	var cur []rune
	flush := func() {
		if len(cur) > 0 {
			out = append(out, strings.ToLower(string(cur)))
			cur = cur[:0]
		}
	}
	rs := []rune(name)
	for i, r := range rs {
		switch {
		case unicode.IsLetter(r):
			if len(cur) > 0 && breaksWord(rs, i) {
				flush()
			}
			cur = append(cur, r)
		case unicode.IsDigit(r):
			if len(cur) > 0 && !unicode.IsDigit(cur[len(cur)-1]) {
				flush()
			}
			cur = append(cur, r)
		case r == '\'' || r == '\u2019':
			cur = append(cur, '\'')
		default:
			flush()
			if r == '/' || r == '%' || r == '°' {
				out = append(out, string(r))
			}
		}
	}
	flush()
	return out
}

// breaksWord reports whether a word starts at letter i: frame|Time, FPS|Avg.
func breaksWord(rs []rune, i int) bool {
	before, at := rs[i-1], rs[i]
	if unicode.IsDigit(before) || unicode.IsLower(before) && unicode.IsUpper(at) {
		return true
	}
	return unicode.IsUpper(before) && unicode.IsUpper(at) && i+1 < len(rs) && unicode.IsLower(rs[i+1]) && i > 1 && unicode.IsUpper(rs[i-2])
}
