package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/export"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/timing"
)

func exportCommand(d *desk) *cobra.Command {
	var c choice
	var e exporting
	var columns bool
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Write runs, facts, results, flags, series and signals as tables",
		Long: `Write what is kept as tables for other programs: CSV, JSON lines or Parquet.

CSV and JSON write one table to standard output, or with -o all that are named
into a new folder. Parquet needs a folder: it is laid out by table, workload and
month, and exporting into it again adds only what was kept since; what is
retracted later is in no file written before. --columns prints every table's
columns with their units.`,
		Example: "  collector export --format csv --table runs --workload orrery > runs.csv\n" +
			"  collector export --format json -o today --since 1d\n" +
			"  collector export --format parquet -o lake",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if columns {
				return printColumns(d.stdout)
			}
			q, err := c.resolve(d.now())
			if err == nil {
				err = e.resolve(cmd, q)
			}
			if err != nil {
				return err
			}
			return d.ask(cmd.Context(), func(b answer.Book, _ string) error { return e.run(cmd.Context(), d, b, q) })
		},
	}
	c.flags(cmd, "no more than `N` runs, the newest")
	f := cmd.Flags()
	f.StringVar(&e.format, "format", "csv", "`FORMAT` of the tables: csv, json or parquet")
	f.StringSliceVar(&e.names, "table", nil, "only the table `NAME`; may be given more than once (default: all)")
	f.StringVarP(&e.to, "output", "o", "", "folder `DIR` to write to")
	f.BoolVar(&columns, "columns", false, "print the tables' columns with their units and end")
	return cmd
}

func printColumns(w io.Writer) error {
	t := screen.NewTable("table", "column", "kind", "unit", "null", "meaning")
	for _, table := range export.Tables {
		for _, c := range table.Columns() {
			null := ""
			if c.Null {
				null = "may be"
			}
			t.Row(table.Name, c.Name, c.Kind, c.Unit, null, c.Doc)
		}
	}
	return t.Write(w)
}

// exporting is one call of export.
type exporting struct {
	format, to string
	names      []string
	tables     []export.Table
}

func (e *exporting) resolve(cmd *cobra.Command, q answer.Query) error {
	if err := oneOf("--format", e.format, "csv", "json", "parquet"); err != nil {
		return err
	}
	var known []string
	for _, t := range export.Tables {
		known = append(known, t.Name)
		if len(e.names) == 0 || slices.Contains(e.names, t.Name) {
			e.tables = append(e.tables, t)
		}
	}
	for _, n := range e.names {
		if err := oneOf("--table", n, known...); err != nil {
			return err
		}
	}
	switch {
	case e.format == "parquet" && e.to == "":
		return screen.Misuse("name a folder with -o DIR", "parquet is written into a folder")
	case e.format == "parquet" && (q != answer.Query{} || len(e.names) > 0):
		return screen.Misuse("leave the other flags out, and choose when you read the files", "parquet takes all runs and tables, so that the next export can go on behind this one")
	case e.to == "" && len(e.tables) != 1:
		return screen.Misuse("name one table with --table, or a folder with -o DIR", "standard output takes one table")
	}
	return nil
}

func (e *exporting) run(ctx context.Context, d *desk, b answer.Book, q answer.Query) error {
	p := screen.NewProgress(d.stderr, "export")
	defer p.Done()
	if e.format == "parquet" {
		return e.parquet(ctx, d, b, p)
	}
	var out sink
	if e.to == "" {
		buffered := bufio.NewWriter(d.stdout)
		w, err := e.open(e.tables[0], buffered)
		if err != nil {
			return err
		}
		out = sink{writers: []export.Writer{w}, last: buffered.Flush}
	} else {
		var err error
		if out, err = e.folder(); err != nil {
			return err
		}
	}
	n := int64(0)
	err := b.Runs(ctx, q, func(s answer.Summary) error {
		k, err := fetch(ctx, b, s.ID, e.tables)
		if err != nil {
			return err
		}
		n++
		p.Set(n, 0)
		return out.write(export.Of(k))
	})
	return out.close(err)
}

