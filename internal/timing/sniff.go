package timing

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
)

// sketch is a log whose rows are known, but not yet its column, kind and unit.
type sketch struct {
	t      *text
	layout Layout // Separator, Header, Comment, Names and Fields are decided
	cols   []column
}

// sniff finds the separator, the header and the width of the rows.
func sniff(t *text, spec Spec) (*sketch, error) {
	lines, err := t.sample()
	if err != nil {
		return nil, err
	}
	if len(lines) == 0 {
		return nil, t.empty(spec)
	}
	l := Layout{Separator: spec.Separator, Comment: spec.Comment}
	if l.Separator == "" && t.sep != 0 {
		l.Separator = string(t.sep)
	}
	if l.Separator == "" {
		if l.Separator, err = findSeparator(lines, spec); err != nil {
			return nil, err
		}
	}
	sep := l.sepByte()
	head, ok := split(nil, lines[0].text, sep)
	if !ok {
		return nil, &Refused{Code: "quote", Line: lines[0].line, Text: quoted(lines[0].text), Why: openQuote}
	}
	if l.Header = spec.Header; l.Header == "" {
		l.Header = findHeader(lines, head, sep, spec)
	}
	body := lines
	if l.Header == yes {
		body = lines[1:]
	}
	if len(body) == 0 {
		return nil, &Refused{Code: "empty", Line: lines[0].line, Why: "the log holds a header and no rows"}
	}
	l.Fields, _ = width(body, sep)
	s := &sketch{t: t, layout: l, cols: profiles(body, sep, l.Fields)}
	if l.Header == yes {
		return s, s.setNames(head, lines[0].line)
	}
	return s, nil
}

// empty refuses a log without rows.
func (t *text) empty(spec Spec) *Refused {
	e := &Refused{Code: "empty", Why: "the log holds no rows"}
	if len(bytes.TrimSpace(t.data)) > 0 {
		e.Why = "every line of the log is a comment by its start, one of " + quoted([]byte(spec.Comment))
		e.Next = "if they are rows, " + advise(choice{"comment", none})
	}
	return e
}

// setNames fits the header to the columns; only empty fields may be over on
// either side.
func (s *sketch) setNames(head [][]byte, line int) error {
	n := s.layout.Fields
	s.layout.Names = make([]string, n)
	fits := true
	for i := n; i < len(head); i++ {
		fits = fits && len(head[i]) == 0
	}
	for i := len(head); i < n; i++ {
		fits = fits && s.cols[i].missing == s.cols[i].cells && s.cols[i].first == ""
	}
	if !fits {
		return &Refused{Code: "ragged", Line: line, Why: fmt.Sprintf("the header has %s, the rows have %s", counted(len(head), "field"), counted(n, "field"))}
	}
	for i := range min(n, len(head)) {
		s.layout.Names[i] = strings.ReplaceAll(string(head[i]), `""`, `"`)
		s.cols[i].meaning = readName(s.layout.Names[i])
	}
	return nil
}

// width is the commonest number of fields in the rows and how many rows have it;
// rows whose quotes do not close have none.
func width(lines []sampleLine, sep byte) (fields, rows int) {
	counts := map[int]int{}
	var dst [][]byte
	for _, l := range lines {
		var ok bool
		if dst, ok = split(dst[:0], l.text, sep); ok {
			counts[len(dst)]++
		}
	}
	fields = 1
	for n, c := range counts {
		if c > rows || c == rows && n > fields {
			fields, rows = n, c
		}
	}
	return fields, rows
}

// findHeader decides whether the first row names the columns: where the rows
// below hold numbers it must hold something that is neither a number nor a
// missing one.
func findHeader(lines []sampleLine, head [][]byte, sep byte, spec Spec) string {
	if spec.Column != "" && !isPosition(spec.Column) && indexName(head, spec.Column) >= 0 {
		return yes
	}
	below := lines[1:]
	if len(below) == 0 {
		below = lines
	}
	n, _ := width(below, sep)
	cols := profiles(below, sep, n)
	named, meant, data, numeric := false, false, false, false
	for i, cell := range head {
		if i >= n || len(cell) == 0 {
			continue
		}
		if len(lines) > 1 && cols[i].damaged+cols[i].numbers+cols[i].missing == 0 {
			continue
		}
		numeric = true
		if isMissing(cell) || startsAsNumber(cell) {
			data = true
			continue
		}
		m := readName(string(cell))
		named, meant = true, meant || m.class != nameless || m.unit != ""
	}
	if named && (!data || meant) || !numeric && len(lines) > 1 {
		return yes
	}
	return no
}

func isPosition(s string) bool {
	_, err := strconv.Atoi(s)
	return err == nil
}

// indexName finds a header name exactly, else without regard to case, else gives
// -1; -2 when it is there more than once.
func indexName[T ~string | ~[]byte](names []T, name string) int {
	exact, folded := -1, -1
	for i, n := range names {
		switch {
		case string(n) == name && exact != -1:
			exact = -2
		case string(n) == name:
			exact = i
		case strings.EqualFold(string(n), name) && folded != -1:
			folded = -2
		case strings.EqualFold(string(n), name):
			folded = i
		}
	}
	if exact != -1 {
		return exact
	}
	return folded
}

func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}
