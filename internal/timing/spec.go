package timing

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Unit is a unit of time: "s", "ms", "us" or "ns"; "" is not yet known.
type Unit string

// The units a log may be written in.
const (
	Seconds      Unit = "s"
	Milliseconds Unit = "ms"
	Microseconds Unit = "us"
	Nanoseconds  Unit = "ns"
)

var allUnits = []Unit{Seconds, Milliseconds, Microseconds, Nanoseconds}

// unitWords are the spellings of a unit in lower case; both Unicode letters for
// micro are there.
var unitWords = map[string]Unit{
	"s": Seconds, "sec": Seconds, "secs": Seconds, "second": Seconds, "seconds": Seconds,
	"ms": Milliseconds, "msec": Milliseconds, "msecs": Milliseconds, "millis": Milliseconds,
	"millisecond": Milliseconds, "milliseconds": Milliseconds,
	"us": Microseconds, "\u00b5s": Microseconds, "\u03bcs": Microseconds, "usec": Microseconds, "usecs": Microseconds,
	"micros": Microseconds, "microsecond": Microseconds, "microseconds": Microseconds,
	"ns": Nanoseconds, "nsec": Nanoseconds, "nsecs": Nanoseconds, "nanos": Nanoseconds,
	"nanosecond": Nanoseconds, "nanoseconds": Nanoseconds,
}

// ParseUnit reads a unit in any of its spellings ("µs", "msec", "Seconds").
func ParseUnit(s string) (Unit, error) {
	if u, ok := unitWords[strings.ToLower(strings.TrimSpace(s))]; ok {
		return u, nil
	}
	return "", badChoice("unit", s, "s", "ms", "us", "ns")
}

// exponent is the power of ten that turns the unit into nanoseconds.
func (u Unit) exponent() int {
	switch u {
	case Seconds:
		return 9
	case Milliseconds:
		return 6
	case Microseconds:
		return 3
	}
	return 0
}

// Kind says what the numbers of a column are; "" is not yet known.
type Kind string

// A duration is one frame's own length; a time stamp needs the next one to give
// a duration.
const (
	Duration  Kind = "duration"
	Timestamp Kind = "timestamp"
)

// Words that stand where a character cannot, or for "there is none".
const (
	sepSpace = "space"
	none     = "none"
	yes      = "yes"
	no       = "no"
)

// defaultComment lists the prefixes that start a comment line when nothing is said.
const defaultComment = "# //"

// Spec is what the operator chose about a log. Zero values mean: work it out.
type Spec struct {
	Column    string // header name, or position from 1; digits are always a position
	Kind      Kind
	Unit      Unit
	Separator string // ",", ";", "\t", "space" (runs of blanks), "none" (one value a line)
	Decimal   string // "." or ","
	Header    string // "yes" or "no"
	Comment   string // prefixes apart by blanks, "none"; default "# //"
	Stamp     string // the time-stamp column to check durations against, or "none"
	StampUnit Unit
}

// Check reports a value that no log could satisfy, as *Ambiguous with the code
// "choice". Names of columns are only checked against a log.
func (s Spec) Check() error {
	_, err := s.clean()
	return err
}

// clean gives the spec in its canonical spelling.
func (s Spec) clean() (Spec, error) {
	var err error
	for _, u := range []*Unit{&s.Unit, &s.StampUnit} {
		if *u != "" {
			if *u, err = ParseUnit(string(*u)); err != nil {
				return s, err
			}
		}
	}
	words := []struct {
		key     string
		value   *string
		allowed map[string]string
		listed  []string
	}{
		{"kind", (*string)(&s.Kind), kindWords, []string{"duration", "timestamp"}},
		{"separator", &s.Separator, separatorWords, []string{",", ";", "tab", "space", "none"}},
		{"decimal", &s.Decimal, decimalWords, []string{".", ","}},
		{"header", &s.Header, headerWords, []string{"yes", "no"}},
	}
	for _, w := range words {
		if *w.value == "" {
			continue
		}
		v, ok := w.allowed[strings.ToLower(*w.value)]
		if !ok {
			return s, badChoice(w.key, *w.value, w.listed...)
		}
		*w.value = v
	}
	if s.Comment = strings.Join(strings.Fields(s.Comment), " "); s.Comment == "" {
		s.Comment = defaultComment
	}
	if !utf8.ValidString(s.Comment) {
		return s, badChoice("comment", s.Comment, "#", "//", none)
	}
	s.Column, s.Stamp = strings.TrimSpace(s.Column), strings.TrimSpace(s.Stamp)
	return s, nil
}

var (
	kindWords      = map[string]string{"duration": "duration", "timestamp": "timestamp"}
	separatorWords = map[string]string{
		",": ",", "comma": ",", ";": ";", "semicolon": ";", "\t": "\t", `\t`: "\t", "tab": "\t",
		" ": sepSpace, "space": sepSpace, "none": none,
	}
	decimalWords = map[string]string{".": ".", "point": ".", ",": ",", "comma": ","}
	headerWords  = map[string]string{"yes": yes, "no": no}
)

// Layout is one reading of a log with nothing left to work out. It holds plain
// values only, so that it can be kept with the run.
type Layout struct {
	Column    int      // position, from 1, of the column that was read
	Name      string   // its header name; "" without a header
	Kind      Kind     // never ""
	Unit      Unit     // never ""
	Separator string   // ",", ";", "\t", "space" or "none"
	Decimal   string   // "." or ","
	Header    string   // "yes" or "no"
	Comment   string   // prefixes apart by blanks, or "none"
	Names     []string // every column's header name; nil without a header
	Fields    int      // columns in a row
	Stamp     int      // position, from 1, of the time stamps beside durations; 0 for none
	StampUnit Unit     // "" when Stamp is 0
}

// Spec gives the choices that read the same bytes the same way again.
func (l Layout) Spec() Spec {
	s := Spec{
		Column: strconv.Itoa(l.Column), Kind: l.Kind, Unit: l.Unit, Separator: l.Separator,
		Decimal: l.Decimal, Header: l.Header, Comment: l.Comment, Stamp: none,
	}
	if l.Stamp > 0 {
		s.Stamp, s.StampUnit = strconv.Itoa(l.Stamp), l.StampUnit
	}
	return s
}

// sepByte is the separator as one byte: a blank for runs of blanks, and NUL,
// which no text holds, for one value a line.
func (l Layout) sepByte() byte {
	switch l.Separator {
	case sepSpace:
		return ' '
	case none:
		return 0
	}
	return l.Separator[0]
}

// label names a column, counted from 0, for an error: `2 "frame_ms"`.
func (l Layout) label(i int) string {
	if i < len(l.Names) && l.Names[i] != "" {
		return fmt.Sprintf("%d %s", i+1, quoted([]byte(l.Names[i])))
	}
	return strconv.Itoa(i + 1)
}

// reference is how the operator would name the column, counted from 0, in a
// workload file: its name where that is unique and plain, else its position.
func (l Layout) reference(i int) string {
	position := strconv.Itoa(i + 1)
	if i >= len(l.Names) || !plainName(l.Names[i]) {
		return position
	}
	for j, n := range l.Names {
		if j != i && strings.EqualFold(n, l.Names[i]) {
			return position
		}
	}
	return l.Names[i]
}

// plainName reports whether a name can stand between double quotes, in TOML and
// in a shell, as it is, and is not read as a position.
func plainName(s string) bool {
	digits := true
	for _, r := range s {
		switch {
		case r >= '0' && r <= '9':
			continue
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', strings.ContainsRune("_-. ()[]/%", r):
			digits = false
		default:
			return false
		}
	}
	return !digits && len(s) <= 48
}
