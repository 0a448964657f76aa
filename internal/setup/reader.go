package setup

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"witnessmark/internal/fault"
)

// problem is one thing wrong with a file.
type problem struct {
	line    int
	why     string
	hint    string
	missing bool // something is not there; told after what is there and wrong
}

func (p problem) fault(what, file string) error {
	return fault.New(what, fmt.Sprintf("%s:%d", file, p.line), errors.New(p.why)).WithHint(p.hint)
}

// reader takes values out of a document and keeps what is wrong with them. Its
// getters give the zero value for a key that is not there or that is wrong.
type reader struct {
	schema   schema
	stray    string // a hint for keys that resemble none
	problems []problem
}

// schema names the keys of each table of a file; "" is the file itself, and
// "result.NAME" stands for every table below result.
type schema []section

type section struct {
	table string
	keys  []string
}

func (s schema) of(table string) []string {
	for _, sec := range s {
		if sec.table == table {
			return sec.keys
		}
	}
	return nil
}

// home returns the first other table that knows key.
func (s schema) home(key, except string) (table string, ok bool) {
	for _, sec := range s {
		if sec.table != except && slices.Contains(sec.keys, key) {
			return sec.table, true
		}
	}
	return "", false
}

// err gives the first problem by line; what is missing comes after what is wrong,
// because a misspelt key is both.
func (r *reader) err(what, file string) error {
	if len(r.problems) == 0 {
		return nil
	}
	first := slices.MinFunc(r.problems, func(a, b problem) int {
		if a.missing != b.missing {
			if b.missing {
				return -1
			}
			return 1
		}
		return cmp.Compare(a.line, b.line)
	})
	return first.fault(what, file)
}

func (r *reader) wrong(n *node, hint, format string, args ...any) {
	r.problems = append(r.problems, problem{line: n.line, why: fmt.Sprintf(format, args...), hint: hint})
}

func (r *reader) missing(n *node, key, hint string) { r.lacks(n, hint, "no %s is given", key) }

// lacks reports what is not there in other words.
func (r *reader) lacks(n *node, hint, format string, args ...any) {
	r.problems = append(r.problems, problem{line: n.line, why: fmt.Sprintf(format, args...), hint: hint, missing: true})
}

// known refuses every key of n that the schema does not name for the table.
func (r *reader) known(n *node, table string) {
	keys := r.schema.of(table)
	for _, k := range n.keys {
		if slices.Contains(keys, k) {
			continue
		}
		r.wrong(n.table[k], r.unknownHint(k, table), "unknown key %q", k)
	}
}

func (r *reader) unknownHint(key, table string) string {
	if home, ok := r.schema.home(key, table); ok {
		if home == "" {
			return fmt.Sprintf("%q is a key of the file itself: it stands above the first [table]", key)
		}
		return fmt.Sprintf("the nearest known key is %q in [%s]", key, home)
	}
	keys := r.schema.of(table)
	best, edits := nearest(key, keys)
	hint := fmt.Sprintf("the nearest known key is %q", best)
	if edits > max(2, len(key)/3) {
		hint += "; known here are " + strings.Join(keys, ", ") + r.stray
	}
	return hint
}

// text reads a text of one line that is not blank.
func (r *reader) text(n *node, key string) string {
	c := n.table[key]
	if c == nil {
		return ""
	}
	s, ok := r.words(c, key)
	if ok && strings.TrimSpace(s) == "" {
		r.wrong(c, "give it a text or leave the line out", "%s is blank", key)
	}
	return s
}

// words reads any text of one line.
func (r *reader) words(c *node, key string) (string, bool) {
	if c.shape != isValue || c.value.Kind != Text {
		hint := fmt.Sprintf("put it in quotes: %s = %q", key, c.value.Text)
		if c.shape != isValue {
			hint = fmt.Sprintf("write %s = \"...\"", key)
		}
		r.wrong(c, hint, "%s is %s, not a text", key, c)
		return "", false
	}
	if strings.ContainsFunc(c.value.Text, unicode.IsControl) {
		r.wrong(c, "keep it to one line", "%s holds a line break or a control character", key)
		return "", false
	}
	return c.value.Text, true
}

