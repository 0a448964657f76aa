package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
)

func rigsCommand(d *desk) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rigs",
		Short: "List the rigs: what they are now, their last runs and the setups that have a mark",
		Long: `List the rigs: what they are now, their last runs and the setups that have a mark.
A rig whose agent beats shows when it was last heard of, how it stands now, with no
run, and below it what is flagged, what moved, and what waits to be delivered.`,
		Example: "  collector rigs\n  collector rigs --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				rigs, err := b.Rigs(cmd.Context())
				if err != nil {
					return err
				}
				state, err := b.State(cmd.Context())
				if err != nil {
					return err
				}
				if d.json {
					return printRigsJSON(d, rigs, state)
				}
				if err := printRigs(d, rigs, where); err != nil {
					return err
				}
				return printState(d, rigs, state)
			})
		},
	}
	d.jsonFlag(cmd)
	return cmd
}

func printRigsJSON(d *desk, rigs []answer.RigSummary, state answer.State) error {
	l := screen.NewList(d.stdout, "rigs")
	for _, r := range rigs {
		l.Add(r.Row())
	}
	if state != (answer.State{}) { // nobody there to say, or one too old to
		l.Beside("collector", state.Row())
	}
	return l.End(nil)
}

// printState tells of a collector that takes no deliveries, and what waits for it.
func printState(d *desk, rigs []answer.RigSummary, s answer.State) error {
	if s.Refusing == "" {
		return nil
	}
	line := "no deliveries are taken"
	if !s.Since.IsZero() {
		line += " since " + screen.At(s.Since)
	}
	runs, at := 0, 0
	for _, r := range rigs {
		if r.Beat != nil && r.Beat.Waiting.Runs > 0 {
			runs, at = runs+r.Beat.Waiting.Runs, at+1
		}
	}
	if runs > 0 {
		line += fmt.Sprintf("; %d runs wait at %d rigs", runs, at)
	}
	_, err := fmt.Fprintf(d.stdout, "%s: %s\nhint: %s\n", line, screen.Clean(s.Refusing), screen.Clean(s.Hint))
	return err
}

func printRigs(d *desk, rigs []answer.RigSummary, where string) error {
	if len(rigs) == 0 {
		d.nothing("rigs", where)
		return nil
	}
	head := []string{"runs", "marks", "last run", "started (UTC)", "standing", "setup", ""}
	beats := slices.ContainsFunc(rigs, func(r answer.RigSummary) bool { return r.Beat != nil })
	if beats {
		head = append([]string{"last beat", "now", "declared"}, head...)
	}
	t := screen.NewTable(append([]string{"rig"}, head...)...)
	for _, r := range rigs {
		row := []string{r.Name}
		if beats {
			row = append(row, beatCells(r.Beat, d.now())...)
		}
		t.Row(append(row, runCells(r)...)...)
		for _, line := range beatLines(r.Beat) {
			t.Tail(line)
		}
	}
	return t.Write(d.stdout)
}

func runCells(r answer.RigSummary) []string {
	var marks []string
	for _, m := range r.MarkedSetups {
		marks = append(marks, setupName(m))
	}
	played := ""
	if r.Played || r.Beat != nil && r.Beat.Played != "" {
		played = "played"
	}
	if r.Runs == 0 {
		return []string{"0", orDash(strings.Join(marks, ", ")), "-", "-", "-", "-", played}
	}
	return []string{strconv.Itoa(r.Runs), orDash(strings.Join(marks, ", ")),
		short(r.LastRun), screen.At(r.LastStarted), r.LastStanding, setupName(r.LastSetup), played}
}

// beatCells tells when the rig was last heard of, and what it is now.
func beatCells(b *answer.Beat, now time.Time) []string {
	switch {
	case b == nil:
		return []string{"-", "-", "-"}
	case b.Silent:
		return []string{"silent since " + screen.At(b.Came), string(b.Judgement.Standing), setupName(b.Setup)}
	}
	return []string{max(0, now.Sub(b.Came)).Round(time.Second).String() + " ago", string(b.Judgement.Standing), setupName(b.Setup)}
}

// beatLines tells what is not as it should be: flags that are more than notes,
// facts that moved and are not flagged for that, and what the agent cannot do.
func beatLines(b *answer.Beat) (out []string) {
	if b == nil {
		return nil
	}
	moved := map[rig.Key]bool{}
	for _, f := range b.Judgement.Flags {
		if f.Weight > rig.Note {
			moved[f.Fact] = moved[f.Fact] || f.Kind == drift.Moved
			out = append(out, fmt.Sprintf("%s: %s %s: %s, expected %s", f.Weight, f.Kind, f.Fact, screen.Value(f.Seen, f.Unit), orDash(screen.Value(f.Expected, f.Unit))))
		}
	}
	for _, m := range b.Moved {
		if !moved[m.Fact] {
			out = append(out, fmt.Sprintf("moved: %s: %s, was %s in %s; since %s", m.Fact, screen.Value(m.Now, m.Unit), screen.Value(m.Was, m.Unit), m.Against, screen.At(m.Since)))
		}
	}
	if n := b.Waiting.Runs; n > 0 {
		out = append(out, fmt.Sprintf("waiting: %d not yet delivered, the oldest of %s", n, screen.At(b.Waiting.Oldest)))
	}
	for _, t := range b.Troubles {
		out = append(out, fmt.Sprintf("trouble: %s; since %s", t.What, screen.At(t.Since)))
	}
	return out
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
