package timing

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
)

// ms gives durations in nanoseconds from microseconds, so that tables stay short.
func us(micros ...int64) []int64 {
	out := make([]int64, len(micros))
	for i, m := range micros {
		out[i] = m * 1000
	}
	return out
}

// three is a log of three frames: 400 ms, 500.25 ms and 450.5 ms.
var three = us(400000, 500250, 450500)

func TestReadings(t *testing.T) {
	for _, c := range []struct {
		name string
		log  string
		spec Spec
		want []int64
	}{
		{"header with unit", "frame_ms\n400\n500.25\n450.5\n", Spec{}, three},
		{"frame number beside it", "frame,frame_ms\n0,400\n1,500.25\n2,450.5\n", Spec{}, three},
		{"gaps in the frame number", "frame,frame_ms\n0,400\n5,500.25\n6,450.5\n", Spec{}, three},
		{"words and unit in brackets", "\"Frame time (ms)\",Scene\n400,a\n500.25,b\n450.5,c\n", Spec{}, three},
		{"square brackets", "time [s]\n0.4\n0.50025\n0.4505\n", Spec{}, three},
		{"quantity over unit", "t/ms\n400\n500.25\n450.5\n", Spec{}, three},
		{"dt_us", "dt_us\n400000\n500250\n450500\n", Spec{}, three},
		{"micro sign", "dt (µs)\n400000\n500250\n450500\n", Spec{}, three},
		{"greek mu", "dt (μs)\n400000\n500250\n450500\n", Spec{}, three},
		{"nanoseconds", "frameTimeNs\n400000000\n500250000\n450500000\n", Spec{}, three},
		{"tab", "frame\tframe_ms\n0\t400\n1\t500.25\n2\t450.5\n", Spec{}, three},
		{"semicolon and comma", "frame;frame_ms\n0;400\n1;500,25\n2;450,5\n", Spec{}, three},
		{"semicolon and comma, whole numbers first", "frame;frame_ms\n" + strings.Repeat("0;400\n", 600) + "1;500,25\n", Spec{}, append(repeated(400e6, 600), 500250000)},
		{"tab and comma", "frame\tframe_ms\n0\t400,000\n1\t500,250\n2\t450,500\n", Spec{}, three},
		{"quoted decimal commas", "\"frame\",\"frame_ms\"\n\"0\",\"400,0\"\n\"1\",\"500,25\"\n\"2\",\"450,5\"\n", Spec{}, three},
		{"blanks", "  frame   frame_ms\n    0     400\n    1  500.25\n    2   450.5\n", Spec{}, three},
		{"one a line", "400\n500.25\n450.5\n", Spec{Unit: "ms"}, three},
		{"one a line, decimal comma", "frame_ms\n400,0\n500,25\n450,5\n", Spec{}, three},
		{"one a line, decimal comma said", "400,0\n500,25\n450,5\n", Spec{Unit: "ms", Decimal: ","}, three},
		{"fractions with leading zeros", "frame_ms\n400,00\n500,25\n450,05\n", Spec{}, us(400000, 500250, 450050)},
		{"fractions below one", "0,4\n0,50025\n0,4505\n", Spec{Unit: "s", Decimal: ","}, three},
		{"only seconds possible", "0.4\n0.50025\n0.4505\n", Spec{}, three},
		{"unit in the cells", "400ms\n500.25ms\n450.5ms\n", Spec{}, three},
		{"unit in the cells after a blank", "400 ms\n500.25 ms\n450.5 ms\n", Spec{}, three},
		{"unit in the cells of one column", "0,0.4 s,a\n1,0.50025 s,b\n2,0.4505 s,c\n", Spec{}, three},
		{"unit in the cells and given", "400ms\n500.25ms\n450.5ms\n", Spec{Unit: "ms"}, three},
		{"exponents", "frame_s\n4e-1\n5.0025E-01\n0.4505e+0\n", Spec{}, three},
		{"byte-order mark", "\xEF\xBB\xBFframe_ms\n400\n500.25\n450.5\n", Spec{}, three},
		{"byte-order mark, no header", "\xEF\xBB\xBF400\n500.25\n450.5\n", Spec{Unit: "ms"}, three},
		{"CRLF", "frame,frame_ms\r\n0,400\r\n1,500.25\r\n2,450.5\r\n", Spec{}, three},
		{"CR", "frame,frame_ms\r0,400\r1,500.25\r2,450.5\r", Spec{}, three},
		{"CR twice", "frame_ms\r\r\n400\r\r\n500.25\r\r\n450.5\r\r\n", Spec{}, three},
		{"comments", "# orrery 3\n// made up\nframe_ms\n400\n# scene two\n500.25\n  # three\n450.5\n# end\n", Spec{}, three},
		{"other comments", "; orrery 3\nframe_ms\n400\n500.25\n450.5\n", Spec{Comment: ";"}, three},
		{"no comments", "#,frame_ms\n0,400\n1,500.25\n2,450.5\n", Spec{Comment: "none"}, three},
		{"blank lines", "\nframe_ms\n\n400\n\n500.25\n450.5\n\n", Spec{}, three},
		{"no last line ending", "frame_ms\n400\n500.25\n450.5", Spec{}, three},
		{"separator at the end of the rows", "frame,frame_ms,\n0,400,\n1,500.25,\n2,450.5,\n", Spec{}, three},
		{"separator at the end of the rows only", "frame,frame_ms\n0,400,\n1,500.25,\n2,450.5,\n", Spec{}, three},
		{"index without a name", ",frame_ms\n0,400\n1,500.25\n2,450.5\n", Spec{}, three},
		{"text with blanks before the comma", "2024-05-01 12:00:01, 400\n2024-05-01 12:00:01, 500.25\n2024-05-01 12:00:02, 450.5\n", Spec{Unit: "ms"}, three},
		{"column by name", "cpu_ms,gpu_ms\n400,1\n500.25,2\n450.5,3\n", Spec{Column: "cpu_ms"}, three},
		{"column by name in another case", "CPU_ms,gpu_ms\n400,1\n500.25,2\n450.5,3\n", Spec{Column: "cpu_MS"}, three},
		{"column by position", "1,400\n7,500.25\n3,450.5\n", Spec{Column: "2", Unit: "ms"}, three},
		{"second column of whole numbers", "1,400\n7,500\n3,450\n", Spec{Column: "2", Unit: "ms"}, us(400000, 500000, 450000)},
		{"rates passed over", "fps,ms\n2.5,400\n2,500.25\n2.2,450.5\n", Spec{}, three},
		{"rates over a slash passed over", "frames/s,ms/frame\n2.5,400\n2,500.25\n2.2,450.5\n", Spec{}, three},
		{"other quantities passed over", "cpu_temp,frametime,cpu.load,power (W)\n50,400,9,1.5\n51,500.25,8,2\n52,450.5,7,3\n", Spec{Unit: "ms"}, three},
		{"operator over name", "frame_us\n400\n500.25\n450.5\n", Spec{Unit: "ms"}, three},
		{"time stamps", "time_s\n10\n10.4\n10.90025\n11.35075\n", Spec{Kind: Timestamp}, three},
		{"time stamps below zero", "stamp_ms\n-400\n0\n500.25\n950.75\n", Spec{}, three},
		{"time stamps by name", "timestamp_ns\n1700000000000000000\n1700000000400000000\n1700000000900250000\n1700000001350750000\n", Spec{}, three},
		{"first stamp is zero", "0\n0.4\n0.90025\n1.35075\n", Spec{Unit: "s"}, three},
		{"epoch can only be stamps", "1700000000\n1700000000.4\n1700000000.90025\n1700000001.35075\n1700000002\n1700000003\n1700000004\n", Spec{Unit: "s"}, append(append([]int64{}, three...), us(649250, 1000000, 1000000)...)},
		{"durations beside time stamps", "time_s,frame_ms\n10,400\n10.4,500.25\n10.90025,450.5\n", Spec{}, three},
		{"quoted names", "\"frame \"\"A\"\" (ms)\",\"note, long\"\n400,\"x, y\"\n500.25,\"\"\n450.5,\"\"\"\"\n", Spec{}, three},
		{"header of numbers", "frame_ms,0,1\n400,1,2\n500.25,3,1\n450.5,1,1\n", Spec{}, three},
		{"header said", "12\n400\n500.25\n450.5\n", Spec{Header: "yes", Unit: "ms"}, three},
		{"a first line naming the separator", "sep=;\r\nframe;frame_ms\r\n0;400\r\n1;500,25\r\n2;450,5\r\n", Spec{}, three},
		{"a unit as second name", "frame,ms\n0,400\n1,500\n2,450\n", Spec{}, us(400000, 500000, 450000)},
		{"row numbers before a comma", "0,400\n1,500\n2,450\n3,450\n4,450\n5,450\n6,450\n7,450\n", Spec{Unit: "ms"}, us(400000, 500000, 450000, 450000, 450000, 450000, 450000, 450000)},
		{"whole seconds, kind given", "1\n2\n3\n4\n", Spec{Unit: "s", Kind: Timestamp}, us(1000000, 1000000, 1000000)},
		{"rising durations", "frame_ms\n400\n450.5\n500.25\n", Spec{}, us(400000, 450500, 500250)},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Parse([]byte(c.log), c.spec)
			if err != nil {
				t.Fatalf("%v\nhint: %s", err, hint(err))
			}
			if !reflect.DeepEqual(got.Durations, c.want) {
				t.Fatalf("%d, want %d; %+v", got.Durations, c.want, got.Layout)
			}
			checkAgain(t, []byte(c.log), got)
		})
	}
}

