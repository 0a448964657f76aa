package timing

import (
	"bytes"
	"fmt"
	"strconv"
)

// shape is what the sample looks like under one separator.
type shape struct {
	sep     string
	width   int
	head    [][]byte
	full    bool // every row has the same width, and the first can be a header or a row
	numeric int  // columns of numbers
	cols    []column
}

func shapeOf(lines []sampleLine, sep string) shape {
	b := Layout{Separator: sep}.sepByte()
	s := shape{sep: sep}
	s.head, _ = split(nil, lines[0].text, b)
	body := lines[1:]
	if len(body) == 0 {
		body = lines
	}
	var rows int
	s.width, rows = width(body, b)
	if 2*rows <= len(body) {
		s.width = 1
	}
	s.cols = profiles(body, b, s.width)
	for i := range s.cols {
		if s.cols[i].numeric() {
			s.numeric++
		}
	}
	if sep == none {
		c := &s.cols[0]
		s.full = c.numbers+c.missing == c.cells
		return s
	}
	s.full = rows == len(body) && s.headFits()
	return s
}

// headFits reports whether the first row is as wide as the others, give or take
// empty fields at the end.
func (s *shape) headFits() bool {
	for i := s.width; i < len(s.head); i++ {
		if len(s.head[i]) > 0 {
			return false
		}
	}
	for i := len(s.head); i < s.width; i++ {
		if c := &s.cols[i]; c.first != "" {
			return false
		}
	}
	return true
}

// suits reports whether the separator is compatible with what the operator chose.
func (s *shape) suits(spec Spec) bool {
	commas := 0
	for i := range s.cols {
		commas += s.cols[i].commas
	}
	switch {
	case s.sep == "," && spec.Decimal == ",":
		return commas > 0 // quoted, or they would have been split
	case s.sep == none && spec.Decimal == ".":
		return commas == 0
	}
	return true
}

// findSeparator picks the separator under which the rows are of one width and
// hold the most columns of numbers.
func findSeparator(lines []sampleLine, spec Spec) (string, error) {
	var all []shape
	for _, sep := range []string{"\t", ";", ",", sepSpace} {
		if s := shapeOf(lines, sep); s.width > 1 && s.suits(spec) {
			all = append(all, s)
		}
	}
	whole := shapeOf(lines, none)
	if comma := find(all, ","); whole.numeric > 0 && whole.suits(spec) && !(comma != nil && comma.twoNames(lines[0].text)) {
		if comma != nil && len(comma.head) == 1 && startsNumber(comma.head[0]) || comma != nil && comma.headFits() {
			comma.full = true // a row of another width does not prove a decimal comma
		}
		all = append(all, whole)
	}
	all = prefer(all, func(s *shape) bool { return s.holds(spec.Column) })
	all = prefer(all, func(s *shape) bool { return s.numeric > 0 })
	if find(all, none) != nil && whole.cols[0].suffix != "" {
		return none, nil // blanks stand between a number and its unit
	}
	all = prefer(all, func(s *shape) bool { return s.full })
	comma, blanks := find(all, ","), find(all, sepSpace)
	switch {
	case len(all) == 0:
		return none, nil
	case all[0].sep == "\t" || all[0].sep == ";" || len(all) == 1:
		return all[0].sep, nil
	case comma != nil && find(all, none) != nil:
		return settleComma(comma, len(lines))
	case comma == nil || blanks == nil:
		return all[0].sep, nil
	}
	// the one that leaves less text unread
	a, b := comma.numeric*blanks.width, blanks.numeric*comma.width
	switch {
	case a > b:
		return ",", nil
	case b > a:
		return sepSpace, nil
	}
	return "", &Ambiguous{
		Code: "separator",
		Why:  fmt.Sprintf("row %s could be %d fields apart by commas or %d apart by blanks", quoted(lines[0].text), comma.width, blanks.width),
		Add:  advise(choice{"separator", ","}, choice{"separator", sepSpace}),
	}
}

// find gives the shape under a separator, or nil.
func find(all []shape, sep string) *shape {
	for i := range all {
		if all[i].sep == sep {
			return &all[i]
		}
	}
	return nil
}

// holds reports whether the chosen column is there.
func (s *shape) holds(column string) bool {
	if n, err := strconv.Atoi(column); err == nil {
		return n <= s.width
	}
	return column == "" || indexName(s.head, column) != -1
}

// twoNames reports whether the first row holds names apart by commas. "frame
// time, ms" could be one name.
func (s *shape) twoNames(row []byte) bool {
	if len(s.head) < 2 {
		return false
	}
	for _, h := range s.head[:2] {
		if len(h) == 0 || startsAsNumber(h) || isMissing(h) {
			return false
		}
	}
	_, unit := cellUnit(s.head[1])
	return len(s.head) > 2 || !unit || !bytes.Contains(row, []byte(", "))
}

// prefer keeps the shapes that pass, or all when none does.
func prefer(all []shape, pass func(*shape) bool) []shape {
	var out []shape
	for i := range all {
		if pass(&all[i]) {
			out = append(out, all[i])
		}
	}
	if len(out) == 0 {
		return all
	}
	return out
}

// settleComma decides rows such as 16,6: one value with a decimal comma, or two
// columns of whole numbers.
func settleComma(s *shape, rows int) (string, error) {
	possible := false
	for i := range s.cols {
		possible = possible || len(s.cols[i].readings()) > 0
	}
	switch {
	case s.cols[0].counts() && rows >= 8:
		return ",", nil
	case s.cols[1].zeros > 0 || !possible:
		return none, nil // 16,06 is a fraction; a whole number has no leading zero
	}
	return "", &Ambiguous{
		Code: "separator",
		Why:  fmt.Sprintf("a row such as %s could be one number with a decimal comma or two columns", s.cols[0].example()+","+s.cols[1].example()),
		Add:  advise(choice{"decimal", ","}, choice{"separator", ","}),
	}
}

func startsNumber(cell []byte) bool {
	_, _, ok := scanNumber(cell, '.')
	return ok
}