func (e *exporting) open(t export.Table, w io.Writer) (export.Writer, error) {
	switch e.format {
	case "json":
		return t.JSON(w)
	case "parquet":
		return t.Parquet(w)
	}
	return t.CSV(w)
}

// folder opens one file a table under names that say they are unfinished.
func (e *exporting) folder() (sink, error) {
	if err := os.Mkdir(e.to, 0o777); err != nil {
		hint := "name a folder whose parent exists"
		if errors.Is(err, fs.ErrExist) {
			hint = "name a new folder; nothing is written over"
		}
		return sink{}, fault.New("export", e.to, plain(err)).WithHint(hint)
	}
	var s sink
	for _, t := range e.tables {
		suffix := map[string]string{"csv": ".csv", "json": ".jsonl"}[e.format]
		f, err := s.file(filepath.Join(e.to, t.Name+suffix))
		if err == nil {
			err = s.add(e.open(t, f))
		}
		if err != nil {
			return sink{}, s.close(err)
		}
	}
	s.drop = func() { os.Remove(e.to) }
	return s, nil
}

// plain drops the path that the error repeats.
func plain(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// sink is what rows are written to. Files appear under their names only when
// all is written.
type sink struct {
	writers []export.Writer
	files   []*os.File
	names   []string
	last    func() error // after the writers are closed
	drop    func()       // after a failure
}

// file opens NAME as .NAME.
func (s *sink) file(name string) (*os.File, error) {
	f, err := os.Create(filepath.Join(filepath.Dir(name), "."+filepath.Base(name)))
	if err == nil {
		s.files, s.names = append(s.files, f), append(s.names, name)
	}
	return f, err
}

func (s *sink) add(w export.Writer, err error) error {
	if err == nil {
		s.writers = append(s.writers, w)
	}
	return err
}

func (s *sink) write(r export.Rows) error {
	for _, w := range s.writers {
		if err := w.Write(r); err != nil {
			return err
		}
	}
	return nil
}

// close finishes what was written, or takes it away after a failure.
func (s *sink) close(err error) error {
	for _, w := range s.writers {
		if err == nil {
			err = w.Close()
		}
	}
	if err == nil && s.last != nil {
		err = s.last()
	}
	for _, f := range s.files {
		if err == nil {
			err = f.Sync()
		}
		f.Close()
	}
	for i, f := range s.files {
		if err == nil {
			err = os.Rename(f.Name(), s.names[i])
		} else {
			os.Remove(f.Name())
		}
	}
	if err != nil && s.drop != nil {
		s.drop()
	}
	return err
}

// fetch gets a run with as much of it as the tables show.
func fetch(ctx context.Context, b answer.Book, id string, tables []export.Table) (export.Kept, error) {
	d, err := b.Show(ctx, id)
	if err != nil {
		return export.Kept{}, err
	}
	r, err := record.Decode(d.Signed.Bytes)
	if err != nil {
		return export.Kept{}, err
	}
	k := export.Kept{Index: d.Receipt.Index, Summary: d.Summary, Record: r}
	if !slices.ContainsFunc(tables, func(t export.Table) bool { return t.Name == "series" }) {
		return k, nil
	}
	for _, l := range r.Logs {
		data, err := b.Attachment(ctx, id, l.Attachment)
		if err != nil {
			return k, err
		}
		if log, err := timing.Parse(data, l.Spec); err == nil {
			k.Durations = log.Durations
			break
		}
	}
	return k, nil
}

// cursorFile holds the trail entry from which the next export goes on.
const cursorFile = "cursor"

// perFile bounds how many runs one set of files is made of.
const perFile = 500

// parquet adds what was kept since the last export into the folder.
func (e *exporting) parquet(ctx context.Context, d *desk, b answer.Book, p *screen.Progress) error {
	next, err := e.resume()
	if err != nil {
		return err
	}
	total := 0
	for {
		var ids []string
		from := next
		var enough = errors.New("enough")
		after, err := b.Kept(ctx, from, func(index int64, id string) error {
			if len(ids) == perFile {
				return enough
			}
			ids, next = append(ids, id), index+1
			return nil
		})
		if err != nil && !errors.Is(err, enough) {
			return err
		}
		if err == nil {
			next = max(next, after)
		}
		if err := e.append(ctx, b, ids, from, next, func(n int) { p.Set(int64(total+n), 0) }); err != nil {
			return err
		}
		total += len(ids)
		if !errors.Is(err, enough) {
			p.Done()
			fmt.Fprintf(d.stdout, "%s added to %s, up to entry %d of the trail\n", screen.Count(total, "run"), e.to, next)
			return nil
		}
	}
}

// resume reads the cursor and takes away the files of an export that did not
// come to its end.
func (e *exporting) resume() (next int64, err error) {
	b, err := os.ReadFile(filepath.Join(e.to, cursorFile))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if names, err := os.ReadDir(e.to); err == nil && len(names) > 0 && !leftovers(names) {
			return 0, fault.New("export", e.to, errors.New("the folder holds other files and no cursor")).WithHint("name a new folder, or one that was exported into before")
		}
		if err := os.MkdirAll(e.to, 0o777); err != nil {
			return 0, fault.New("export", e.to, plain(err))
		}
	case err != nil:
		return 0, fault.New("export", e.to, plain(err))
	default:
		if _, err := fmt.Sscanf(string(b), "next trail entry %d\n", &next); err != nil || next < 0 {
			return 0, fault.New("export", filepath.Join(e.to, cursorFile), errors.New("it names no trail entry")).WithHint("export into a new folder")
		}
	}
	return next, filepath.WalkDir(e.to, func(path string, f fs.DirEntry, err error) error {
		if err != nil || f.IsDir() {
			return err
		}
		var from, to int64
		name := f.Name()
		n, _ := fmt.Sscanf(strings.TrimPrefix(name, "."), "%d-%d.parquet", &from, &to)
		if n == 2 && (strings.HasPrefix(name, ".") || from >= next) {
			return os.Remove(path)
		}
		return nil
	})
}