func repeated(v int64, n int) []int64 {
	out := make([]int64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

func hint(err error) string {
	var h interface{ Hint() string }
	if errors.As(err, &h) {
		return h.Hint()
	}
	return ""
}

// checkAgain holds a log against the promises that hold for every log.
func checkAgain(t interface{ Fatalf(string, ...any) }, data []byte, l *Log) {
	var sum int64
	for i, d := range l.Durations {
		if d <= 0 {
			t.Fatalf("duration %d is %d", i, d)
		}
		if sum += d; sum < 0 {
			t.Fatalf("the sum wraps at duration %d", i)
		}
	}
	if len(l.Durations) < 2 || sum < 1e9 || sum != l.Elapsed() {
		t.Fatalf("%d durations of %d ns in all, Elapsed says %d", len(l.Durations), sum, l.Elapsed())
	}
	again, err := Parse(data, l.Layout.Spec())
	if err != nil {
		t.Fatalf("read again by %+v: %v", l.Layout, err)
	}
	if !reflect.DeepEqual(l, again) {
		t.Fatalf("read again:\n%+v\nat first:\n%+v", again, l)
	}
}

func TestRefused(t *testing.T) {
	good := strings.Repeat("16.6\n", 100)
	for _, c := range []struct {
		name, log string
		spec      Spec
		code      string
		line      int
		says      string
	}{
		{"nothing", "", Spec{}, "empty", 0, ""},
		{"only comments", "# a\n\n# b\n", Spec{}, "empty", 0, ""},
		{"only a header", "frame,frame_ms\n", Spec{}, "empty", 1, "header"},
		{"rows taken for comments", "#1,16.6\n#2,16.6\n", Spec{}, "empty", 0, "comment"},
		{"only zeros", "0\n0\n0\n", Spec{Unit: "ms"}, "not_positive", 1, `"0" is not above zero`},
		{"mostly backwards", "5\n4\n3.5\n", Spec{Unit: "s", Kind: Timestamp}, "backwards", 2, `"4"`},
		{"a named column of NaN beside others", "frame_ms,x\nNaN,1\nNaN,2\nNaN,1.5\n", Spec{}, "not_a_number", 2, `column 1 "frame_ms"`},
		{"only a byte-order mark", "\xEF\xBB\xBF", Spec{}, "empty", 0, ""},
		{"NUL", "frame_ms\n16.6\n\x0016.7\n", Spec{}, "binary", 3, "NUL"},
		{"not UTF-8", "frame_ms\n16.6\n\xB5\n", Spec{}, "binary", 3, "0xB5"},
		{"UTF-16", "\xFF\xFEf\x00r\x00", Spec{}, "encoding", 1, "UTF-16"},
		{"UTF-16, big end first", "\xFE\xFF\x00f\x00r", Spec{}, "encoding", 1, "UTF-16"},
		{"a line without end", "frame_ms\n" + strings.Repeat("1", 100000), Spec{}, "binary", 2, "100000 bytes"},
		{"a line without end later", "frame_ms\n" + strings.Repeat("16.6\n", 1000) + strings.Repeat("1", 100000), Spec{}, "binary", 1002, "100000 bytes"},
		{"negative", "frame_ms\n" + good + "-3\n" + good, Spec{}, "not_positive", 102, `"-3" is not above zero`},
		{"zero", "frame_ms\n" + good + "0.0\n" + good, Spec{}, "not_positive", 102, `"0.0"`},
		{"below a nanosecond", "frame_ms\n" + good + "0.0000001\n", Spec{}, "not_positive", 102, "nanosecond"},
		{"NaN", "frame_ms\n" + good + "NaN\n" + good, Spec{}, "not_a_number", 102, `"NaN"`},
		{"NaN in the first row", "NaN\n" + good, Spec{Unit: "ms"}, "not_a_number", 1, `"NaN"`},
		{"only NaN", "frame_ms\nNaN\nNaN\n", Spec{Column: "frame_ms"}, "not_a_number", 2, `"NaN"`},
		{"infinity", "frame_ms\n" + good + "inf\n", Spec{}, "not_a_number", 102, `"inf"`},
		{"an empty cell", "frame,frame_ms\n0,400\n1,\n2,900\n", Spec{}, "not_a_number", 3, "empty"},
		{"grouped thousands", "frame_ms;x\n1,234.5;1\n999.5;1\n", Spec{}, "not_a_number", 2, `"1,234.5"`},
		{"junk in a cell", "frame_ms\n" + good + "16.6x\n", Spec{}, "not_a_number", 102, `"16.6x"`},
		{"a second header", "frame_ms\n" + good + "frame_ms\n" + good, Spec{}, "not_a_number", 102, `"frame_ms"`},
		{"two decimal marks", "frame_ms;x\n16.6;1\n16.7;1\n16,8;1\n", Spec{}, "not_a_number", 4, `"16,8"`},
		{"mixed units", "400ms\n500ms\n450us\n", Spec{}, "mixed_units", 3, `"450us" is in us`},
		{"unit missing", "400ms\n500ms\n450\n600ms\n", Spec{}, "mixed_units", 3, "no unit"},
		{"unit in one", "frame_ms\n400\n500\n450ms\n600\n", Spec{}, "mixed_units", 4, "has a unit"},
		{"backwards", "stamp_s\n1\n2\n1.5\n4\n5\n", Spec{}, "backwards", 4, `"1.5"`},
		{"one backwards in many", "time_s\n" + rising(100) + "3\n" + rising(2), Spec{}, "backwards", 102, `"3"`},
		{"stands still", "stamp_s\n1\n2\n2\n4\n5\n", Spec{}, "not_positive", 4, "again"},
		{"backwards beside durations", "stamp_s,frame_ms\n0,900\n1,900\n2,900\n3,900\n4,900\n5,900\n6,900\n7,900\n8,900\n9,900\n10,900\n9.5,900\n", Spec{}, "backwards", 13, `"9.5"`},
		{"a field short", "frame,frame_ms\n0,400\n1\n2,400\n3,900\n", Spec{}, "ragged", 3, "1 field, not 2"},
		{"a field over", "frame,frame_ms\n0,400\n1,400,7\n2,400\n", Spec{}, "ragged", 3, "3 fields, not 2"},
		{"header a field short", "frame_ms,x\n0,400,1\n1,400,1\n2,900,1\n", Spec{}, "ragged", 1, "header"},
		{"an open quote", "frame_ms,note\n400,\"a\n500,\"b\"\n600,c\n", Spec{}, "quote", 2, "quote"},
		{"an open quote in the header", "\"frame_ms,note\n400,a\n500,b\n", Spec{}, "quote", 1, "quote"},
		{"cut in a field", "frame,frame_ms\n0,400\n1,500\n2", Spec{}, "truncated", 4, "1 field of 2"},
		{"cut after the separator", "frame,frame_ms\n0,400\n1,700\n2,", Spec{}, "truncated", 4, "last cell"},
		{"cut after the point", "frame,frame_ms\n0,400.0\n1,700.0\n2,40.", Spec{}, "truncated", 4, `"40."`},
		{"cut in a unit", "400 ms\n500 ms\n600 m", Spec{}, "truncated", 3, `"600 m"`},
		{"cut before a unit", "400 ms\n500 ms\n60", Spec{}, "truncated", 3, `"60"`},
		{"cut in a quote", "frame_ms,note\n400,\"a\"\n700,\"b\"\n600,\"c", Spec{}, "truncated", 4, "quoted"},
		{"cut in an exponent", "frame_s\n4e-1\n7e-1\n4e", Spec{}, "truncated", 4, `"4e"`},
		{"one duration", "frame_ms\n4000\n", Spec{}, "too_few", 0, "1 duration"},
		{"two stamps", "stamp_s\n1\n20\n", Spec{}, "too_few", 0, "2 time stamps, which give 1 duration"},
		{"too short", "frame_us\n16000\n17000\n", Spec{}, "too_short", 0, "33 ms"},
		{"too short in any unit", "0.016\n0.017\n", Spec{}, "too_short", 0, "read as s"},
		{"past the end", "frame_s\n1e10\n1\n", Spec{}, "out_of_range", 2, "292 years"},
		{"the sum past the end", "frame_s\n9e9\n9e9\n", Spec{}, "out_of_range", 3, "add up"},
		{"stamps too far apart", "stamp_s\n-9e9\n9e9\n9.1e9\n", Spec{}, "out_of_range", 3, "292 years"},
		{"text", "the quick\nbrown fox\njumps over\n", Spec{}, "no_numbers", 0, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := Parse([]byte(c.log), c.spec)
			var r *Refused
			if !errors.As(err, &r) {
				t.Fatalf("%v, %+v", err, l)
			}
			if r.Code != c.code || r.Line != c.line || !strings.Contains(r.Error(), c.says) {
				t.Fatalf("%s line %d: %v; want %s line %d with %q", r.Code, r.Line, r, c.code, c.line, c.says)
			}
			checkError(t, err)
		})
	}
}

func rising(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "%d.5\n", i+5)
	}
	return b.String()
}

