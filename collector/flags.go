package main

import (
	"errors"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
)

func flagsCommand(d *desk) *cobra.Command {
	var c choice
	var w wanted
	var o onward
	cmd := &cobra.Command{
		Use:   "flags",
		Short: "List what was found about runs, those of the newest run first",
		Long: `List what was found about runs: facts that are not as declared, as rated, or as
they were. The flags of the newest run come first, of each run the heaviest.

With --follow it prints a line for each flag as it is found, of runs that are kept
and of what rigs are now by their beats, and goes on where it was when the collector
is away for a time. With --json each line is an object; its place, given to --after,
goes on from there another day. Ctrl-C ends it, with exit code 0.`,
		Example: "  collector flags --follow --weight caution\n  collector flags --rig heron --since 30d --fact memory\n  collector flags --kind moved --weight caution --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			q, err := c.resolve(d.now())
			if err == nil {
				err = w.resolve()
			}
			if err == nil {
				err = o.check(cmd)
			}
			if err != nil {
				return err
			}
			w.limit, q.Limit = q.Limit, 0
			if o.follow {
				return followFlags(cmd.Context(), d, o, q, w)
			}
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				each := func(f func(answer.FlagRow) error) error {
					return b.Runs(cmd.Context(), q, func(s answer.Summary) error { return w.pass(s.FlagRows(), f) })
				}
				if d.json {
					l := screen.NewList(d.stdout, "flags")
					return l.End(enough(each(func(f answer.FlagRow) error { return l.Add(f) })))
				}
				return printFlags(d, each, where)
			})
		},
	}
	c.flags(cmd, "no more than `N` flags")
	cmd.Flags().StringVar(&w.kind, "kind", "", "flags of one `KIND`: "+strings.Join(kinds, ", "))
	cmd.Flags().StringVar(&w.fact, "fact", "", "flags on the fact `KEY` or on the facts below it: memory.speed, memory, link")
	cmd.Flags().StringVar(&w.weight, "weight", "", "flags that weigh `WORD` or more: note, caution or void")
	o.flags(cmd)
	d.jsonFlag(cmd)
	return cmd
}

var kinds = []string{
	string(drift.Undeclared), string(drift.Underrated), string(drift.Moved), string(drift.Unsteady), string(drift.Unlike), string(drift.UnreadFact),
}

// wanted is the flags that choose flags.
type wanted struct {
	kind, fact, weight string
	least              rig.Weight
	limit              int // 0 for all
}

func (w *wanted) resolve() (err error) {
	if err = oneOf("--kind", w.kind, kinds...); err == nil {
		err = oneOf("--weight", w.weight, rig.Note.String(), rig.Caution.String(), rig.Void.String())
	}
	if err == nil && w.weight != "" {
		w.least, err = rig.ParseWeight(w.weight)
	}
	return err
}

func (w *wanted) fits(f drift.Flag) bool {
	return (w.kind == "" || w.kind == string(f.Kind)) && f.Weight >= w.least && (w.fact == "" || below(w.fact, f.Fact))
}

// below says whether the fact is the one named, of the family named, or has the
// name as its first words.
func below(name string, k rig.Key) bool {
	for _, s := range []string{string(k), string(k.Family())} {
		if rest, ok := strings.CutPrefix(s, name); ok && (rest == "" || rest[0] == '.' || rest[0] == '[') {
			return true
		}
	}
	return false
}

var errEnough = errors.New("the limit is reached")

// enough takes the reached limit for what it is.
func enough(err error) error {
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

// pass hands on the wanted ones and ends with errEnough at the limit.
func (w *wanted) pass(rows []answer.FlagRow, f func(answer.FlagRow) error) error {
	for _, r := range rows {
		if !w.fits(r.Flag) {
			continue
		}
		if err := f(r); err != nil {
			return err
		}
		if w.limit--; w.limit == 0 {
			return errEnough
		}
	}
	return nil
}

func printFlags(d *desk, each func(func(answer.FlagRow) error) error, where string) error {
	t := screen.NewTable("weight", "kind", "fact", "seen", "expected", "run", "started (UTC)", "rig", "workload", "setup", "evidence")
	err := each(func(f answer.FlagRow) error {
		evidence := f.Evidence
		if f.Played != "" {
			evidence = "played; " + evidence
		}
		if f.Retracted != "" {
			evidence = "run retracted: " + f.Retracted + "; " + evidence
		}
		t.Row(f.Weight.String(), string(f.Kind), string(f.Fact), screen.Value(f.Seen, f.Unit), orDash(screen.Value(f.Expected, f.Unit)),
			short(f.Run), screen.At(f.Started), f.Rig, f.Workload, setupName(f.Setup), evidence)
		return nil
	})
	if err = enough(err); err != nil {
		return err
	}
	if t.Len() == 0 {
		d.nothing("such flags", where)
		return nil
	}
	return t.Write(d.stdout)
}
