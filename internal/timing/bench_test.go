package timing

import (
	"bytes"
	"fmt"
	"testing"
	"time"
)

// benchLogs are logs of a million rows in the shapes that take different paths.
func benchLogs() map[string][]byte {
	logs := map[string][]byte{}
	write := func(name, header string, row func(b *bytes.Buffer, i int, frac int)) {
		var b bytes.Buffer
		b.WriteString(header + "\n")
		for i := range 1_000_000 {
			row(&b, i, i*7919%1000)
		}
		logs[name] = b.Bytes()
	}
	write("one a line", "frame_ms", func(b *bytes.Buffer, _, f int) { fmt.Fprintf(b, "16.%03d\n", f) })
	write("three columns", "frame,frame_ms,scene", func(b *bytes.Buffer, i, f int) { fmt.Fprintf(b, "%d,16.%03d,approach\n", i, f) })
	write("quoted", `"frame","frame_ms","scene"`, func(b *bytes.Buffer, i, f int) { fmt.Fprintf(b, "\"%d\",\"16.%03d\",\"approach\"\n", i, f) })
	write("blanks", "frame frame_ms scene", func(b *bytes.Buffer, i, f int) { fmt.Fprintf(b, "%d 16.%03d approach\n", i, f) })
	write("unit in cells", "frame;frame time", func(b *bytes.Buffer, i, f int) { fmt.Fprintf(b, "%d;16,%03d ms\n", i, f) })
	write("stamps", "timestamp_s", func(b *bytes.Buffer, i, f int) { fmt.Fprintf(b, "%d.%03d000\n", 1_700_000_000+i, f) })
	return logs
}

// scan is the plain byte scan that reading is held against: it looks at each byte
// once and counts lines.
func scan(data []byte) (lines int) {
	for _, c := range data {
		if c == '\n' {
			lines++
		}
	}
	return lines
}

// BenchmarkParse reports, beside the speed, how many times longer reading takes
// than a plain scan of the same bytes timed in the same run.
func BenchmarkParse(b *testing.B) {
	for name, data := range benchLogs() {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			var scanned time.Duration
			lines := 0
			for b.Loop() {
				b.StopTimer()
				start := time.Now()
				lines += scan(data)
				scanned += time.Since(start)
				b.StartTimer()
				if _, err := Parse(data, Spec{}); err != nil {
					b.Fatal(err)
				}
			}
			if lines == 0 {
				b.Fatal("no lines")
			}
			b.ReportMetric(float64(b.Elapsed())/float64(scanned), "x-scan")
		})
	}
}

// TestNoGarbagePerRow holds reading to a number of allocations that does not grow
// with the rows, and to the memory that the durations take.
func TestNoGarbagePerRow(t *testing.T) {
	for name, row := range map[string]string{
		"one a line": "16.683\n", "columns": "1,16.683,approach\n", "quoted": "\"1\",\"16.683\"\n", "units": "16.683 ms\n",
	} {
		allocs := func(rows int) float64 {
			data := bytes.Repeat([]byte(row), rows)
			l, err := Parse(data, Spec{Column: map[bool]string{true: "2", false: "1"}[bytes.ContainsRune(data, ',')], Kind: Duration, Unit: Milliseconds})
			if err != nil || len(l.Durations) != rows {
				t.Fatalf("%s: %v", name, err)
			}
			if got := cap(l.Durations); got > rows+1 {
				t.Errorf("%s: there is room for %d durations of %d rows", name, got, rows)
			}
			return testing.AllocsPerRun(3, func() { Parse(data, l.Layout.Spec()) })
		}
		if few, many := allocs(2000), allocs(20000); many > few+8 {
			t.Errorf("%s: %.0f allocations for 2000 rows, %.0f for 20000", name, few, many)
		}
	}
}