func checkError(t interface{ Fatalf(string, ...any) }, err error) {
	var r *Refused
	var a *Ambiguous
	if errors.As(err, &r) == errors.As(err, &a) {
		t.Fatalf("not of one class: %v", err)
	}
	if hint(err) == "" || err.Error() == "" || strings.ContainsAny(err.Error()+hint(err), "\n\r\x00") {
		t.Fatalf("%q\nhint: %q", err, hint(err))
	}
	if len(err.Error()) > 4000 {
		t.Fatalf("an error of %d bytes", len(err.Error()))
	}
}

func TestAmbiguous(t *testing.T) {
	for _, c := range []struct {
		name, log string
		spec      Spec
		code      string
		says      []string // in the error or its hint
	}{
		{"two columns", "frame,cpu_ms,gpu_ms\n0,400,300\n1,500,300\n2,450,200\n", Spec{}, "column",
			[]string{`2 "cpu_ms"`, `3 "gpu_ms"`, `column = "cpu_ms"`, "--log-column gpu_ms", "[log]"}},
		{"two columns without names", "0.5,16.6\n0.4,16.8\n0.6,16.7\n", Spec{}, "column", []string{`column = "1"`, "--log-column 2", "and the unit"}},
		{"two units", strings.Repeat("16.6\n16.9\n", 60), Spec{}, "unit", []string{`unit = "s"`, `unit = "ms"`, "--log-unit ms", "120 frames, 2.01 s in all"}},
		{"durations or stamps", strings.TrimPrefix(rising(40), ""), Spec{Unit: "s"}, "kind", []string{`kind = "duration"`, "--log-kind timestamp"}},
		{"a few rows of time", "time_s\n1\n2.5\n3\n4.5\n", Spec{}, "kind", []string{`kind = "timestamp"`}},
		{"one comma", "16,6\n16,7\n17,1\n16,6\n", Spec{Unit: "ms"}, "separator", []string{`decimal = ","`, `separator = ","`, "--log-decimal \",\""}},
		{"one name with a comma", "frame time, ms\n16,6\n16,7\n17,1\n16,6\n", Spec{Unit: "ms"}, "separator", []string{`decimal = ","`}},
		{"comma, one row short", "160,6\n160,7\n171\n160,6\n", Spec{Unit: "ms"}, "separator", []string{`decimal = ","`}},
		{"blanks or comma", "a 5,16\nb 5,17\na 6,16\n", Spec{Unit: "ms"}, "separator", []string{`separator = "space"`}},
		{"no such column", "frame,frame_ms,gpu_ms\n0,400,1\n1,900,2\n", Spec{Column: "frame_sm"}, "column_not_found", []string{`"frame_sm"`, `1 "frame", 2 "frame_ms", 3 "gpu_ms"`, "nearest", `column = "frame_ms"`}},
		{"no such position", "400,3.5\n900,4.5\n", Spec{Column: "7"}, "column_not_found", []string{"no column 7", "2 fields"}},
		{"name without header", "400\n900\n", Spec{Column: "frame_ms"}, "column_not_found", []string{"no header", `column = "1"`}},
		{"name twice", "frame_ms,frame_ms\n400,500\n900,900\n", Spec{Column: "frame_ms"}, "column_not_found", []string{"more than one", `column = "1"`, `column = "2"`}},
		{"text chosen", "scene,frame_ms\nsun,400\nmoon,900\n", Spec{Column: "scene"}, "wrong_column", []string{"holds text", `"sun"`, `column = "frame_ms"`}},
		{"rate chosen", "fps,frame_ms\n2.5,400\n1.1,900\n", Spec{Column: "fps", Unit: "ms"}, "wrong_column", []string{"rate", `column = "frame_ms"`, `kind = "duration"`}},
		{"row number chosen", "frame,frame_ms\n1,400\n2,900\n3,800\n", Spec{Column: "frame", Unit: "s"}, "wrong_column", []string{"numbers the rows", `column = "frame_ms"`}},
		{"only row numbers", "1\n2\n3\n4\n5\n", Spec{Unit: "s"}, "no_column", []string{"counts the rows", `column = "1"`}},
		{"only rates", "frame,fps\n1,60.5\n2,59.5\n3,61\n", Spec{}, "no_column", []string{`"fps" is a rate`, `"frame" numbers the rows`}},
		{"name against cells", "frame_ms\n400us\n900us\n", Spec{}, "unit", []string{"ms by its name", "us by its cells", `unit = "us"`}},
		{"choice against cells", "frame\n400ms\n900ms\n", Spec{Unit: "us"}, "unit_in_cells", []string{"ms by its cells", `unit = "ms"`}},
		{"no such unit", "400\n900\n", Spec{Unit: "minutes"}, "choice", []string{`"minutes"`, "s ms us ns", `unit = "ms"`}},
		{"no such kind", "400\n900\n", Spec{Kind: "rate"}, "choice", []string{`kind "rate"`}},
		{"no such separator", "400\n900\n", Spec{Separator: "|"}, "choice", []string{`separator "|"`}},
		{"no such decimal", "400\n900\n", Spec{Decimal: "'"}, "choice", []string{`decimal "'"`}},
		{"no such header", "400\n900\n", Spec{Header: "2"}, "choice", []string{`header "2"`}},
		{"no such stamp", "t,frame_ms\n1,400\n2,900\n", Spec{Stamp: "tt"}, "column_not_found", []string{`"tt"`, `stamp = "t"`, "--log-stamp t"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := Parse([]byte(c.log), c.spec)
			var a *Ambiguous
			if !errors.As(err, &a) {
				t.Fatalf("%v, %+v", err, l)
			}
			if a.Code != c.code {
				t.Errorf("code %s, want %s", a.Code, c.code)
			}
			for _, s := range c.says {
				if !strings.Contains(a.Error()+" "+a.Hint(), s) {
					t.Errorf("%q is not in\n%v\nhint: %s", s, a, a.Hint())
				}
			}
			checkError(t, err)
		})
	}
}

