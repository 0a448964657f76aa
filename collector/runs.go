package main

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
)

func runsCommand(d *desk) *cobra.Command {
	var c choice
	cmd := &cobra.Command{
		Use:   "runs",
		Short: "List runs, newest first",
		Long: `List runs, newest first.

A run is named by the letters in the first column; its whole id, which begins
with its start, is in --json and in: collector show.`,
		Example: "  collector runs --workload orrery --setup memory-rated\n  collector runs --rig heron --since 7d --standing clean --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			q, err := c.resolve(d.now())
			if err != nil {
				return err
			}
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				if d.json {
					l := screen.NewList(d.stdout, "runs")
					err := b.Runs(cmd.Context(), q, func(s answer.Summary) error { return l.Add(s.Brief()) })
					return l.End(err)
				}
				t := screen.NewTable("run", "started (UTC)", "rig", "workload", "setup", "standing", "flags", "frames/s", "p99 ms", "")
				if err := b.Runs(cmd.Context(), q, func(s answer.Summary) error { runRow(t, s.Brief()); return nil }); err != nil {
					return err
				}
				if t.Len() == 0 {
					d.nothing("such runs", where)
					return nil
				}
				return t.Write(d.stdout)
			})
		},
	}
	c.flags(cmd, "no more than `N` runs")
	d.jsonFlag(cmd)
	return cmd
}

func runRow(t *screen.Table, r answer.Run) {
	t.Row(short(r.ID), screen.At(r.Started), r.Rig, screen.Named(r.Workload, r.WorkloadVersion), setupName(r.Setup), string(r.Standing),
		strconv.Itoa(len(r.Flags)), figure(r.Statistics.RateMean), figure(r.Statistics.FrametimeMS.P99), remarks(r))
}

// figure is a statistic in a table; one that was refused is a dash.
func figure(f *float64) string {
	if f == nil {
		return "-"
	}
	return screen.Significant(*f)
}

// remarks says what else is to be known of a run at a glance.
func remarks(r answer.Run) string {
	var words []string
	if r.Retracted != nil {
		words = append(words, "retracted: "+r.Retracted.Why)
	}
	if r.Played != "" {
		words = append(words, "played")
	}
	if r.Outcome != record.Finished && r.Outcome != record.Taken {
		words = append(words, screen.Outcome(r))
	}
	for _, name := range slices.Sorted(maps.Keys(r.Results)) {
		v := r.Results[name]
		if v.Refused == "" {
			words = append(words, strings.TrimSpace(fmt.Sprintf("%s %s %s", name, v.Value, v.Unit)))
		}
	}
	return strings.Join(words, ", ")
}
