package setup

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"slices"
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

// Log says where a timing log is and how it is laid out. What is left out is for
// the reader of logs to find; it asks when there are two ways to read one.
type Log struct {
	Path         string // relative to the working directory
	Column       string // by the name in its header; "" when not given by name
	ColumnNumber int    // by its place from 1 on; 0 when not given by number
	Unit         string // s, ms, us or ns; "" when not given
	Kind         string // duration or timestamp; "" when not given
	Separator    string // one character between fields; "" when not given
	Decimal      string // . or ,; "" when not given
	Header       *bool  // whether the first line names the columns; nil when not given
	Comment      string // what a comment line starts with; "" when not given
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

var workloadSchema = schema{
	{"", []string{"name", "version", "command", "prepare", "dir", "env", "repeats", "timeout", "content", "settings", "log", "result", "settle"}},
	{"log", []string{"path", "column", "unit", "kind", "separator", "decimal", "header", "comment"}},
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
	l := &Log{
		Path:    r.text(t, "path"),
		Unit:    r.oneOf(t, "unit", "s", "ms", "us", "ns"),
		Kind:    r.oneOf(t, "kind", "duration", "timestamp"),
		Decimal: r.oneOf(t, "decimal", ".", ","),
		Header:  r.truth(t, "header"),
		Comment: r.text(t, "comment"),
	}
	if c := t.table["column"]; c != nil && c.whole {
		l.ColumnNumber = r.count(t, "column", 0)
	} else {
		l.Column = r.text(t, "column")
	}
	l.Separator = r.separator(t)
	if l.Separator != "" && l.Separator == l.Decimal {
		r.wrong(t.table["separator"], "a decimal comma goes with a semicolon or a tab between fields", "separator and decimal are both %q", l.Decimal)
	}
	if t.table["path"] == nil {
		r.missing(t, "path in [log]", `add path = "orrery.csv", relative to the working directory`)
	}
	return l
}

func (r *reader) separator(t *node) string {
	c := t.table["separator"]
	if c == nil {
		return ""
	}
	hint := `write a single sign such as ";", or "tab" or "space"`
	if c.shape != isValue || c.value.Kind != Text {
		r.wrong(c, hint, "separator is %s, not a text", c)
		return ""
	}
	switch s := c.value.Text; {
	case s == "tab":
		return "\t"
	case s == "space":
		return " "
	case s == "\t" || len(s) == 1 && s[0] >= ' ' && s[0] < 0x7f && !isAlnum(s[0]) && !strings.Contains(`"-+.`, s):
		return s
	default:
		r.wrong(c, hint, "separator %q cannot stand between two numbers", s)
		return ""
	}
}

func isAlnum(c byte) bool {
	return '0' <= c && c <= '9' || 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z'
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