// name reads a text that selections such as rig=heron,workload=orrery can hold.
func (r *reader) name(n *node, key string) string {
	s := r.text(n, key)
	if s != strings.TrimSpace(s) || strings.ContainsAny(s, ",=") {
		r.wrong(n.table[key], `names such as "orrery" or "memory-rated" can be typed in a selection`, "%s %q holds a comma, an equals sign or a blank at its end", key, s)
	}
	return s
}

// oneOf reads a text that must be one of the words; "" when it is not there.
func (r *reader) oneOf(n *node, key string, words ...string) string {
	s := r.text(n, key)
	if s == "" || slices.Contains(words, s) {
		return s
	}
	best, _ := nearest(s, words)
	r.wrong(n.table[key], fmt.Sprintf("the nearest is %q", best), "%s is %q, not one of %s", key, s, strings.Join(words, " "))
	return ""
}

// list reads a list of texts, such as a command.
func (r *reader) list(n *node, key string) []string {
	c := n.table[key]
	if c == nil {
		return nil
	}
	hint := fmt.Sprintf(`write %s = ["./orrery", "--seconds=20"]`, key)
	if c.shape != isList {
		r.wrong(c, hint, "%s is %s, not a list of texts", key, c)
		return nil
	}
	if len(c.list) == 0 {
		r.wrong(c, hint, "%s is an empty list", key)
		return nil
	}
	words := make([]string, len(c.list))
	for i, e := range c.list {
		if e.shape != isValue || e.value.Kind != Text {
			r.wrong(e, "put every word of it in quotes", "%s holds %s where a text belongs", key, e)
			return nil
		}
		words[i] = e.value.Text
	}
	if strings.TrimSpace(words[0]) == "" {
		r.wrong(c, hint, "%s does not say which program", key)
	}
	if strings.Contains(strings.Join(words, ""), "\x00") {
		r.wrong(c, "no program can be given one", "%s holds a zero byte", key)
	}
	return words
}

// number reads a number; ok is false when there is none or it is wrong.
func (r *reader) number(n *node, key string) (f float64, ok bool) {
	c := n.table[key]
	if c == nil {
		return 0, false
	}
	if c.shape != isValue || c.value.Kind != Number {
		r.wrong(c, fmt.Sprintf("write %s = 45, without quotes or unit", key), "%s is %s, not a number", key, c)
		return 0, false
	}
	return c.value.Number, true
}

// count reads a whole number from 1 on, or gives otherwise when there is none.
func (r *reader) count(n *node, key string, otherwise int) int {
	c := n.table[key]
	if c == nil {
		return otherwise
	}
	const most = 1_000_000
	if c.shape != isValue || !c.whole || c.value.Number < 1 || c.value.Number > most {
		seen := c.String()
		if c.value.Kind == Number {
			seen = c.value.Text
		}
		r.wrong(c, fmt.Sprintf("write %s = 5", key), "%s is %s, not a whole number from 1 to %d", key, seen, most)
		return otherwise
	}
	return int(c.value.Number)
}

// duration reads a span of time above zero, such as "90s".
func (r *reader) duration(n *node, key string, otherwise time.Duration) time.Duration {
	c := n.table[key]
	if c == nil {
		return otherwise
	}
	hint := fmt.Sprintf(`write a number with its unit, such as %s = "90s" or %s = "10m"`, key, key)
	if c.shape != isValue || c.value.Kind != Text {
		r.wrong(c, hint, "%s is %s, not a span of time", key, c)
		return otherwise
	}
	d, err := time.ParseDuration(c.value.Text)
	if err != nil || d <= 0 {
		r.wrong(c, hint, "%s is %q, not a span of time above zero", key, c.value.Text)
		return otherwise
	}
	return d
}

// sub gives the table under key, nil when there is none or it is no table.
func (r *reader) sub(n *node, key string) *node {
	c := n.table[key]
	if c == nil {
		return nil
	}
	if c.shape != isTable {
		seen := c.String()
		if c.shape == isList && len(c.list) > 0 && c.list[0].shape == isTable {
			seen = "a list of tables"
		}
		r.wrong(c, fmt.Sprintf("write [%s] on a line of its own and its keys below", key), "%s is %s, not a table", key, seen)
		return nil
	}
	return c
}

