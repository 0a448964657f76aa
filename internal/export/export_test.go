package export

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/memory"
	arrowfile "github.com/apache/arrow-go/v18/parquet/file"
	"github.com/apache/arrow-go/v18/parquet/pqarrow"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
)

// kept is an invented run with a null in every column that may be null.
func kept(id string, frames int) Kept {
	st := answer.NoStatistics("no log")
	st.Frames, st.RateMean, st.P50 = frames, 99.47, 9.276492
	durations := make([]int64, frames)
	for i := range durations {
		durations[i] = 10_000_000 + int64(i%7)*1_234
	}
	facts := []rig.Fact{
		{Key: "cpu.governor", Value: rig.TextOf("perform\"ance, \n"), Source: "/sys"},
		{Key: "cpu.turbo", Value: rig.TruthOf(false), Source: "/sys"},
		{Key: "memory.module[DIMM_A1].speed", Value: rig.NumberOf(2400), Unit: rig.MTps, Source: "table"},
		{Key: "memory.speed", Source: "table", Unread: rig.Unread{Reason: rig.Denied, Detail: "needs a right"}},
	}
	at := time.Date(2031, 3, 2, 9, 3, 12, 123456789, time.UTC)
	return Kept{
		Index: 41,
		Summary: answer.Summary{
			ID: id, Rig: "heron", Workload: "orrery", WorkloadVersion: "3", Started: at, Elapsed: 20 * time.Second,
			Exit: record.Exit{Outcome: record.Finished}, Statistics: st,
			Judgement: drift.Judgement{Standing: drift.Careful, Flags: []drift.Flag{{
				Kind: drift.Underrated, Fact: "memory.speed", Expected: rig.NumberOf(3200), Seen: rig.NumberOf(2400), Unit: rig.MTps, Weight: rig.Caution, Evidence: "table",
			}}},
			Results:      []timing.Result{{Name: "score", Value: "512.30", Unit: "points", Better: "higher"}},
			RecordSHA256: sha256.Sum256([]byte(id)),
		},
		Record: &record.Run{
			ID: id, Before: rig.NewSnapshot(at, facts),
			Signals: []rig.Signal{{Key: "cpu[0].clock", Unit: rig.MHz, Exponent: -3, Offsets: []time.Duration{0, 100 * time.Millisecond}, Values: []int64{4_100_000, 4_099_500}}},
		},
		Durations: durations,
	}
}

