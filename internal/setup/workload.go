package setup

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/fault"
)

// Workload says what is run, how often, and where its timings and results are.
type Workload struct {
	File    string // the name it was parsed under
	Source  []byte // the file's exact bytes
	Name    string
	Version string // of the content; "" when the file gives none

	Command []string      // program and arguments; nil when the file gives none
	Prepare []string      // run once before the first repeat, outside every measurement; nil for nothing
	Dir     string        // where Command and Prepare run, relative to the file; "" is the file's own directory
	Env     []Variable    // set for Command and Prepare, in the order of the file
	Repeats int           // from 1 on
	Timeout time.Duration // for each repeat; 0 for none

	Content  Content // whether the content follows the clock or the frames
	Settings map[string]Value
	Log      *Log     // nil when the workload writes none
	Results  []Result // in the order of the file
	Settle   *Settle  // nil to start without waiting
}

// Content says what moves a workload's content on.
type Content string

const (
	ByTime  Content = "time"  // a slower rig draws fewer frames of the same scene
	ByFrame Content = "frame" // every rig draws the same frames, and takes longer
)

// Variable is one environment variable.
type Variable struct{ Name, Value string }

// Log says where a timing log is and how it is laid out. What is left out is ""
// and for the reader of logs to find; it asks when there are two ways to read one.
type Log struct {
	Path      string // relative to the working directory
	Column    string // its name in the header; digits are its place from 1 on
	Unit      string // of the column: s, ms, us or ns
	Kind      string // duration or timestamp
	Separator string // ",", ";", "\t", "space" (any run of blanks) or "none" (one number a line)
	Decimal   string // "." or ","
	Header    string // "yes" or "no": whether the first line names the columns
	Comment   string // what comment lines start with, apart by blanks, or "none"
	Stamp     string // a column of time stamps to hold durations against, as Column, or "none"
	StampUnit string // as Unit
}

// Result says how one figure is taken from what the workload prints.
type Result struct {
	Name    string
	Pattern string // a regular expression (RE2) with exactly one group, around the number
	Unit    string // "" for a figure without unit
	Better  string // higher or lower
}

// Settle is the state in which a repeat may start.
type Settle struct {
	BelowCelsius     *float64      // every watched temperature is below this; nil to not wait for it
	OtherLoadPercent *float64      // of all processors, by others than the workload; nil to not wait for it
	Limit            time.Duration // after which it is not waited any longer
}

// DefaultSettleLimit holds when a [settle] table gives no limit. A design choice.
const DefaultSettleLimit = 10 * time.Minute

// layoutKeys say how a log is laid out.
var layoutKeys = []string{"column", "unit", "kind", "separator", "decimal", "header", "comment", "stamp", "stamp_unit"}

var workloadSchema = schema{
	{"", []string{"name", "version", "command", "prepare", "dir", "env", "repeats", "timeout", "content", "settings", "log", "result", "settle"}},
	{"log", append([]string{"path"}, layoutKeys...)},
	{"result.NAME", []string{"pattern", "unit", "better"}},
	{"settle", []string{"below", "other_load", "limit"}},
}

const readingWorkload = "workload file"

// ParseWorkload reads a workload file; name is how errors call it. The error is
// one line with a position, and has a Hint. A file without a command is taken,
// since a command may be given otherwise: see Validate.
func ParseWorkload(name string, data []byte) (*Workload, error) {
	root, bad := grow(data)
	if bad != nil {
		return nil, bad.fault(readingWorkload, name)
	}
	r := &reader{schema: workloadSchema}
	r.known(root, "")
	w := &Workload{
		File:     name,
		Source:   bytes.Clone(data),
		Name:     r.name(root, "name"),
		Version:  r.name(root, "version"),
		Command:  r.list(root, "command"),
		Prepare:  r.list(root, "prepare"),
		Dir:      r.text(root, "dir"),
		Env:      r.env(root),
		Repeats:  r.count(root, "repeats", 1),
		Timeout:  r.duration(root, "timeout", 0),
		Content:  Content(r.oneOf(root, "content", string(ByTime), string(ByFrame))),
		Settings: r.scalars(root, "settings"),
		Log:      r.log(root),
		Results:  r.results(root),
		Settle:   r.settle(root),
	}
	if root.table["name"] == nil {
		r.missing(root, "name", `add name = "..."; runs are found and compared by it`)
	}
	if err := r.err(readingWorkload, name); err != nil {
		return nil, err
	}
	return w, nil
}

// Validate reports what a workload still lacks to be run.
func (w *Workload) Validate() error {
	if len(w.Command) == 0 {
		return fault.New(readingWorkload, w.File, errors.New("no command is given")).
			WithHint(`add command = ["./program", "--flag"], or give the command after --`)
	}
	return nil
}

func (r *reader) env(root *node) []Variable {
	table := r.sub(root, "env")
	if table == nil {
		return nil
	}
	var env []Variable
	for _, k := range table.keys {
		c := table.table[k]
		if k == "" || strings.ContainsAny(k, "=\x00") {
			r.wrong(c, `a name such as OMP_NUM_THREADS`, "%q cannot name an environment variable", k)
			continue
		}
		if v, ok := r.words(c, k); ok {
			env = append(env, Variable{k, v})
		}
	}
	return env
}