func TestMarks(t *testing.T) {
	for _, c := range []struct {
		name, log string
		spec      Spec
		marks     string // code@line×count
	}{
		{"nothing", "frame_ms\n" + strings.Repeat("100\n", 12), Spec{}, ""},
		{"no line ending", "frame_ms\n" + strings.Repeat("100\n", 11) + "100", Spec{}, "no_final_newline@13×0"},
		{"comment without line ending", "frame_ms\n" + strings.Repeat("100\n", 12) + "# end", Spec{}, ""},
		{"blank lines", "frame_ms\n\n100\n\n\n" + strings.Repeat("100\n", 5) + "\n" + strings.Repeat("100\n", 6) + "\n\n", Spec{}, "blank_lines@4×3"},
		{"rounded", "frame_s\n" + strings.Repeat("0.1\n", 11) + "0.016683300000000002\n", Spec{}, "rounded@13×1"},
		{"trailing zeros are not rounded", "frame_s\n" + strings.Repeat("0.1000000000000000000000000\n", 11), Spec{}, ""},
		{"name in another unit", "frame_us\n" + strings.Repeat("100\n", 12), Spec{Unit: "ms"}, "unit_contradicts_name@0×0"},
		{"name of another kind", "fps\n" + strings.Repeat("100\n", 12), Spec{Column: "fps", Kind: Duration, Unit: "ms"}, "kind_contradicts_name@0×0"},
		{"stall by share", "frame_ms\n" + strings.Repeat("100\n", 7) + "800\n" + strings.Repeat("100\n", 9), Spec{}, "stall@9×1"},
		{"stall by length", "frame_s\n" + strings.Repeat("1\n", 100) + "5.000000001\n", Spec{}, "stall@102×1"},
		{"no stall at five seconds", "frame_s\n" + strings.Repeat("1\n", 100) + "5\n", Spec{}, ""},
		{"stall between stamps", "stamp_s\n" + rising(20) + "60\n61\n", Spec{}, "stall@22×1"},
		{"stamps at the start", stamped(40, 0, nil), Spec{}, ""},
		{"stamps at the end", stamped(40, 1, nil), Spec{}, ""},
		{"three rows dropped", stamped(40, 0, map[int]bool{10: true, 11: true, 20: true}), Spec{}, "dropped_rows@0×0"},
		{"three rows dropped, unit of the stamps not said", strings.Replace(stamped(40, 0, map[int]bool{10: true, 11: true, 20: true}), "time_s", "time", 1), Spec{}, "dropped_rows@0×0"},
		{"three rows dropped, stamps left out", stamped(40, 0, map[int]bool{10: true, 11: true, 20: true}), Spec{Stamp: "none"}, ""},
		{"rows twice", stamped(10, 0, nil) + "6.045,109\n6.045,109\n6.045,109\n6.154,103\n", Spec{Stamp: "time_s"}, "dropped_rows@0×0"},
		{"stamps in whole seconds", coarse(400), Spec{}, ""},
		{"seconds among milliseconds", "frame_ms\n" + strings.Repeat("100\n", 12) + strings.Repeat("0.1\n", 9), Spec{}, "mixed_magnitudes@14×9"},
		{"one second among milliseconds", "frame_ms\n" + strings.Repeat("100\n120\n", 20) + "0.11\n", Spec{}, "mixed_magnitudes@42×1"},
		{"microseconds among milliseconds", "frame_ms\n" + strings.Repeat("100\n", 120) + strings.Repeat("90000\n", 20), Spec{}, "mixed_magnitudes@122×20 stall@122×20"},
		{"nanoseconds among seconds", "frame_s\n" + strings.Repeat("2\n", 12) + strings.Repeat("0.000000002\n", 3), Spec{}, "mixed_magnitudes@14×3"},
		{"one long frame", "frame_ms\n" + strings.Repeat("16\n", 2000) + "3200\n", Spec{}, ""},
		{"two long frames", "frame_ms\n9000\n" + strings.Repeat("16\n", 90) + "9000\n", Spec{}, "stall@2×2"},
		{"short frames, not a step between units", "frame_ms\n" + strings.Repeat("16\n", 100) + strings.Repeat("0.1\n", 20), Spec{}, ""},
		{"a few in a crowd", "frame_ms\n" + strings.Repeat("16\n", 1000) + strings.Repeat("0.016\n", 9), Spec{}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := Parse([]byte(c.log), c.spec)
			if err != nil {
				t.Fatalf("%v\nhint: %s", err, hint(err))
			}
			var got []string
			for _, m := range l.Marks {
				got = append(got, fmt.Sprintf("%s@%d×%d", m.Code, m.Line, m.Count))
			}
			if s := strings.Join(got, " "); s != c.marks {
				t.Fatalf("%q, want %q; %+v", s, c.marks, l)
			}
			checkAgain(t, []byte(c.log), l)
		})
	}
}

