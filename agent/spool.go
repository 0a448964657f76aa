package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"witnessmark/internal/capture"
	"witnessmark/internal/collect"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/spool"
)

func spoolCommand(s *session) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "spool",
		Short:   "List the runs that wait for a collector",
		Example: "  agent spool\n  agent spool send",
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			sp, err := s.openSpool()
			if err != nil {
				return err
			}
			items, err := sp.Pending()
			return errors.Join(s.printSpool(items), err)
		},
	}
	s.jsonFlag(cmd)
	cmd.AddCommand(spoolSendCommand(s))
	return cmd
}

// waiting is a spooled run as JSON shows it.
type waiting struct {
	ID           string `json:"id"`
	Rig          string `json:"rig"`
	Workload     string `json:"workload"`
	Destination  string `json:"destination"`
	RecordSHA256 string `json:"record_sha256"`
	Bytes        int64  `json:"bytes"`
}

func (s *session) printSpool(items []spool.Item) error {
	list := []waiting{}
	for _, it := range items {
		w := waiting{ID: it.ID, Destination: it.Destination, RecordSHA256: fmt.Sprintf("%x", it.Signed.SHA256()), Bytes: int64(len(it.Signed.Bytes))}
		for _, a := range it.Attachments {
			w.Bytes += a.Size
		}
		if r, err := record.Decode(it.Signed.Bytes); err == nil {
			w.Rig, w.Workload = r.Rig, r.Workload.Name
		}
		list = append(list, w)
	}
	if s.json {
		return screen.JSON(s.stdout, struct {
			Spooled []waiting `json:"spooled"`
		}{list})
	}
	if len(list) == 0 {
		screen.Warn(s.stderr, "agent", "no run waits")
		return nil
	}
	t := screen.NewTable("run", "rig", "workload", "for", "size")
	for _, w := range list {
		t.Row(w.ID, w.Rig, w.Workload, w.Destination, screen.Bytes(w.Bytes))
	}
	return t.Write(s.stdout)
}

func spoolSendCommand(s *session) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "send",
		Short: "Deliver the runs that wait",
		Long: `Deliver the runs that wait, each to the collector it was meant for. With
--collector only the runs for that collector are sent.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			sp, err := s.openSpool()
			if err != nil {
				return err
			}
			return s.sendAll(cmd.Context(), sp)
		},
	}
	return cmd
}

func (s *session) sendAll(ctx context.Context, sp *spool.Spool) error {
	if err := s.recoverSpooled(sp); err != nil {
		screen.Fail(s.stderr, "agent", err)
	}
	items, err := sp.Pending()
	errs := []error{err}
	done := map[string]bool{}
	for _, it := range items {
		d := it.Destination
		if done[d] || (s.collector != "" && d != s.collector) {
			continue
		}
		done[d] = true
		err := s.flush(ctx, sp, d, func(it spool.Item, got delivered) {
			if got.err == nil {
				fmt.Fprintf(s.stdout, "%s delivered, entry %d of the trail\n", it.ID, got.reply.Receipt.Index)
			} else {
				screen.Fail(s.stderr, "agent", got.err)
				errs = append(errs, screen.Exit(screen.Failed, nil))
			}
		})
		if err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// recoverSpooled finishes what a killed agent left.
func (s *session) recoverSpooled(sp *spool.Spool) error {
	path, err := s.path("key.pem")
	if err != nil {
		return err
	}
	key, err := collect.LoadKey(path, true)
	if err != nil {
		return err
	}
	runs, err := (&capture.Rig{Key: key, Spool: sp}).Recover()
	for _, r := range runs {
		screen.Warn(s.stderr, "agent", "run "+r.ID+" was finished from what a stopped agent had left")
	}
	return err
}