// scalars reads a free table of single values, tables in it flattened to dotted
// keys; nil when there is none.
func (r *reader) scalars(n *node, key string) map[string]Value {
	c := r.sub(n, key)
	if c == nil {
		return nil
	}
	values := map[string]Value{}
	r.flatten(c, func(n *node) bool { return n.shape != isTable }, func(k string, n *node) {
		if n.shape == isList {
			r.wrong(n, "give each value a key of its own", "%s is a list, not a single value", k)
			return
		}
		if strings.ContainsFunc(n.value.Text, unicode.IsControl) {
			r.wrong(n, "keep it to one line", "%s holds a line break or a control character", k)
			return
		}
		values[k] = n.value
	})
	return values
}

// flatten calls take for every leaf below n with its dotted key, in the order of
// the file. A key that comes up twice, once dotted and once quoted, is refused.
func (r *reader) flatten(n *node, leaf func(*node) bool, take func(key string, n *node)) {
	seen := map[string]int{}
	var walk func(prefix string, n *node)
	walk = func(prefix string, n *node) {
		for _, k := range n.keys {
			c, key := n.table[k], prefix+k
			switch {
			case strings.TrimSpace(k) == "" || strings.ContainsFunc(k, unicode.IsControl):
				r.wrong(c, `a key is words with dots between them, such as "memory.speed"`, "the key %q is blank or holds a control character", key)
			case !leaf(c):
				walk(key+".", c)
			case seen[key] > 0:
				r.wrong(c, fmt.Sprintf("line %d gives it too: keep one", seen[key]), "%q is given twice", key)
			default:
				seen[key] = c.line
				take(key, c)
			}
		}
	}
	walk("", n)
}

// need reports a key that a table must have.
func (r *reader) need(n *node, table, key, hint string) {
	if n.table[key] == nil {
		r.missing(n, key+" in "+table, hint)
	}
}

// tables gives the tables of a list such as [[rig]].
func (r *reader) tables(n *node, key string) []*node {
	c := n.table[key]
	if c == nil {
		return nil
	}
	hint := fmt.Sprintf("write [[%s]] on a line of its own and its keys below, once for each", key)
	if key == "scenes" {
		hint = "write scenes = [ { seconds = 10, ms = 8.0 }, { seconds = 15, ms = 12.5 } ]"
	}
	if c.shape != isList || len(c.list) == 0 {
		r.wrong(c, hint, "%s is %s, not a list of tables", key, emptyOr(c))
		return nil
	}
	for _, e := range c.list {
		if e.shape != isTable {
			r.wrong(e, hint, "%s holds %s where a table belongs", key, e)
			return nil
		}
	}
	return c.list
}

// integer reads a whole number of any size and sign.
func (r *reader) integer(n *node, key string, otherwise int64) int64 {
	c := n.table[key]
	if c == nil {
		return otherwise
	}
	i, err := strconv.ParseInt(c.value.Text, 10, 64)
	if c.shape != isValue || !c.whole || err != nil {
		r.wrong(c, fmt.Sprintf("write %s = 7", key), "%s is not a whole number", key)
		return otherwise
	}
	return i
}

// between reads a number within bounds.
func (r *reader) between(n *node, key string, least, most, otherwise float64) float64 {
	f, ok := r.number(n, key)
	if !ok {
		return otherwise
	}
	if f < least || f > most {
		r.wrong(n.table[key], fmt.Sprintf("give a number from %s to %s", decimal(least), decimal(most)), "%s is %s", key, n.table[key].value)
		return otherwise
	}
	return f
}

// seconds reads a number of seconds, to the nanosecond.
func (r *reader) seconds(n *node, key string, otherwise time.Duration) time.Duration {
	if n.table[key] == nil {
		return otherwise
	}
	return time.Duration(math.Round(1e9 * r.between(n, key, 0, longestPlay.Seconds(), 0)))
}

// moment reads a point in time with its offset from UTC.
func (r *reader) moment(n *node, key string) time.Time {
	c := n.table[key]
	if c == nil {
		return time.Time{}
	}
	t, err := time.Parse(time.RFC3339Nano, strings.Replace(c.value.Text, " ", "T", 1))
	if c.shape != isValue || c.value.Kind != Text || err != nil || t.Year() < 1970 || t.Year() > 2200 {
		r.wrong(c, fmt.Sprintf(`write %s = "2031-03-02T09:00:00Z"`, key), "%s is not a point in time with an offset from UTC, from 1970 to 2200", key)
		return time.Time{}
	}
	return t.UTC()
}
