package setup

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// example is a file under deploy that shows every key of its kind.
type example struct {
	path   string
	schema schema
	parse  func(name string, data []byte) (any, error)
	ignore cmp.Options
}

var examples = []example{
	{
		"../../deploy/agent.toml", agentSchema,
		func(name string, data []byte) (any, error) { return ParseAgent(name, data) },
		cmp.Options{cmpopts.IgnoreFields(Agent{}, "Source"), cmpopts.IgnoreFields(Folder{}, "Line")},
	},
	{
		"../../deploy/collector.toml", collectorSchema,
		func(name string, data []byte) (any, error) { return ParseCollector(name, data) },
		cmp.Options{cmpopts.IgnoreFields(Collector{}, "Source")},
	},
}

// spoken gives the example with all of its keys in force, by lines, and says which
// of them it calls a default and which an example.
func (e example) spoken(t *testing.T) (lines []string, defaults, shown []int) {
	t.Helper()
	b, err := os.ReadFile(e.path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := e.parse(e.path, b); err != nil {
		t.Errorf("as it stands: %v", err)
	}
	for i, l := range strings.Split(string(b), "\n") {
		key, silent := strings.CutPrefix(l, "#")
		key, example := strings.CutPrefix(key, "#")
		if silent && (key == "" || key[0] == ' ') {
			key, silent = "", false
		}
		switch {
		case silent && example && key[0] != '[':
			shown = append(shown, i)
		case silent && !example:
			defaults = append(defaults, i)
		}
		lines = append(lines, key)
	}
	return lines, defaults, shown
}

// The example is taken as it stands, and with all it shows in force; it shows
// every key, what it calls a default is one, and what it calls an example is none.
func TestExampleFiles(t *testing.T) {
	for _, e := range examples {
		t.Run(e.path, func(t *testing.T) {
			lines, defaults, shown := e.spoken(t)
			parse := func(lines []string) (any, error) { return e.parse(e.path, []byte(strings.Join(lines, "\n"))) }
			whole, err := parse(lines)
			if err != nil {
				t.Fatal(err)
			}
			without := func(i int) (any, error) { return parse(slices.Concat(lines[:i], lines[i+1:])) }
			for _, i := range defaults {
				if a, err := without(i); err != nil {
					t.Errorf("without %q: %v", lines[i], err)
				} else if d := cmp.Diff(whole, a, e.ignore); d != "" {
					t.Errorf("%q is said to be the default:\n%s", lines[i], d)
				}
			}
			for _, i := range shown {
				if a, err := without(i); err == nil && cmp.Equal(whole, a, e.ignore) {
					t.Errorf("%q is the default, and said to be an example", lines[i])
				}
			}
			e.showsAll(t, lines)
		})
	}
}

func (e example) showsAll(t *testing.T, lines []string) {
	root, _ := grow([]byte(strings.Join(lines, "\n")))
	for _, sec := range e.schema {
		at := root
		for _, part := range strings.FieldsFunc(sec.table, func(r rune) bool { return r == '.' }) {
			if at = at.table[part]; at != nil && at.shape == isList {
				at = at.list[0]
			}
			if at == nil {
				t.Fatalf("[%s] is not shown", sec.table)
			}
		}
		for _, k := range sec.keys {
			if at.table[k] == nil {
				t.Errorf("%s in [%s] is not shown", k, sec.table)
			}
		}
	}
}
