package timing

import (
	"bytes"
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// Pattern says how a result is taken from what a workload prints.
type Pattern struct {
	Name   string // "score"
	Expr   string // RE2; the number is the group called "value", else the first group
	Unit   string // as the operator writes it: "points"; may be ""
	Better string // "higher" or "lower"
}

// Result is one figure a workload printed.
type Result struct {
	Name   string
	Value  string // a JSON number with the digits as printed: "512.30", "1.5e3"
	Unit   string
	Better string
	Line   int // of the match, from 1
	Count  int // how many times the pattern matched; the last one counts
}

// ResultError is returned for a pattern that is wrong or gave no result.
type ResultError struct {
	Name string
	// Code is stable: "pattern" (it cannot be used), "no_match", "not_a_number".
	Code string
	Line int // of the match that is no number, from 1; else 0
	Why  string
	Next string
}

// Error gives the result's name, the place and the cause in one line.
func (e *ResultError) Error() string {
	s := "result " + quoted([]byte(e.Name)) + ": "
	if e.Line > 0 {
		s += "output line " + strconv.Itoa(e.Line) + ": "
	}
	return s + e.Why
}

// Hint says what to try next.
func (e *ResultError) Hint() string { return e.Next }

// ResultErrors are the patterns that gave no result, in their order.
type ResultErrors []*ResultError

// Error gives every cause, apart by semicolons.
func (es ResultErrors) Error() string {
	var ss []string
	for _, e := range es {
		ss = append(ss, e.Error())
	}
	return strings.Join(ss, "; ")
}

// Hint is the first one's.
func (es ResultErrors) Hint() string { return es[0].Hint() }

// Unwrap gives the single errors.
func (es ResultErrors) Unwrap() []error {
	out := make([]error, len(es))
	for i, e := range es {
		out[i] = e
	}
	return out
}

// Check reports a pattern that no output could satisfy, as *ResultError.
func (p Pattern) Check() error {
	if _, _, e := p.compile(); e != nil {
		return e
	}
	return nil
}

// compile gives the expression and the number of the group that holds the value.
// ^ and $ stand for the ends of a line.
func (p Pattern) compile() (re *regexp.Regexp, group int, e *ResultError) {
	bad := func(next, format string, a ...any) *ResultError {
		return &ResultError{Name: p.Name, Code: "pattern", Why: fmt.Sprintf(format, a...), Next: next}
	}
	if p.Name == "" {
		return nil, 0, bad(`write it as [result.NAME], such as [result.score]`, "the result has no name")
	}
	if p.Better != "higher" && p.Better != "lower" {
		return nil, 0, bad(`add better = "higher" or better = "lower"`, "better is %s, not higher or lower", quoted([]byte(p.Better)))
	}
	re, err := regexp.Compile("(?m:" + p.Expr + ")")
	if _, alone := regexp.Compile(p.Expr); alone != nil {
		err = alone
	}
	if err != nil {
		return nil, 0, bad("patterns are RE2; in TOML write them between single quotes, so that \\ stays as it is",
			"pattern %s: %s", quoted([]byte(p.Expr)), strings.TrimPrefix(err.Error(), "error parsing regexp: "))
	}
	if re.NumSubexp() == 0 {
		return nil, 0, bad(`put brackets around the number: 'score ([0-9.]+)'`, "pattern %s has no group for the number", quoted([]byte(p.Expr)))
	}
	if group = re.SubexpIndex("value"); group < 0 {
		group = 1
	}
	return re, group, nil
}

// Results takes each pattern's figure out of a workload's output. A workload may
// print a figure as it goes, so the last match counts. The results that were
// found are given beside the error, which is ResultErrors.
func Results(output []byte, ps []Pattern) ([]Result, error) {
	output = bytes.ReplaceAll(output, []byte("\r\n"), []byte("\n"))
	var out []Result
	var errs ResultErrors
	seen := map[string]bool{}
	for _, p := range ps {
		r, e := p.find(output)
		if e == nil && seen[p.Name] {
			e = &ResultError{Name: p.Name, Code: "pattern", Why: "two patterns have this name", Next: "give each result a name of its own"}
		}
		if e != nil {
			errs = append(errs, e)
			continue
		}
		seen[p.Name] = true
		out = append(out, r)
	}
	if len(errs) > 0 {
		return out, errs
	}
	return out, nil
}

func (p Pattern) find(output []byte) (Result, *ResultError) {
	re, group, e := p.compile()
	if e != nil {
		return Result{}, e
	}
	from, to, count := -1, -1, 0
	for _, m := range re.FindAllSubmatchIndex(output, -1) {
		if m[2*group] >= 0 {
			from, to = m[2*group], m[2*group+1]
			count++
		}
	}
	if count == 0 {
		why := fmt.Sprintf("pattern %s matches nowhere in %s of output", quoted([]byte(p.Expr)), counted(len(output), "byte"))
		return Result{}, &ResultError{
			Name: p.Name, Code: "no_match", Why: why,
			Next: "hold the pattern against the output kept with the run; letters match in their own case unless it starts with (?i)",
		}
	}
	line := 1 + bytes.Count(output[:from], []byte{'\n'})
	value, why, next := resultValue(string(bytes.TrimSpace(output[from:to])))
	if why != "" {
		return Result{}, &ResultError{Name: p.Name, Code: "not_a_number", Line: line, Why: quoted(output[from:to]) + " " + why, Next: next}
	}
	return Result{Name: p.Name, Value: value, Unit: p.Unit, Better: p.Better, Line: line, Count: count}, nil
}

var (
	plainDecimal = regexp.MustCompile(`^([+-]?)([0-9]*)(?:([.,])([0-9]*))?([eE][+-]?[0-9]+)?$`)
	oneGroup     = regexp.MustCompile(`^[+-]?[1-9][0-9]{0,2},[0-9]{3}$`)
)

// valueLimit is the most digits of a result, far above any that is measured.
const valueLimit = 64

// resultValue gives a number as JSON writes it, with the digits as printed, or
// says why it is none.
func resultValue(s string) (value, why, next string) {
	m := plainDecimal.FindStringSubmatch(s)
	switch {
	case m == nil || m[2]+m[4] == "" || len(s) > valueLimit:
		return "", "is not a number", "capture the digits only: a sign, digits, a decimal point or comma, an exponent; no grouped thousands, no unit"
	case oneGroup.MatchString(s):
		return "", "could be thousands or a decimal comma", "let the workload print it without a grouping comma, or with a decimal point"
	}
	sign, whole, fraction, exponent := m[1], strings.TrimLeft(m[2], "0"), m[4], m[5]
	if sign == "+" {
		sign = ""
	}
	if whole == "" {
		whole = "0"
	}
	if fraction != "" {
		fraction = "." + fraction
	}
	value = sign + whole + fraction + exponent
	if _, err := strconv.ParseFloat(value, 64); err != nil {
		return "", "is out of range", "numbers end at about 1.8e308"
	}
	return value, "", ""
}
