package main

import (
	"context"
	"fmt"
	"os"
	"os/user"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/screen"
)

func markCommand(d *desk) *cobra.Command {
	var by, why string
	var list bool
	cmd := &cobra.Command{
		Use:   "mark RUN",
		Short: "Accept a run's configuration as the reference for its rig and setup",
		Long: `Accept the configuration before a run as the reference for its rig and setup.
From then on a fact that differs from it is flagged as moved. The last mark
accepted is in force; earlier ones stay in the trail. Say why in a few words: it
is kept with the mark for whoever asks in a year.`,
		Example: "  collector mark k7q2m9xd --why \"after the new cooler, checked by hand\"\n  collector mark --list",
		Args: func(cmd *cobra.Command, args []string) error {
			if list {
				return cobra.NoArgs(cmd, args)
			}
			return cobra.ExactArgs(1)(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if list {
				return d.ask(cmd.Context(), func(b answer.Book, where string) error { return listMarks(cmd.Context(), d, b, where) })
			}
			if cmd.Flags().Changed("why") {
				if err := reason("mark", why); err != nil {
					return err
				}
			}
			if by == "" {
				by = userName()
			}
			return d.decide(cmd.Context(), func(b answer.Book, _ string) error {
				return acceptMark(cmd.Context(), d, b, args[0], by, strings.TrimSpace(why))
			})
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "the reason, kept in the trail, as `TEXT`")
	cmd.Flags().StringVar(&by, "by", "", "who accepts it, as `NAME` (default: the user's name)")
	cmd.Flags().BoolVar(&list, "list", false, "list the marks in force instead")
	d.jsonFlag(cmd)
	return cmd
}

// userName is what the system calls whoever runs this.
func userName() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	for _, v := range []string{"USER", "USERNAME"} {
		if s := os.Getenv(v); s != "" {
			return s
		}
	}
	return "unknown"
}

func acceptMark(ctx context.Context, d *desk, b answer.Book, id, by, why string) error {
	det, err := b.Show(ctx, id)
	if err != nil {
		return err
	}
	m, receipt, err := b.AcceptMark(ctx, det.Summary.ID, by, why)
	if err != nil {
		return err
	}
	if s := det.Summary.Judgement.Standing; s == drift.Voided {
		fmt.Fprintf(d.stderr, "note: the run itself is %s; only its configuration is the reference\n", s)
	}
	row := m.Row()
	row.Receipt = answer.ReceiptOf(receipt)
	if d.json {
		return screen.JSON(d.stdout, row)
	}
	setup := "without a setup"
	if m.Setup != "" {
		setup = "in setup " + m.Setup
	}
	_, err = fmt.Fprintf(d.stdout, "%s\n%s\n",
		screen.Clean(fmt.Sprintf("runs of %s %s are held against run %s from now on", m.Rig, setup, m.RunID)),
		screen.Receipt(row.Receipt))
	return err
}

func listMarks(ctx context.Context, d *desk, b answer.Book, where string) error {
	rigs, err := b.Rigs(ctx)
	if err != nil {
		return err
	}
	var marks []answer.Mark
	for _, r := range rigs {
		for _, s := range r.MarkedSetups {
			m, _, err := b.Mark(ctx, r.Name, s)
			if err != nil {
				return err
			}
			if m != nil {
				marks = append(marks, *m)
			}
		}
	}
	if d.json {
		l := screen.NewList(d.stdout, "marks")
		for _, m := range marks {
			l.Add(m.Row())
		}
		return l.End(nil)
	}
	if len(marks) == 0 {
		d.nothing("marks", where)
		return nil
	}
	t := screen.NewTable("rig", "setup", "run", "accepted (UTC)", "by", "why")
	for _, m := range marks {
		t.Row(m.Rig, setupName(m.Setup), m.RunID, screen.At(m.At), m.By, orDash(m.Why))
	}
	return t.Write(d.stdout)
}
