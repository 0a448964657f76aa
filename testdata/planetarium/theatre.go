package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/labtest/play"
	"witnessmark/internal/screen"
	"witnessmark/internal/spool"
)

// theatre is what one call has: where it plays, and who watches.
type theatre struct {
	stdout, stderr         io.Writer
	collector, state, data string

	dir         string // the state folder
	destination string
	spool       *spool.Spool
	conn        *collect.Connection
}

// play plays a scenario from its first block to its last.
func (t *theatre) play(ctx context.Context, file string) (err error) {
	p, err := play.Load(file)
	if err != nil {
		return err
	}
	defer p.Close()
	if err := t.open(ctx); err != nil {
		return err
	}
	defer func() {
		if e := t.conn.Close(); err == nil {
			err = e
		}
	}()
	for _, b := range p.Blocks {
		if err := t.block(ctx, b, len(p.Blocks)); err != nil {
			return err
		}
	}
	return nil
}

// open finds the state folder and connects.
func (t *theatre) open(ctx context.Context) error {
	t.destination = cmp.Or(t.collector, os.Getenv("WITNESSMARK_COLLECTOR"), spool.Embedded)
	var err error
	if t.dir, err = collect.StateFolder(cmp.Or(t.state, os.Getenv("WITNESSMARK_STATE"))); err != nil {
		return err
	}
	if t.spool, err = spool.Open(filepath.Join(t.dir, "spool")); err != nil {
		return err
	}
	if t.destination == spool.Embedded {
		t.conn, err = collect.Embedded(ctx, filepath.Join(t.dir, "archive"), slog.New(slog.DiscardHandler))
	} else {
		t.conn, err = collect.DialOwner(t.destination, t.data)
	}
	return err
}

// block plays one block and prints its line.
func (t *theatre) block(ctx context.Context, b *play.Block, of int) error {
	progress := screen.NewProgress(t.stderr, fmt.Sprintf("block %d of %d", b.Number, of))
	defer progress.Done()
	progress.Step(b.Name())
	var done int64
	var last labtest.Run
	for run, err := range b.Runs(ctx) {
		if err == nil {
			err = t.run(ctx, run)
		}
		if err != nil {
			return err
		}
		last = run
		done++
		progress.Set(done, int64(b.Count()))
	}
	progress.Done()
	_, err := fmt.Fprintf(t.stdout, "played %s: %s, %s to %s UTC\n",
		screen.Clean(b.Name()), screen.Count(b.Count(), "run"), screen.At(b.At), screen.At(last.Started))
	return err
}

// run spools one run, delivers it, and keeps its receipt. It is delivered also
// when the spool has its receipt: the collector may be another one.
func (t *theatre) run(ctx context.Context, run labtest.Run) error {
	if err := t.spool.Put(run.Item(t.destination), run.Openers()); err != nil {
		return err
	}
	reply, err := deliver.Send(ctx, t.conn, run.Signed, run.Parts())
	if err != nil {
		return fault.New("play run", run.ID, err)
	}
	receipt, err := json.Marshal(answer.ReceiptOf(reply.Receipt))
	if err != nil {
		return err
	}
	return t.spool.Done(run.ID, receipt)
}
