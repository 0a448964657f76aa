package setup

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// maxSize bounds a file, whose bytes travel in every record made with it.
const maxSize = 1 << 20

// node is one key's value with the line it stands on. Exactly one of value,
// list and table is set, as shape says.
type node struct {
	line  int
	shape shape
	value Value
	whole bool // a number written without fraction or exponent
	list  []*node
	table map[string]*node
	keys  []string // the table's keys in the order of the file
}

type shape uint8

const (
	isValue shape = iota
	isList
	isTable
)

func (n *node) String() string {
	switch n.shape {
	case isList:
		return "a list"
	case isTable:
		return "a table"
	}
	return n.value.Kind.String()
}

// grow reads a document. The toml package's own decoder vouches for syntax,
// doubled keys and number ranges; its parser then gives every key's place,
// which a decode into Go values would lose.
func grow(data []byte) (*node, *problem) {
	if len(data) > maxSize {
		return nil, &problem{line: 1, why: "the file is larger than 1 MiB", hint: "is this the file you meant?"}
	}
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return nil, &problem{line: lineAt(data, i), why: "the file holds a zero byte", hint: "save it as UTF-8 text"}
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	var any map[string]any
	if err := toml.Unmarshal(data, &any); err != nil {
		return nil, syntax(data, err)
	}
	g := grower{data: data}
	g.parser.Reset(data)
	root := newTable(1)
	at := root
	for g.parser.NextExpression() {
		e := g.parser.Expression()
		switch e.Kind {
		case unstable.Table:
			at = g.descend(root, e.Key())
		case unstable.ArrayTable:
			at = g.appendTable(root, e.Key())
		case unstable.KeyValue:
			g.assign(at, e)
		}
	}
	if err := g.parser.Error(); err != nil {
		return nil, &problem{line: 1, why: oneLine(err.Error())}
	}
	return root, g.bad
}

type grower struct {
	data   []byte
	parser unstable.Parser
	bad    *problem // the first value that cannot be taken
}

func newTable(line int) *node {
	return &node{line: line, shape: isTable, table: map[string]*node{}}
}

func (n *node) add(key string, child *node) *node {
	n.table[key] = child
	n.keys = append(n.keys, key)
	return child
}

func (g *grower) lineOf(n *unstable.Node) int { return lineAt(g.data, int(n.Raw.Offset)) }

// descend walks from n along the key, making tables where there are none; in a
// list of tables it takes the last.
func (g *grower) descend(n *node, key unstable.Iterator) *node {
	for key.Next() {
		n = g.enter(n, key.Node())
	}
	return n
}

func (g *grower) enter(n *node, part *unstable.Node) *node {
	name := string(part.Data)
	child := n.table[name]
	if child == nil {
		return n.add(name, newTable(g.lineOf(part)))
	}
	if child.shape == isList {
		return child.list[len(child.list)-1]
	}
	return child
}

func (g *grower) appendTable(n *node, key unstable.Iterator) *node {
	for key.Next() {
		part := key.Node()
		if !key.IsLast() {
			n = g.enter(n, part)
			continue
		}
		name, line := string(part.Data), g.lineOf(part)
		list := n.table[name]
		if list == nil {
			list = n.add(name, &node{line: line, shape: isList})
		}
		n = newTable(line)
		list.list = append(list.list, n)
	}
	return n
}

func (g *grower) assign(n *node, e *unstable.Node) {
	key := e.Key()
	for key.Next() {
		part := key.Node()
		if !key.IsLast() {
			n = g.enter(n, part)
			continue
		}
		n.add(string(part.Data), g.value(e.Value(), g.lineOf(part)))
	}
}

func (g *grower) value(v *unstable.Node, line int) *node {
	switch v.Kind {
	case unstable.Array:
		n := &node{line: line, shape: isList}
		for it := v.Children(); it.Next(); {
			n.list = append(n.list, g.value(it.Node(), line))
		}
		return n
	case unstable.InlineTable:
		n := newTable(line)
		for it := v.Children(); it.Next(); {
			g.assign(n, it.Node())
		}
		return n
	}
	if v.Raw.Length > 0 {
		line = g.lineOf(v)
	}
	n := &node{line: line}
	switch v.Kind {
	case unstable.String:
		n.value = TextOf(string(v.Data))
	case unstable.Bool:
		n.value = TruthOf(string(v.Data) == "true")
	case unstable.Integer, unstable.Float:
		n.whole = v.Kind == unstable.Integer
		n.value = g.number(string(v.Data), n)
	default: // the four kinds of dates and times
		n.value = TextOf(string(v.Data))
	}
	return n
}

// number keeps a decimal as it is written, without "_" and "+"; hexadecimal,
// octal and binary integers become decimal.
func (g *grower) number(written string, n *node) Value {
	text := strings.TrimPrefix(strings.ReplaceAll(written, "_", ""), "+")
	var f float64
	var err error
	if n.whole {
		var i int64
		i, err = strconv.ParseInt(text, 0, 64)
		f, text = float64(i), strconv.FormatInt(i, 10)
	} else {
		f, err = strconv.ParseFloat(text, 64)
	}
	if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
		if g.bad == nil {
			g.bad = &problem{line: n.line, why: fmt.Sprintf("%s is not a number that can be held", written), hint: "give a finite number"}
		}
		return Value{}
	}
	return Value{Kind: Number, Text: text, Number: f}
}

// syntax turns the toml package's error into one line.
func syntax(data []byte, err error) *problem {
	p := &problem{line: 1, why: oneLine(strings.TrimPrefix(err.Error(), "toml: "))}
	var at *toml.DecodeError
	if errors.As(err, &at) {
		p.line, _ = at.Position()
	}
	p.hint = syntaxHint(lineText(data, p.line))
	return p
}

func syntaxHint(line string) string {
	key, _, assigned := strings.Cut(line, "=")
	key = strings.TrimSpace(key)
	switch {
	case !assigned && !strings.HasPrefix(key, "["):
		return `a line is either key = value, [table] or a # comment`
	case strings.ContainsAny(key, "[:") && !strings.HasPrefix(key, "[") && !strings.ContainsAny(key, `"'`):
		return fmt.Sprintf("a key that holds other signs than letters, digits, - and _ is put in quotes: %q = ...", key)
	}
	return `texts stand in "quotes" or 'quotes', lists in [ ], and a key is given once`
}

func lineAt(data []byte, offset int) int {
	return 1 + bytes.Count(data[:min(offset, len(data))], []byte("\n"))
}

func lineText(data []byte, line int) string {
	for ; line > 1; line-- {
		_, data, _ = bytes.Cut(data, []byte("\n"))
	}
	data, _, _ = bytes.Cut(data, []byte("\n"))
	return string(data)
}

// oneLine folds blanks and line breaks and drops what cannot be printed.
func oneLine(s string) string {
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "?")), " ")
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, s)
}