// What the run took settles what the log leaves open, and no more than that.
func TestParseRun(t *testing.T) {
	const second = int64(1e9)
	frames := strings.Repeat("16.7\n", 300) // 5.01 s, 83.5 min
	upwards := rising(20)
	for _, c := range []struct {
		name, log string
		spec      Spec
		took      int64
		want      string // kind and unit, or the code of the error
	}{
		{"not known", frames, Spec{}, 0, "unit"},
		{"six seconds", frames, Spec{}, 6 * second, "duration ms"},
		{"just as long", frames, Spec{}, 5010 * second / 1000, "duration ms"},
		{"two hours", frames, Spec{}, 7200 * second, "unit"},
		{"shorter than any reading", frames, Spec{}, second, "unit"},
		{"the operator's word holds", frames, Spec{Unit: "s"}, 6 * second, "duration s"},
		{"the name's word holds", "frame_s\n" + frames, Spec{}, 6 * second, "duration s"},
		{"whole numbers", strings.Repeat("16700\n", 300), Spec{}, 6 * second, "duration us"},
		{"a number too many", frames + "NaN\n" + frames, Spec{}, 6 * second, "not_a_number"},
		{"stamps", upwards, Spec{Unit: "s"}, 20 * second, "timestamp s"},
		{"stamps or durations", upwards, Spec{Unit: "s"}, 300 * second, "kind"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := ParseRun([]byte(c.log), c.spec, c.took)
			var a *Ambiguous
			var r *Refused
			got := ""
			switch {
			case err == nil:
				got = string(l.Layout.Kind) + " " + string(l.Layout.Unit)
				_, open := Parse([]byte(c.log), c.spec)
				if said := len(l.Marks) > 0 && l.Marks[0].Code == "chosen_by_run"; said != (open != nil) {
					t.Errorf("marked %+v, and without the run's length %v", l.Marks, open)
				}
				if again, err := Parse([]byte(c.log), l.Layout.Spec()); err != nil || again.Elapsed() != l.Elapsed() {
					t.Errorf("by its layout it reads otherwise: %v", err)
				}
			case errors.As(err, &a):
				got = a.Code
			case errors.As(err, &r):
				got = r.Code
			}
			if got != c.want {
				t.Errorf("%s, want %s: %v", got, c.want, err)
			}
		})
	}
}

func TestMillionRows(t *testing.T) {
	// the number of a row keeps its width, so that one buffer serves for all
	const header, row = "frame,frame_ms,scene\n", "0000000,16.683,approach\n"
	const rows = 1_000_000
	data := append([]byte(header), bytes.Repeat([]byte(row), rows)...)
	var want int64
	for i := range rows {
		at := data[len(header)+i*len(row):]
		put(at[:7], i)
		put(at[11:14], i*7919%1000)
		want += 16_000_000 + int64(i*7919%1000)*1000
	}
	l, err := Parse(data, Spec{})
	if err != nil || l.Rows != rows || l.Elapsed() != want {
		t.Fatalf("%v: %d rows, %d ns, want %d", err, l.Rows, l.Elapsed(), want)
	}
}

// put writes v in decimal over all of b.
func put(b []byte, v int) {
	for i := len(b) - 1; i >= 0; i-- {
		b[i], v = byte('0'+v%10), v/10
	}
}
