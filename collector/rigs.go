package main

import (
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/screen"
)

func rigsCommand(d *desk) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "rigs",
		Short:   "List the rigs with their last runs and the setups that have a mark",
		Long:    "List the rigs with their last runs and the setups that have a mark.",
		Example: "  collector rigs\n  collector rigs --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				rigs, err := b.Rigs(cmd.Context())
				if err != nil {
					return err
				}
				if d.json {
					return printRigsJSON(d, rigs)
				}
				return printRigs(d, rigs, where)
			})
		},
	}
	d.jsonFlag(cmd)
	return cmd
}

func printRigsJSON(d *desk, rigs []answer.RigSummary) error {
	l := screen.NewList(d.stdout, "rigs")
	for _, r := range rigs {
		l.Add(r.Row())
	}
	return l.End(nil)
}

func printRigs(d *desk, rigs []answer.RigSummary, where string) error {
	if len(rigs) == 0 {
		d.nothing("rigs", where)
		return nil
	}
	t := screen.NewTable("rig", "runs", "marks", "last run", "started (UTC)", "standing", "setup", "")
	for _, r := range rigs {
		var marks []string
		for _, m := range r.MarkedSetups {
			marks = append(marks, setupName(m))
		}
		played := ""
		if r.Played {
			played = "played"
		}
		t.Row(r.Name, strconv.Itoa(r.Runs), orDash(strings.Join(marks, ", ")),
			short(r.LastRun), screen.At(r.LastStarted), r.LastStanding, setupName(r.LastSetup), played)
	}
	return t.Write(d.stdout)
}

// setupName is how a setup's label stands in a table.
func setupName(label string) string {
	if label == "" {
		return "(none)"
	}
	return label
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// short is the part of a run's id that names it beside its start: the letters
// after the last dash.
func short(id string) string { return id[strings.LastIndexByte(id, '-')+1:] }
