package setup

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"witnessmark/internal/fault"
)

var position = regexp.MustCompile(`^(workload|setup|plan|scenario|agent|collector) file: x\.toml:([1-9][0-9]*): .`)

// oneLiner fails unless err is a fault of one line with a position that exists in
// the file, and with a hint of one line.
func oneLiner(t *testing.T, data []byte, err error) {
	t.Helper()
	var f *fault.Error
	hint := fault.HintOf(err)
	if !errors.As(err, &f) || hint == "" || strings.ContainsAny(err.Error()+hint, "\n\r") {
		t.Fatalf("not a fault of one line with a hint: %q, %q", err, hint)
	}
	m := position.FindStringSubmatch(err.Error())
	if m == nil {
		t.Fatalf("no position: %q", err)
	}
	var line int
	fmt.Sscan(m[2], &line)
	if lines := strings.Count(string(data), "\n") + 1; line > lines {
		t.Fatalf("line %d of %d: %q", line, lines, err)
	}
}

// seed adds the files of testdata that a fuzz target starts from.
func seed(f *testing.F, pattern string) {
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) == 0 {
		f.Fatalf("no seeds at %s (%v)", pattern, err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
}

// Property: what parses parses again from the bytes it kept to the same workload
// and keeps within the bounds the fields promise; what does not is refused in one
// line with a position.
func FuzzParseWorkload(f *testing.F) {
	f.Add([]byte(orrery))
	f.Add([]byte("name = 'x'\n[[log]]\n[log.path]\n"))
	f.Add([]byte("\ufeffname = 'x'\r\nresult.a = {pattern='(a)', better='lower'}\r\n"))
	seed(f, "../../testdata/workloads/*.toml")
	f.Fuzz(func(t *testing.T, data []byte) {
		w, err := ParseWorkload("x.toml", data)
		if err != nil {
			if w != nil {
				t.Fatal("an error and a workload")
			}
			oneLiner(t, data, err)
			return
		}
		again, err := ParseWorkload("x.toml", w.Source)
		if err != nil {
			t.Fatalf("the kept bytes do not parse: %v", err)
		}
		if d := cmp.Diff(w, again); d != "" {
			t.Fatal(d)
		}
		if string(w.Source) != string(data) || w.Name == "" || w.Repeats < 1 || w.Timeout < 0 {
			t.Fatalf("%+v", w)
		}
		for _, r := range w.Results {
			if regexp.MustCompile(r.Pattern).NumSubexp() != 1 {
				t.Fatalf("%+v", r)
			}
		}
	})
}

// Property: as for workloads; besides, every expectation has one form, prints
// something, and its own declared numbers hold.
func FuzzParseSetup(f *testing.F) {
	f.Add([]byte(heron))
	f.Add([]byte("label='x'\nexpect={a={min=1},b.c=2,d={one_of=[1,'a',true]}}\nweigh.a='note'\n"))
	f.Add([]byte("label='x'\n[expect]\na.min.min = 1\na.b = []\n"))
	seed(f, "../../testdata/setups/*.toml")
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ParseSetup("x.toml", data)
		if err != nil {
			if s != nil {
				t.Fatal("an error and a setup")
			}
			oneLiner(t, data, err)
			return
		}
		again, err := ParseSetup("x.toml", s.Source)
		if err != nil {
			t.Fatalf("the kept bytes do not parse: %v", err)
		}
		if d := cmp.Diff(s, again, cmp.AllowUnexported(Setup{})); d != "" {
			t.Fatal(d)
		}
		for key, e := range s.Expect {
			if e.String() == "" || s.Line(key) != e.Line || e.Line < 1 {
				t.Fatalf("%q: %+v", key, e)
			}
			for _, v := range declared(e) {
				if !e.Holds(v) {
					t.Fatalf("%q: %s does not hold for its own %s", key, e, v)
				}
			}
		}
	})
}

func declared(e Expectation) []Value {
	values := append([]Value{}, e.OneOf...)
	if e.Value.Kind != None {
		values = append(values, e.Value)
	}
	for _, bound := range []*float64{e.Min, e.Max} {
		if bound != nil {
			values = append(values, NumberOf(*bound))
		}
	}
	return values
}

// Dotted, quoted and tabled ways of writing the same facts give the same setup.
func TestWaysOfWritingAFact(t *testing.T) {
	word := rapid.StringMatching(`[a-z]{3}_[a-z]{1,4}`)
	rapid.Check(t, func(t *rapid.T) {
		group := word.Draw(t, "group")
		facts := rapid.MapOfN(word, rapid.IntRange(-5000, 5000), 1, 6).Draw(t, "facts")
		var quoted, dotted, tabled, inline strings.Builder
		quoted.WriteString("label='x'\n[expect]\n")
		dotted.WriteString("label='x'\n[expect]\n")
		tabled.WriteString("label='x'\n[expect." + group + "]\n")
		inline.WriteString("label='x'\n[expect]\n" + group + " = {")
		comma := ""
		for k, v := range facts {
			fmt.Fprintf(&quoted, "\"%s.%s\" = %d\n", group, k, v)
			fmt.Fprintf(&dotted, "%s.%s = %d.0\n", group, k, v)
			fmt.Fprintf(&tabled, "%s = { value = %d }\n", k, v)
			fmt.Fprintf(&inline, "%s%s = %d", comma, k, v)
			comma = ", "
		}
		inline.WriteString("}\n")
		same := cmp.Options{
			cmpopts.IgnoreFields(Expectation{}, "Line"),
			cmp.Comparer(func(a, b Value) bool { return a.Same(b) }),
		}
		first, err := ParseSetup("x", []byte(quoted.String()))
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range []string{dotted.String(), tabled.String(), inline.String()} {
			s, err := ParseSetup("x", []byte(file))
			if err != nil {
				t.Fatalf("%v\n%s", err, file)
			}
			if d := cmp.Diff(first.Expect, s.Expect, same); d != "" {
				t.Fatalf("%s\n%s", d, file)
			}
		}
		for k, v := range facts {
			if !first.Expect[group+"."+k].Holds(NumberOf(float64(v))) {
				t.Fatalf("%s does not hold for %d", k, v)
			}
		}
	})
}

func TestNumberOfRefusesWhatIsNone(t *testing.T) {
	for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if v := NumberOf(f); v != (Value{}) {
			t.Errorf("%v became %v", f, v)
		}
	}
}
