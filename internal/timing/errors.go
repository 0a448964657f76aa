package timing

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Ambiguous is returned when the operator has to choose, or chose what the log
// does not have. It says nothing against the data. The caller adds the file.
type Ambiguous struct {
	// Code is stable: "choice" (a value no log could satisfy), "separator",
	// "column", "column_not_found", "wrong_column", "no_column", "kind", "unit",
	// "unit_in_cells" (the unit chosen is not the one written in the cells).
	Code    string
	Why     string
	Columns []string // the columns in question, each as `2 "frame_ms"`
	Add     string   // what to add, as a line of the workload file and as a flag
}

// Error gives one line without the hint.
func (e *Ambiguous) Error() string { return e.Why }

// Hint says what to add.
func (e *Ambiguous) Hint() string { return e.Add }

// Refused is returned when the data cannot be used. The caller adds the file.
type Refused struct {
	// Code is stable: "empty", "binary", "encoding", "no_numbers", "ragged",
	// "quote", "truncated", "not_a_number", "mixed_units", "not_positive",
	// "backwards", "out_of_range", "too_few", "too_short".
	Code   string
	Line   int    // from 1; 0 when it is the whole log
	Column int    // from 1; 0 when it is the whole line
	Name   string // the column's header name, if it has one
	Text   string // the offending text, shortened and quoted; may be ""
	Why    string
	Next   string

	scale bool // another unit could mend it
}

// Error gives place and cause in one line.
func (e *Refused) Error() string {
	var at []string
	if e.Line > 0 {
		at = append(at, "line "+strconv.Itoa(e.Line))
	}
	if e.Column > 0 {
		c := "column " + strconv.Itoa(e.Column)
		if e.Name != "" {
			c += " " + quoted([]byte(e.Name))
		}
		at = append(at, c)
	}
	why := e.Why
	if e.Text != "" {
		why = e.Text + " " + why
	}
	if len(at) == 0 {
		return why
	}
	return strings.Join(at, ", ") + ": " + why
}

// Hint says what to try next.
func (e *Refused) Hint() string {
	if e.Next != "" {
		return e.Next
	}
	return refusedHints[e.Code]
}

var refusedHints = map[string]string{
	"empty":        "the workload wrote no rows: look at its output and at the path of the log",
	"binary":       "the log must be text: comma, semicolon, tab or blank separated, or one number a line, in UTF-8",
	"encoding":     "have the workload write the log as UTF-8",
	"no_numbers":   "look at the log: its rows hold no numbers that could be times",
	"ragged":       "every row must have as many fields as the first; lines that are not rows need a comment prefix (comment = \"...\" in [log], or --log-comment)",
	"quote":        "a quoted field ends on the line it starts on, with \"\" for a quote inside it",
	"truncated":    "the log was cut while it was written: let the workload close it before it ends",
	"not_a_number": "durations are plain decimals such as 16.683 or 1.6683e-2; grouped thousands, clock times and NaN are not read",
	"mixed_units":  "write the unit in every cell or in none, and the same in all",
	"not_positive": "a frame lasts longer than nothing: log it at a finer resolution, or do not log frames that were not drawn",
	"backwards":    "log a clock that only moves forward",
	"out_of_range": "look at the unit and at the column: integer nanoseconds end at 292 years",
	"too_few":      "a run needs at least two durations: let the workload run longer",
	"too_short":    "a run needs at least one second in all: let the workload run longer, or look at the unit",
}

// shown is the most of a text that an error repeats, in bytes.
const shown = 40

// quoted gives text in double quotes, escaped and cut to the first 40 bytes.
func quoted(b []byte) string {
	if len(b) <= shown {
		return strconv.Quote(string(b))
	}
	cut := shown
	for cut > shown-utf8.UTFMax && !utf8.RuneStart(b[cut]) {
		cut--
	}
	return strconv.Quote(string(b[:cut])) + "..."
}

// choice is one line to add under [log] in a workload file.
type choice struct{ key, value string }

func (c choice) toml() string {
	if c.value == "\t" {
		return c.key + ` = "\t"`
	}
	return c.key + ` = "` + c.value + `"`
}

func (c choice) flag() string {
	v := c.value
	if v == "\t" {
		v = "tab"
	}
	if strings.ContainsAny(v, " ()[]/%;,") {
		v = `"` + v + `"`
	}
	return "--log-" + strings.ReplaceAll(c.key, "_", "-") + " " + v
}

// advise says where to add which of several choices.
func advise(cs ...choice) string {
	var file, flags []string
	for _, c := range cs {
		file = append(file, c.toml())
		flags = append(flags, c.flag())
	}
	return fmt.Sprintf("add %s to [log] in the workload file, or give %s", oneOf(file), oneOf(flags))
}

// flagged is what advise says of flags.
var flagged = regexp.MustCompile(`, or give ` + aFlag + `(?:(?:, | or )` + aFlag + `)*(?: or the like)?`)

const aFlag = `--log-[a-z-]+ (?:"[^"]*"|[^\s,;)]+)`

// InFolder gives a hint of this package, which speaks of workload files and of
// flags, to who wrote an agent file.
func InFolder(hint string) string {
	hint = flagged.ReplaceAllString(hint, "")
	return strings.NewReplacer(
		"[log] in the workload file", "[folder.log] in the agent file", "in [log], or --log-comment", "in [folder.log] of the agent file",
		"--log-kind timestamp", choice{"kind", "timestamp"}.toml()).Replace(hint)
}

// adviseMost is the most choices a hint spells out.
const adviseMost = 6

func oneOf(ss []string) string {
	if len(ss) > adviseMost {
		return strings.Join(ss[:adviseMost], ", ") + " or the like"
	}
	if len(ss) < 2 {
		return strings.Join(ss, "")
	}
	return strings.Join(ss[:len(ss)-1], ", ") + " or " + ss[len(ss)-1]
}

func badChoice(key, value string, allowed ...string) *Ambiguous {
	cs := make([]choice, len(allowed))
	for i, a := range allowed {
		cs[i] = choice{key, a}
	}
	return &Ambiguous{
		Code: "choice",
		Why:  fmt.Sprintf("%s %s is not one of %s", key, quoted([]byte(value)), strings.Join(allowed, " ")),
		Add:  advise(cs...),
	}
}
