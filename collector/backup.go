package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
)

func backupCommand(d *desk) *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "backup -o FILE",
		Short: "Copy the whole archive into a new file, while it is served",
		Long: `Copy the whole archive into a new file. The copy is of one moment, holds every
run acknowledged before that, and is checked before it gets its name; until then
there is no file. A served collector goes on serving.

The private key of the trail is not in it. Keep trail.key, which lies beside the
archive, apart and in a safe place: a copy can be read and checked without it, but
not go on. So keep authority.pem, which certifies rigs and people that have joined.`,
		Example: "  collector backup -o dome-2031-03-02.backup\n  collector check dome-2031-03-02.backup",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if file == "" {
				return screen.Misuse("name a new file with -o FILE", "backup: it needs -o FILE")
			}
			return d.ask(cmd.Context(), func(b answer.Book, _ string) error { return d.backup(cmd.Context(), b, file) })
		},
	}
	cmd.Flags().StringVarP(&file, "output", "o", "", "write to the new file `FILE`")
	d.jsonFlag(cmd)
	return cmd
}

// copied is a backup as JSON shows it.
type copied struct {
	File        string `json:"file"`
	Bytes       int64  `json:"bytes"`
	Runs        int    `json:"runs"`
	Entries     int64  `json:"entries"`
	VerifierKey string `json:"verifier_key"`
}

func (d *desk) backup(ctx context.Context, b answer.Book, file string) error {
	f, err := durable.Create(file, 0o600)
	if err != nil {
		return fault.New("back up", file, cause(err)).WithHint("name a file that is not there yet, in a folder that is")
	}
	defer f.Abandon()
	p := screen.NewProgress(d.stderr, "backup")
	defer p.Done()
	done := copied{File: file}
	key := ""
	p.Step("copying")
	err = b.Backup(ctx, func(size int64, verifierKey string) (io.Writer, error) {
		key = verifierKey
		return tally{f, file, &done.Bytes, func(n int64) { p.Set(n, size) }}, nil
	})
	if err != nil {
		return err
	}
	p.Step("checking")
	wrong := d.listing()
	n, err := collect.CheckFile(ctx, f.Place(), key, wrong.add, p.Set)
	p.Done()
	if err != nil {
		return err
	}
	if wrong.n > 0 {
		return screen.Exit(screen.NotProved, fault.New("back up", file, fmt.Errorf("the copy does not pass its check, %s wrong, and is not kept", things(wrong.n))).
			WithHint("look at the archive itself: collector check"))
	}
	if err := f.Commit(); err != nil {
		return fault.New("back up", file, cause(err))
	}
	done.Runs, done.Entries, done.VerifierKey = n.Runs, n.Entries, n.VerifierKey
	if d.json {
		return screen.JSON(d.stdout, done)
	}
	_, err = fmt.Fprintf(d.stdout, "%s: %s, %s of the trail, %s, checked; the trail's private key is not in it\n",
		screen.Clean(file), screen.Count(n.Runs, "run"), screen.Many(int(n.Entries), "entry", "entries"), screen.Bytes(done.Bytes))
	return err
}

// tally counts what is written of a file.
type tally struct {
	w    io.Writer
	file string
	n    *int64
	tell func(int64)
}

func (c tally) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	*c.n += int64(n)
	c.tell(*c.n)
	if err != nil {
		err = fault.New("back up", c.file, cause(err))
	}
	return n, err
}

// listing prints findings as they come, on standard error.
type listing struct {
	d *desk
	n int
}

func (d *desk) listing() *listing { return &listing{d: d} }

func (l *listing) add(where, what string) {
	l.n++
	fmt.Fprintf(l.d.stderr, "%s: %s\n", screen.Clean(where), screen.Clean(what))
}

func things(n int) string { return screen.Many(n, "thing is", "things are") }
