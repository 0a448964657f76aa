package timing

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// written is one way to write a log.
type written struct {
	sep      string // as in Layout
	decimal  string
	header   bool
	kind     Kind
	unit     Unit
	unitIn   string // "name", "cells" or "spec"
	bom      bool
	eol      string
	comments bool
	quotes   bool
	ended    bool // the last row has a line ending
	trimmed  bool // no zeros at the end of a fraction
	exponent bool
	position int // of the column among the others
}

func drawWritten(t *rapid.T) written {
	pick := func(label string, from ...string) string { return rapid.SampledFrom(from).Draw(t, label) }
	flip := func(label string) bool { return rapid.Bool().Draw(t, label) }
	w := written{
		sep: pick("separator", ",", ";", "\t", sepSpace, none), decimal: pick("decimal", ".", ","),
		header: flip("header"), kind: Kind(pick("kind", "duration", "timestamp")),
		unit: Unit(pick("unit", "s", "ms", "us", "ns")), unitIn: pick("unit in", "name", "cells", "spec"),
		bom: flip("bom"), eol: pick("eol", "\n", "\r\n", "\r"), comments: flip("comments"), quotes: flip("quotes"),
		ended: flip("ended"), trimmed: flip("trimmed"), exponent: flip("exponent"), position: rapid.IntRange(0, 4).Draw(t, "position"),
	}
	if w.unitIn == "name" {
		w.header = true
	}
	if w.sep == "," && w.decimal == "," {
		w.quotes = true
	}
	if w.sep == none {
		w.position = 0
	}
	return w
}

// number writes v nanoseconds in the unit, exactly.
func (w written) number(v int64) string {
	sign := ""
	if v < 0 {
		sign, v = "-", -v
	}
	e := w.unit.exponent()
	s := fmt.Sprintf("%0*d", e+1, v)
	whole, fraction := s[:len(s)-e], s[len(s)-e:]
	if w.exponent {
		return sign + s + "e-" + strconv.Itoa(e)
	}
	if w.trimmed {
		fraction = strings.TrimRight(fraction, "0")
	}
	if fraction != "" {
		fraction = w.decimal + fraction
	}
	return sign + whole + fraction
}

// log writes values in a column among others that must not disturb it.
func (w written) log(values []int64) []byte {
	var b strings.Builder
	if w.bom {
		b.WriteString("\xEF\xBB\xBF")
	}
	line := func(fields ...string) {
		for i, f := range fields {
			if w.quotes {
				fields[i] = `"` + f + `"`
			}
		}
		sep := w.sep
		if sep == sepSpace {
			sep = "  "
		}
		b.WriteString(strings.Join(fields, sep) + w.eol)
	}
	row := func(value string, others ...string) {
		if w.sep == none {
			line(value)
			return
		}
		fields := append([]string{}, others[:w.position]...)
		line(append(append(fields, value), others[w.position:]...)...)
	}
	if w.comments {
		b.WriteString("# orrery, invented, 1;2,3" + w.eol + "// another" + w.eol)
	}
	if w.header {
		name := map[Kind]string{Duration: "frametime", Timestamp: "timestamp"}[w.kind]
		if w.unitIn == "name" {
			name += "_" + string(w.unit)
		}
		row(name, "row", "scene", "fps", "cpu_load")
	}
	for i, v := range values {
		if w.comments && i%3 == 1 {
			b.WriteString("  # scene " + strconv.Itoa(i) + w.eol)
		}
		cell := w.number(v)
		if w.unitIn == "cells" {
			cell += string(w.unit)
		}
		row(cell, strconv.Itoa(i+3), "approach", "6"+w.decimal+strconv.Itoa(i%7), strconv.Itoa(90-i%5))
	}
	s := b.String()
	if !w.ended {
		s = strings.TrimSuffix(s, w.eol)
	}
	return []byte(s)
}

// spec says no more than what cannot be worked out.
func (w written) spec() Spec {
	var s Spec
	if w.unitIn == "spec" {
		s.Unit = w.unit
	}
	if !w.header {
		s.Kind = w.kind
		s.Column = strconv.Itoa(w.position + 1)
		if w.sep == none {
			s.Decimal = w.decimal
		}
	}
	return s
}

func TestWrittenIsReadExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := drawWritten(t)
		want := rapid.SliceOfN(rapid.OneOf(
			rapid.Int64Range(1e8, 9e8), rapid.Int64Range(1, 2e9), rapid.Int64Range(1e9, 1e15),
		), 2, 30).Draw(t, "durations")
		want[0] += 1e9
		values := want
		if w.kind == Timestamp {
			at := rapid.Int64Range(-1e9, 1.8e18).Draw(t, "first stamp")
			values = []int64{at}
			for _, d := range want {
				at += d
				values = append(values, at)
			}
		}
		data := w.log(values)
		l, err := Parse(data, w.spec())
		if err != nil {
			t.Fatalf("%v\nhint: %s\n%q", err, hint(err), data)
		}
		if !reflect.DeepEqual(l.Durations, want) {
			t.Fatalf("%d, want %d; %+v\n%q", l.Durations, want, l.Layout, data)
		}
		if l.Layout.Unit != w.unit || l.Layout.Kind != w.kind || l.Layout.Column != w.position+1 {
			t.Fatalf("%+v", l.Layout)
		}
		if w.kind == Timestamp && (*l.FirstStamp != values[0] || *l.LastStamp != values[len(values)-1]) {
			t.Fatalf("stamps %d to %d, want %d to %d", *l.FirstStamp, *l.LastStamp, values[0], values[len(values)-1])
		}
		checkAgain(t, data, l)
	})
}

// promises holds for any bytes and any spec.
func promises(t interface{ Fatalf(string, ...any) }, data []byte, spec Spec) {
	l, err := Parse(data, spec)
	if err != nil {
		if l != nil {
			t.Fatalf("a log beside the error %v", err)
		}
		checkError(t, err)
		return
	}
	checkAgain(t, data, l)
}

func drawSpec(t *rapid.T) Spec {
	of := func(label string, from ...string) string {
		return rapid.SampledFrom(append(from, "", "")).Draw(t, label)
	}
	return Spec{
		Column: of("column", "1", "2", "3", "frame_ms", "time", "b"), Kind: Kind(of("kind", "duration", "timestamp")),
		Unit: Unit(of("unit", "s", "ms", "µs", "ns")), Separator: of("separator", ",", ";", "tab", "space", "none"),
		Decimal: of("decimal", ".", ","), Header: of("header", "yes", "no"), Comment: of("comment", "#", "none", "-", "1"),
		Stamp: of("stamp", "none", "1", "time"), StampUnit: Unit(of("stamp unit", "s", "ms")),
	}
}

// TestAnyLog strings pieces of logs together at random.
func TestAnyLog(t *testing.T) {
	cell := rapid.OneOf(
		rapid.SampledFrom([]string{"frame_ms", "time", "b", "fps", "16.6", "400", "900", "1,5", "0", "-3", "NaN", "", "16.6ms", "2 s", "1e3", "1e-12", "7.", "\"400\"", "\"", "# x", "99999999999", "0.0000000005", "µs", "time [s]"}),
		rapid.StringMatching(`[0-9]{1,4}([.,][0-9]{1,3})?`),
	)
	rapid.Check(t, func(t *rapid.T) {
		sep := rapid.SampledFrom([]string{",", ";", "\t", " ", ", "}).Draw(t, "separator")
		eol := rapid.SampledFrom([]string{"\n", "\r\n", "\r"}).Draw(t, "eol")
		width := rapid.IntRange(1, 3).Draw(t, "width")
		row := rapid.SliceOfN(cell, width, width)
		rows := rapid.SliceOfN(row, 0, 6).Draw(t, "rows")
		steady := rapid.IntRange(0, 20).Draw(t, "steady rows")
		var b strings.Builder
		for _, r := range rows {
			b.WriteString(strings.Join(r, sep) + eol)
		}
		for i := range steady {
			f := []string{strconv.Itoa(i), strconv.Itoa(400 + i*7%50), "0.5"}
			b.WriteString(strings.Join(f[:width], sep) + eol)
		}
		if rapid.Bool().Draw(t, "unended") && b.Len() > 0 {
			promises(t, []byte(b.String()[:b.Len()-len(eol)]), drawSpec(t))
			return
		}
		promises(t, []byte(b.String()), drawSpec(t))
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{
		"frame_ms\n400\n500.25\n450.5\n", "time_s,frame_ms\n10,400\n10.4,500.25\n10.90025,450.5\n",
		"400 ms\r\n700 ms\r\n", "0;400,5\n1;900,25\n", "\xEF\xBB\xBF\"a\",\"b (ms)\"\n\"x\",\"600,5\"\n\"y\",\"700,5\"",
		"  1   0.5\n  2   0.75\n", "16,6\n16,7\n", "\xFF\xFEa\x00", "stamp\n1\n2\n3.5\n", "a\tb\n1\t",
		"1e9\n1e-9\n9223372036854775807\n",
	} {
		f.Add([]byte(s), "", "", "", "", "", "", "")
		f.Add([]byte(s), "1", "timestamp", "ms", "", ".", "no", "none")
	}
	f.Fuzz(func(t *testing.T, data []byte, column, kind, unit, separator, decimal, header, comment string) {
		promises(t, data, Spec{
			Column: column, Kind: Kind(kind), Unit: Unit(unit), Separator: separator, Decimal: decimal,
			Header: header, Comment: comment,
		})
	})
}