// leftovers says that a folder holds nothing but the folders of tables.
func leftovers(names []fs.DirEntry) bool {
	for _, n := range names {
		if !slices.ContainsFunc(export.Tables, func(t export.Table) bool { return t.Name == n.Name() && n.IsDir() }) {
			return false
		}
	}
	return true
}

// append writes one set of files and then the cursor.
func (e *exporting) append(ctx context.Context, b answer.Book, ids []string, from, next int64, tell func(int)) (err error) {
	parts := map[string]*sink{}
	defer func() {
		for _, s := range parts {
			if err != nil {
				s.close(err)
			}
		}
	}()
	for i, id := range ids {
		k, err := fetch(ctx, b, id, export.Tables)
		if err != nil {
			return err
		}
		s, err := e.partition(parts, k, from, next)
		if err != nil {
			return fault.New("export", e.to, err)
		}
		if err := s.write(export.Of(k)); err != nil {
			return fault.New("export", e.to, err)
		}
		tell(i + 1)
	}
	for name, s := range parts {
		delete(parts, name)
		if err := s.close(nil); err != nil {
			return fault.New("export", e.to, err)
		}
	}
	cursor := filepath.Join(e.to, cursorFile)
	if err := os.WriteFile(cursor+".new", fmt.Appendf(nil, "next trail entry %d\n", next), 0o666); err != nil {
		return fault.New("export", e.to, plain(err))
	}
	return os.Rename(cursor+".new", cursor)
}

// partition gives the files of the run's workload and month.
func (e *exporting) partition(parts map[string]*sink, k export.Kept, from, next int64) (*sink, error) {
	part := filepath.Join("workload="+export.Escape(k.Summary.Workload), "month="+k.Summary.Started.UTC().Format("2006-01"))
	if s, ok := parts[part]; ok {
		return s, nil
	}
	s := &sink{}
	parts[part] = s
	for _, t := range export.Tables {
		dir := filepath.Join(e.to, t.Name, part)
		if err := os.MkdirAll(dir, 0o777); err != nil {
			return nil, err
		}
		f, err := s.file(filepath.Join(dir, fmt.Sprintf("%012d-%012d.parquet", from, next-1)))
		if err == nil {
			err = s.add(t.Parquet(f))
		}
		if err != nil {
			return nil, err
		}
	}
	return s, nil
}
