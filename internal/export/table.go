package export

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// Table is one kind of rows.
type Table struct {
	Name    string
	row     reflect.Type
	take    func(Rows) any // its slice of rows
	parquet func(io.Writer) Writer
}

// Tables are all tables in the order in which they are documented.
var Tables = []Table{
	tableOf("runs", func(r Rows) []RunRow { return r.Runs }),
	tableOf("facts", func(r Rows) []FactRow { return r.Facts }),
	tableOf("results", func(r Rows) []ResultRow { return r.Results }),
	tableOf("flags", func(r Rows) []FlagRow { return r.Flags }),
	tableOf("series", func(r Rows) []SeriesRow { return r.Series }),
	tableOf("signals", func(r Rows) []SignalRow { return r.Signals }),
}

func tableOf[T any](name string, take func(Rows) []T) Table {
	return Table{
		Name: name, row: reflect.TypeFor[T](),
		take: func(r Rows) any { return take(r) },
		parquet: func(w io.Writer) Writer {
			return &parquetWriter[T]{take, parquet.NewGenericWriter[T](w,
				parquet.Compression(&zstd.Codec{Level: zstd.DefaultLevel}), parquet.CreatedBy("witnessmark", "1", ""))}
		},
	}
}

// Column documents one column.
type Column struct {
	Name, Kind, Unit, Doc string
	Null                  bool
}

// Columns documents the table's columns in order.
func (t Table) Columns() (out []Column) {
	for i := range t.row.NumField() {
		f := t.row.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("parquet"), ",")
		ft := f.Type
		c := Column{Name: name, Unit: f.Tag.Get("unit"), Doc: f.Tag.Get("doc"), Null: ft.Kind() == reflect.Pointer}
		if c.Null {
			ft = ft.Elem()
		}
		switch {
		case ft == reflect.TypeFor[time.Time]():
			c.Kind = "time"
		case ft.Kind() == reflect.Float64:
			c.Kind = "number"
		case ft.Kind() == reflect.Bool:
			c.Kind = "truth"
		case ft.Kind() == reflect.String:
			c.Kind = "text"
		default:
			c.Kind = "integer"
		}
		out = append(out, c)
	}
	return out
}

// Writer takes rows, run by run, and is closed once.
type Writer interface {
	Write(Rows) error
	Close() error
}

// CSV writes a header and rows by RFC 4180, lines ending in LF. Null is an empty
// cell; an empty text is two quotes. Times are RFC 3339 in UTC.
func (t Table) CSV(w io.Writer) (Writer, error) {
	c := &csvWriter{t: t, w: csv.NewWriter(w)}
	var head []string
	for _, col := range t.Columns() {
		head = append(head, col.Name)
	}
	return c, c.w.Write(head)
}

type csvWriter struct {
	t Table
	w *csv.Writer
}

func (c *csvWriter) Write(r Rows) error {
	rows := reflect.ValueOf(c.t.take(r))
	cells := make([]string, c.t.row.NumField())
	for i := range rows.Len() {
		for k := range cells {
			cells[k] = cell(rows.Index(i).Field(k))
		}
		if err := c.w.Write(cells); err != nil {
			return err
		}
	}
	return nil
}

func (c *csvWriter) Close() error {
	c.w.Flush()
	return c.w.Error()
}

func cell(v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return ""
		}
		v = v.Elem()
	}
	switch x := v.Interface().(type) {
	case time.Time:
		return x.Format("2006-01-02T15:04:05.999999Z07:00")
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case string:
		return x
	}
	return fmt.Sprint(v.Interface())
}

// JSON writes one JSON object a line, with every column, null where there is none.
func (t Table) JSON(w io.Writer) (Writer, error) {
	return &jsonWriter{t: t, w: w, columns: t.Columns()}, nil
}

type jsonWriter struct {
	t       Table
	w       io.Writer
	columns []Column
	buf     []byte
}

func (j *jsonWriter) Write(r Rows) error {
	rows := reflect.ValueOf(j.t.take(r))
	for i := range rows.Len() {
		j.buf = append(j.buf[:0], '{')
		for k, c := range j.columns {
			if k > 0 {
				j.buf = append(j.buf, ',')
			}
			j.buf = append(strconv.AppendQuote(j.buf, c.Name), ':')
			b, err := json.Marshal(rows.Index(i).Field(k).Interface())
			if err != nil {
				return err
			}
			j.buf = append(j.buf, b...)
		}
		if _, err := j.w.Write(append(j.buf, "}\n"...)); err != nil {
			return err
		}
	}
	return nil
}

func (j *jsonWriter) Close() error { return nil }

// Parquet writes one Parquet file, zstd inside.
func (t Table) Parquet(w io.Writer) (Writer, error) { return t.parquet(w), nil }

type parquetWriter[T any] struct {
	take func(Rows) []T
	w    *parquet.GenericWriter[T]
}

func (p *parquetWriter[T]) Write(r Rows) error {
	_, err := p.w.Write(p.take(r))
	return err
}

func (p *parquetWriter[T]) Close() error { return p.w.Close() }

// Escape makes a name fit for one folder, as partitioned data sets write it:
// every byte that is not a letter, a digit or one of -_. becomes %XX.
func Escape(name string) string {
	var b strings.Builder
	for i := range len(name) {
		switch c := name[i]; {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '-', c == '_', c == '.' && i > 0:
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	return b.String()
}