func (r *reader) log(root *node) *Log {
	t := r.sub(root, "log")
	if t == nil {
		return nil
	}
	r.known(t, "log")
	l := r.layout(t)
	l.Path = r.text(t, "path")
	if t.table["path"] == nil {
		r.missing(t, "path in [log]", `add path = "orrery.csv", relative to the working directory`)
	}
	return l
}

// layout reads how a log is laid out, wherever it lies.
func (r *reader) layout(t *node) *Log {
	l := &Log{
		Column:    r.column(t, "column"),
		Unit:      r.unit(t, "unit"),
		Kind:      r.oneOf(t, "kind", "duration", "timestamp"),
		Separator: r.separator(t),
		Decimal:   r.oneOf(t, "decimal", ".", ","),
		Header:    r.yesNo(t, "header"),
		Comment:   r.text(t, "comment"),
		Stamp:     r.column(t, "stamp"),
		StampUnit: r.unit(t, "stamp_unit"),
	}
	if l.Separator == "," && l.Decimal == "," {
		r.wrong(t.table["separator"], "a decimal comma goes with a semicolon or a tab between fields", "separator and decimal are both %q", l.Decimal)
	}
	return l
}

// column reads a column's name, or its place as a whole number.
func (r *reader) column(t *node, key string) string {
	if c := t.table[key]; c == nil || c.shape != isValue || c.value.Kind != Number {
		return r.text(t, key)
	}
	return strconv.Itoa(r.count(t, key, 0))
}

// unit reads a unit of time; both letters for micro mean us.
func (r *reader) unit(t *node, key string) string {
	if c := t.table[key]; c != nil && (c.value.Text == "\u00b5s" || c.value.Text == "\u03bcs") {
		return "us"
	}
	return r.oneOf(t, key, "s", "ms", "us", "ns")
}

// yesNo reads true, false, "yes" or "no" as "yes" or "no".
func (r *reader) yesNo(t *node, key string) string {
	if c := t.table[key]; c != nil && c.shape == isValue && c.value.Kind == Truth {
		return c.value.Text
	}
	return r.oneOf(t, key, "yes", "no")
}

// separator reads a separator by its sign or its name.
func (r *reader) separator(t *node) string {
	if c := t.table["separator"]; c != nil && c.shape == isValue {
		switch c.value.Text {
		case "\t":
			return c.value.Text
		case " ":
			return "space"
		}
	}
	switch s := r.oneOf(t, "separator", ",", ";", "tab", "space", "none", "comma", "semicolon"); s {
	case "tab":
		return "\t"
	case "comma":
		return ","
	case "semicolon":
		return ";"
	default:
		return s
	}
}

func (r *reader) results(root *node) []Result {
	table := r.sub(root, "result")
	if table == nil {
		return nil
	}
	var results []Result
	for _, name := range table.keys {
		if c := table.table[name]; c.shape != isTable {
			r.wrong(c, "results are named: write [result.score] and its keys below", "result.%s is %s, not a table", name, c)
			continue
		}
		results = append(results, r.result(table, name))
	}
	return results
}

func (r *reader) result(table *node, name string) Result {
	t := table.table[name]
	r.known(t, "result.NAME")
	if name == "" || name != strings.TrimSpace(name) || name != oneLine(name) {
		r.wrong(t, "a name such as score", "%q cannot name a result", name)
	}
	res := Result{Name: name, Pattern: r.pattern(t), Better: r.oneOf(t, "better", "higher", "lower")}
	if c := t.table["unit"]; c != nil {
		res.Unit, _ = r.words(c, "unit")
	}
	if t.table["pattern"] == nil {
		r.missing(t, fmt.Sprintf("pattern in [result.%s]", name), `add pattern = 'score ([0-9.]+)', the group being the number`)
	}
	if t.table["better"] == nil {
		r.missing(t, fmt.Sprintf("better in [result.%s]", name), `add better = "higher" or better = "lower"`)
	}
	return res
}

func (r *reader) pattern(t *node) string {
	s := r.text(t, "pattern")
	if s == "" {
		return ""
	}
	c := t.table["pattern"]
	re, err := regexp.Compile(s)
	if err != nil {
		r.wrong(c, "single quotes keep a backslash as it is", "pattern %q is no regular expression: %s", s, oneLine(err.Error()))
		return ""
	}
	if re.NumSubexp() != 1 {
		r.wrong(c, "put ( ) around the number, and (?: ) around anything else that needs a group", "pattern %q has %d groups, not one", s, re.NumSubexp())
		return ""
	}
	return s
}

func (r *reader) settle(root *node) *Settle {
	t := r.sub(root, "settle")
	if t == nil {
		return nil
	}
	r.known(t, "settle")
	s := &Settle{Limit: r.duration(t, "limit", DefaultSettleLimit)}
	if f, ok := r.number(t, "below"); ok {
		s.BelowCelsius = &f
		if f <= -50 || f >= 150 {
			r.wrong(t.table["below"], "degrees Celsius, such as below = 45", "below is %v degrees Celsius, which no rig settles to", f)
		}
	}
	if f, ok := r.number(t, "other_load"); ok {
		s.OtherLoadPercent = &f
		if f <= 0 || f > 100 {
			r.wrong(t.table["other_load"], "percent of all processors, such as other_load = 2", "other_load is %v, not a percentage above 0", f)
		}
	}
	if !slices.ContainsFunc([]string{"below", "other_load"}, func(k string) bool { return t.table[k] != nil }) {
		r.missing(t, "below or other_load in [settle]", "add below = 45 (degrees Celsius) or other_load = 2 (percent)")
	}
	return s
}
