package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"

	"github.com/spf13/cobra"

	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
)

func followCommand(d *desk) *cobra.Command {
	var f collect.Following
	largest := screen.Size(deliver.DefaultLimits.Record + deliver.DefaultLimits.Parts)
	cmd := &cobra.Command{
		Use:   "follow HOST:PORT",
		Short: "Copy another collector's trail and records, check them, and serve the copy to be read",
		Long: `Copy another collector's trail and records as they come, and serve the copy to be
read: an off-site copy, and a witness of the other's trail. Each record is held
against its rig's signature and its entry, and each step against the head that the
collector signed. Heads that the copy has come to are signed with a key of its own,
which rigs and readers of dossiers can ask for.

A trail that was rolled back, forked or rewritten ends the copying: both signed heads
are kept as files, the copy goes on being read, and the exit code is 4. Once it is
explained, collector follow accept says so.

It follows as a member: log in first, as a witness of the collector that is
followed. By that certificate the copy is served to whoever may read there, who
names it with --collector and is told that it is a copy; nobody can write to it.
Who is a member, and who no longer, it knows from what it has copied. On its own
machine it is read with the same --state.

Prints the address it listens on as its one line of standard output, once it does.`,
		Example: "  collector follow dome.example:7410 --state /srv/dome-copy\n  collector follow 127.0.0.1:7410 --once",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if d.collector != "" {
				return screen.Misuse("leave --collector out; the address follows the command: collector follow HOST:PORT", "follow: it asks one collector only")
			}
			f.Source = args[0]
			if f.Dir == "" {
				dir, err := d.folder()
				if err != nil {
					return err
				}
				f.Dir = dir
			}
			if f.Once {
				f.Listen = ""
			}
			f.Limits = collect.LimitsFor(int64(largest))
			who, err := d.member()
			if err == nil {
				f.As, err = collect.WitnessAt(who, f.Source)
			}
			if err != nil {
				return err
			}
			return follow(cmd, d, f)
		},
	}
	cmd.Flags().StringVar(&f.Listen, "listen", "127.0.0.1:7411", "`HOST:PORT` to serve the copy at")
	cmd.Flags().StringVar(&f.Dir, "data", "", "the copy's folder `DIR` (default: archive in the state folder)")
	cmd.Flags().StringVar(&f.Key, "trail-key", "", "the `KEY` that must sign the trail's heads, as collector check shows it (default: that of the first meeting)")
	cmd.Flags().Var(&largest, "largest", "take runs of up to `SIZE`; more is needed where the followed collector's file lets rigs deliver more")
	cmd.Flags().BoolVar(&f.Once, "once", false, "copy what there is, serve nothing, and end")
	cmd.AddCommand(followAcceptCommand(d))
	return cmd
}

func follow(cmd *cobra.Command, d *desk, f collect.Following) error {
	log := slog.New(slog.NewTextHandler(d.stderr, nil))
	p := screen.NewProgress(d.stderr, "copying "+f.Source)
	f.Log = log
	f.Dial = func(address string) (*collect.Connection, error) {
		conn, err := d.dial(cmd.Context(), address)
		if errors.Is(err, collect.ErrStranger) {
			err = fault.New("follow", address, collect.ErrStranger).
				WithHint("have a keeper make a token with collector token --witness NAME, then: collector login --collector " + address + " --token TOKEN")
		}
		return conn, err
	}
	f.Progress = func(done, of int64) {
		p.Set(done, of)
		if done == of {
			p.Done()
		}
	}
	f.Ready = func(address string) {
		log.Info("serving", "address", address, "copy", f.Dir, "of", f.Source)
		fmt.Fprintln(d.stdout, address)
	}
	f.Witness = func(key string) { log.Info("signing heads as a witness", "key", key) }
	if member, err := d.member(); err == nil {
		ctx, enough := context.WithCancel(cmd.Context())
		defer enough()
		go collect.StayMember(ctx, member, f.Dial, log)
	}
	err := collect.Follow(cmd.Context(), f)
	p.Done()
	if errors.Is(err, audit.ErrAlarm) {
		return screen.Exit(screen.NotProved, err)
	}
	return err
}
