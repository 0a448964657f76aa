package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"unicode"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
)

func showCommand(d *desk) *cobra.Command {
	var v view
	cmd := &cobra.Command{
		Use:   "show RUN",
		Short: "Show one run: standing, flags, statistics, configuration, receipt",
		Long: `Show one run. The record's bytes are checked against the rig's signature first.

RUN is a run's id, its beginning, or the letters after its last dash, as far as
they fit one run only.`,
		Example: "  collector show k7q2m9xd\n  collector show k7q2m9xd --facts --signals\n  collector show k7q2m9xd --log -o orrery.csv",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := v.check(d.json); err != nil {
				return err
			}
			return d.ask(cmd.Context(), func(b answer.Book, _ string) error {
				if v.file == "" {
					return v.show(cmd.Context(), b, args[0], d.json, d.stdout)
				}
				var shown bytes.Buffer
				if err := v.show(cmd.Context(), b, args[0], d.json, &shown); err != nil {
					return err
				}
				return newFile(v.file, shown.Bytes())
			})
		},
	}
	f := cmd.Flags()
	f.BoolVar(&v.facts, "facts", false, "add every fact before the run, and after it where it differs")
	f.BoolVar(&v.signals, "signals", false, "add every signal's lowest, mean and highest")
	f.BoolVar(&v.log, "log", false, "give back the raw timing log instead, byte for byte")
	f.StringVar(&v.name, "name", "", "with --log: the attachment `NAME`, when there is more than one log")
	f.StringVarP(&v.file, "output", "o", "", "write to the new file `FILE`")
	d.jsonFlag(cmd)
	return cmd
}

// view is the flags that say what of a run is shown, and where.
type view struct {
	facts, signals, log bool
	name, file          string
}

func (v view) check(asJSON bool) error {
	switch {
	case v.name != "" && !v.log:
		return screen.Misuse("add --log", "show: --name says which file --log gives back")
	case v.log && (asJSON || v.facts || v.signals):
		return screen.Misuse("ask twice", "show: --log gives back the file alone, without --json, --facts or --signals")
	case asJSON && (v.facts || v.signals):
		return screen.Misuse("leave them out", "show: --json holds facts and signals already")
	}
	return nil
}

// show writes what is wanted of the run to w.
func (v view) show(ctx context.Context, b answer.Book, id string, asJSON bool, w io.Writer) error {
	if v.log {
		log, err := b.Attachment(ctx, id, v.name)
		if err != nil {
			return err
		}
		if screen.IsTerminal(w) && bytes.ContainsFunc(log, obeyed) {
			return fault.New("show log", id, errors.New("it holds bytes that a terminal would obey")).WithHint("write it to a file with -o FILE")
		}
		_, err = w.Write(log)
		return err
	}
	det, err := b.Show(ctx, id)
	if err != nil {
		return err
	}
	rec, err := record.Decode(det.Signed.Bytes)
	if err != nil {
		return fault.New("show run", id, err)
	}
	r := det.Summary.Brief().WithRecord(rec)
	r.Receipt = answer.ReceiptOf(det.Receipt)
	if asJSON {
		return screen.JSON(w, r)
	}
	return v.print(w, r)
}

func (v view) print(w io.Writer, r answer.Run) error {
	err := screen.Run(w, r)
	if err == nil && v.facts {
		err = screen.FactsOfRun(w, *r.Facts)
	}
	if err == nil && v.signals {
		err = screen.Signals(w, r.Signals)
	}
	return err
}

func obeyed(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' }

// newFile makes the file, which must not be there, whole or not at all.
func newFile(path string, b []byte) error {
	f, err := durable.Create(path, 0o666)
	if err == nil {
		if _, err = f.Write(b); err == nil {
			err = f.Commit()
		}
		err = errors.Join(err, f.Abandon())
	}
	switch {
	case errors.Is(err, fs.ErrExist):
		return fault.New("write", path, errors.New("the file is there already")).WithHint("name a new file, or remove that one first")
	case errors.Is(err, fs.ErrNotExist):
		return fault.New("write", path, cause(err)).WithHint("name a file in a folder that is there")
	case err != nil:
		return fault.New("write", path, cause(err))
	}
	return nil
}

// cause drops the path that an *fs.PathError repeats.
func cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
