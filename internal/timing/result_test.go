package timing

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func score(expr string) Pattern {
	return Pattern{Name: "score", Expr: expr, Unit: "points", Better: "higher"}
}

func TestResults(t *testing.T) {
	out := []byte("dome 3\r\nscore 512.30\r\npass 1 took 2,5 s\r\npass 2 took 2,75 s\r\nscore 498.0\r\nend\r\n")
	got, err := Results(out, []Pattern{
		score(`^score ([0-9.]+)$`),
		{Name: "took", Expr: `pass (\d+) took (?P<value>[0-9,]+) s`, Unit: "s", Better: "lower"},
		{Name: "across", Expr: `(?s)dome (\d).*end`, Better: "higher"},
	})
	if err != nil {
		t.Fatal(err)
	}
	want := []Result{
		{Name: "score", Value: "498.0", Unit: "points", Better: "higher", Line: 5, Count: 2},
		{Name: "took", Value: "2.75", Unit: "s", Better: "lower", Line: 4, Count: 2},
		{Name: "across", Value: "3", Better: "higher", Line: 1, Count: 1},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Fatal(d)
	}
}

func TestResultsFoundStandBesideErrors(t *testing.T) {
	got, err := Results([]byte("score 7\n"), []Pattern{score(`speed (\d+)`), {Name: "s", Expr: `score (\d)`, Better: "lower"}})
	if len(got) != 1 || got[0].Value != "7" || err == nil {
		t.Fatalf("%+v, %v", got, err)
	}
	var e *ResultError
	if !errors.As(err, &e) || e.Code != "no_match" || hint(err) == "" {
		t.Fatalf("%v, hint %q", err, hint(err))
	}
}

func TestResultValues(t *testing.T) {
	for in, want := range map[string]string{
		"12": "12", "12.50": "12.50", "12,5": "12.5", "+3": "3", "-0.5": "-0.5", ".5": "0.5", "5.": "5",
		"007.0": "7.0", "0": "0", "000": "0", "1.5e3": "1.5e3", "1,5E-3": "1.5E-3", "0,123": "0.123", "1234,567": "1234.567",
	} {
		got, why, _ := resultValue(in)
		if got != want {
			t.Errorf("%q is %q, want %q (%s)", in, got, want, why)
		}
	}
	for _, in := range []string{"", ".", "-", "1,234", "1,234,567", "1,234.5", "1.234.5", "NaN", "inf", "12 ms", "0x10", "1e999", "e5", strings.Repeat("9", 80)} {
		if got, why, next := resultValue(in); why == "" || next == "" {
			t.Errorf("%q is %q", in, got)
		}
	}
}

func TestResultErrors(t *testing.T) {
	for _, c := range []struct {
		name   string
		p      Pattern
		code   string
		says   string
		static bool // Check finds it too
	}{
		{"no match", score(`speed (\d+)`), "no_match", "15 bytes", false},
		{"bad expression", score(`score ([0-9+`), "pattern", "missing closing ]", true},
		{"bracket of ours closed", score(`score (\d+))(`), "pattern", "unexpected )", true},
		{"no group", score(`score \d+`), "pattern", "no group", true},
		{"no direction", Pattern{Name: "score", Expr: `(\d)`}, "pattern", "higher or lower", true},
		{"no name", Pattern{Expr: `(\d)`, Better: "lower"}, "pattern", "no name", true},
		{"not a number", score(`(score)`), "not_a_number", `output line 1: "score" is not a number`, false},
		{"thousands", score(`of (.*)`), "not_a_number", "thousands", false},
		{"group not taken", score(`(x)?score`), "no_match", "matches nowhere", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Results([]byte("score of 1,234\n"), []Pattern{c.p})
			var e *ResultError
			if !errors.As(err, &e) || len(got) > 0 {
				t.Fatalf("%v, %v", got, err)
			}
			if e.Code != c.code || !strings.Contains(err.Error(), c.says) || hint(err) == "" {
				t.Fatalf("%s: %v; hint %q", e.Code, err, hint(err))
			}
			if (c.p.Check() != nil) != c.static {
				t.Fatalf("Check says %v", c.p.Check())
			}
		})
	}
	_, err := Results([]byte("score 1"), []Pattern{score(`(\d)`), score(`(\d)`)})
	if err == nil || !strings.Contains(err.Error(), "two patterns") {
		t.Fatal(err)
	}
}

func FuzzResults(f *testing.F) {
	f.Add([]byte("score 12.5\nscore 1,5e3\r\n"), `score ([0-9.,e]+)`)
	f.Add([]byte("a 1,234 b\n"), `(?P<value>\S+)`)
	f.Fuzz(func(t *testing.T, output []byte, expr string) {
		got, err := Results(output, []Pattern{score(expr)})
		if (err == nil) != (len(got) == 1) {
			t.Fatalf("%v, %v", got, err)
		}
		if err != nil {
			if hint(err) == "" {
				t.Fatalf("%v has no hint", err)
			}
			return
		}
		r := got[0]
		var n json.Number
		if e := json.Unmarshal([]byte(r.Value), &n); e != nil {
			t.Fatalf("%q: %v", r.Value, e)
		}
		if r.Line < 1 || r.Count < 1 {
			t.Fatalf("%+v", r)
		}
		if !printed(string(output), r.Value) {
			t.Fatalf("%s is not in %q", r.Value, output)
		}
	})
}

// printed reports whether the digits of a value stand in the output, with either
// decimal mark, give or take zeros before them.
func printed(output, value string) bool {
	value = strings.TrimLeft(strings.TrimPrefix(value, "-"), "0")
	exponent := ""
	if i := strings.IndexAny(value, "eE"); i >= 0 {
		value, exponent = value[:i], value[i:]
	}
	for _, mark := range []string{".", ","} {
		spelled := strings.Replace(value, ".", mark, 1)
		if strings.Contains(output, spelled+exponent) || strings.Contains(output, spelled+mark+exponent) {
			return true
		}
	}
	return false
}