// readArrow reads a Parquet file with another implementation, Apache Arrow's for
// Go, into rows of plain values by column name.
func readArrow(t *testing.T, b []byte) (rows []map[string]any, schema *arrow.Schema) {
	t.Helper()
	f, err := arrowfile.NewParquetReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := pqarrow.NewFileReader(f, pqarrow.ArrowReadProperties{}, memory.DefaultAllocator)
	if err != nil {
		t.Fatal(err)
	}
	table, err := r.ReadTable(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer table.Release()
	tr := array.NewTableReader(table, 0)
	defer tr.Release()
	for tr.Next() {
		rec := tr.RecordBatch()
		for i := range int(rec.NumRows()) {
			row := map[string]any{}
			for c := range int(rec.NumCols()) {
				if col := rec.Column(c); !col.IsNull(i) {
					row[rec.ColumnName(c)] = col.GetOneForMarshal(i)
				} else {
					row[rec.ColumnName(c)] = nil
				}
			}
			rows = append(rows, row)
		}
	}
	return rows, table.Schema()
}

func write(t *testing.T, open func(*bytes.Buffer) (Writer, error), ks ...Kept) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := open(&b)
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range ks {
		if err := w.Write(Of(k)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestParquetReadByAnother: every table's columns, kinds, nulls and values come
// back through Apache Arrow's reader as the rows have them.
func TestParquetReadByAnother(t *testing.T) {
	ks := []Kept{kept("20310302-090312-00000001", 5), kept("20310302-090312-00000002", 3000)}
	for _, table := range Tables {
		got, schema := readArrow(t, write(t, func(b *bytes.Buffer) (Writer, error) { return table.Parquet(b) }, ks...))
		cols := table.Columns()
		if schema.NumFields() != len(cols) {
			t.Fatalf("%s: %d columns, want %d", table.Name, schema.NumFields(), len(cols))
		}
		for i, c := range cols {
			f := schema.Field(i)
			if f.Name != c.Name || f.Nullable != c.Null || !kindFits(c.Kind, f.Type) {
				t.Errorf("%s.%s (%s, null %v) is read as %v", table.Name, c.Name, c.Kind, c.Null, f)
			}
		}
		var want []reflect.Value
		for _, k := range ks {
			rows := reflect.ValueOf(table.take(Of(k)))
			for i := range rows.Len() {
				want = append(want, rows.Index(i))
			}
		}
		if len(got) != len(want) {
			t.Fatalf("%s: %d rows, want %d", table.Name, len(got), len(want))
		}
		for i, w := range want {
			for k, c := range cols {
				if g := got[i][c.Name]; !same(w.Field(k), g) {
					t.Fatalf("%s row %d, %s: read %v (%T), want %v", table.Name, i, c.Name, g, g, cell(w.Field(k)))
				}
			}
		}
	}
}

func kindFits(kind string, t arrow.DataType) bool {
	switch kind {
	case "time":
		ts, ok := t.(*arrow.TimestampType)
		return ok && ts.Unit == arrow.Microsecond
	case "number":
		return t.ID() == arrow.FLOAT64
	case "truth":
		return t.ID() == arrow.BOOL
	case "text":
		return t.ID() == arrow.STRING
	}
	return t.ID() == arrow.INT32 || t.ID() == arrow.INT64
}

func same(want reflect.Value, got any) bool {
	if want.Kind() == reflect.Pointer {
		if want.IsNil() {
			return got == nil
		}
		want = want.Elem()
	}
	switch w := want.Interface().(type) {
	case time.Time:
		s, ok := got.(string)
		g, err := time.Parse(time.RFC3339Nano, s)
		return ok && err == nil && g.Equal(w)
	case float64:
		g, ok := got.(float64)
		return ok && math.Float64bits(g) == math.Float64bits(w)
	}
	g := reflect.ValueOf(got)
	return got != nil && g.CanConvert(want.Type()) && g.Convert(want.Type()).Interface() == want.Interface()
}

func TestCSVAndJSONSayTheSame(t *testing.T) {
	k := kept("20310302-090312-00000001", 4)
	for _, table := range Tables {
		c, err := csv.NewReader(bytes.NewReader(write(t, func(b *bytes.Buffer) (Writer, error) { return table.CSV(b) }, k))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSpace(string(write(t, func(b *bytes.Buffer) (Writer, error) { return table.JSON(b) }, k))), "\n")
		if len(lines) != len(c)-1 {
			t.Fatalf("%s: %d lines of JSON, %d rows of CSV", table.Name, len(lines), len(c)-1)
		}
		for i, line := range lines {
			var row map[string]any
			d := json.NewDecoder(strings.NewReader(line))
			d.UseNumber()
			if err := d.Decode(&row); err != nil {
				t.Fatalf("%s: %v: %s", table.Name, err, line)
			}
			for k, name := range c[0] {
				v, ok := row[name]
				if !ok {
					t.Errorf("%s: JSON lacks %s", table.Name, name)
				}
				if (v == nil) != (c[i+1][k] == "" && table.Columns()[k].Null) {
					t.Errorf("%s.%s: JSON %v, CSV %q", table.Name, name, v, c[i+1][k])
				}
				if s, ok := v.(string); ok && s != c[i+1][k] && table.Columns()[k].Kind != "time" {
					t.Errorf("%s.%s: JSON %q, CSV %q", table.Name, name, s, c[i+1][k])
				}
			}
		}
	}
}

func TestColumnsAreDocumented(t *testing.T) {
	for _, table := range Tables {
		seen := map[string]bool{}
		for _, c := range table.Columns() {
			if c.Name == "" || c.Doc == "" || seen[c.Name] {
				t.Errorf("%s: column %+v is unnamed, undocumented or named twice", table.Name, c)
			}
			seen[c.Name] = true
			for suffix, unit := range map[string]string{"_ms": "ms", "_seconds": "s", "_ns": "ns", "_bytes": "B", "nanoseconds": "ns"} {
				if strings.HasSuffix(c.Name, suffix) && c.Unit != unit {
					t.Errorf("%s.%s has the unit %q", table.Name, c.Name, c.Unit)
				}
			}
		}
	}
}

// An empty table is still a readable file.
func TestEmptyParquet(t *testing.T) {
	for _, table := range Tables {
		rows, _ := readArrow(t, write(t, func(b *bytes.Buffer) (Writer, error) { return table.Parquet(b) }))
		if len(rows) != 0 {
			t.Errorf("%s: %d rows", table.Name, len(rows))
		}
	}
}
