package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/compare"
	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
)

func coverageCommand(d *desk) *cobra.Command {
	var next bool
	cmd := &cobra.Command{
		Use:   "coverage PLAN",
		Short: "Hold a plan against what was run: done, void, stale or missing, and what is next",
		Long: `Hold a plan against what was run: done, void, stale or missing, and what is next.

A plan is a TOML file. Lists in a [[cell]] are crossed:

  name        = "dome-memory"
  stale_after = "90d"             # older runs are to be made again
  include     = "clean"           # or "caution": runs under caution count too
  rounds      = 2                 # visits to each setup, there and back
  repeats     = 6                 # for cells that say nothing else
  [[cell]]
  workload = ["orrery", "dome-encode"]
  version  = "3"                  # without it the newest that was run
  rig      = "heron"
  setup    = ["memory-default", "memory-rated"]

A run is stale, too, when its rig's newest run in the setup was made under a
configuration that differs in a fact that weighs as caution or more.

It ends with code 3 while something is missing.`,
		Example: "  collector coverage dome-memory.toml\n  collector coverage dome-memory.toml --next",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			data, err := os.ReadFile(args[0])
			if err != nil {
				return unreadable(args[0], err)
			}
			p, err := setup.ParsePlan(args[0], data)
			if err != nil {
				return err
			}
			return d.ask(cmd.Context(), func(b answer.Book, _ string) error {
				c, err := answer.Cover(cmd.Context(), b, p, d.now())
				if err != nil {
					return err
				}
				return printCoverage(d, c, next)
			})
		},
	}
	cmd.Flags().BoolVar(&next, "next", false, "print what to run next, and nothing else")
	d.jsonFlag(cmd)
	return cmd
}

func unreadable(path string, err error) error {
	hint := "name a plan file; see its form with: collector coverage --help"
	if errors.Is(err, fs.ErrPermission) {
		hint = "it needs rights to read it"
	}
	return fault.New("plan file", path, cause(err)).WithHint(hint)
}

func printCoverage(d *desk, c compare.Coverage, next bool) error {
	err := error(nil)
	p := printer{w: d.stdout}
	switch {
	case d.json && next:
		err = screen.JSON(d.stdout, struct {
			Complete bool               `json:"complete"`
			Next     *compare.VisitJSON `json:"next"`
		}{c.Complete(), c.JSON().Next})
	case d.json:
		err = screen.JSON(d.stdout, c)
	case next:
		p.line("%s", nextWords(c))
	default:
		p.covered(c)
	}
	if err = errors.Join(err, p.err); err == nil && !c.Complete() {
		return screen.Exit(screen.Flagged, nil)
	}
	return err
}

// nextWords says what to run next.
func nextWords(c compare.Coverage) string {
	v := c.Next
	if v == nil {
		return "nothing is left to run"
	}
	s := fmt.Sprintf("run %s of %s on %s in setup %s", screen.Count(v.Repeats, "repeat"), screen.Named(v.Workload, v.Version), v.Rig, setupName(v.Setup))
	if v.Reconfigure {
		s += ", which is in setup " + setupName(v.From)
	}
	return s + fmt.Sprintf(" (round %d of %d)", v.Round, v.Rounds)
}

func (p *printer) covered(c compare.Coverage) {
	j := c.JSON()
	words := "complete"
	if !j.Complete {
		words = screen.Count(j.Missing, "repeat") + " to be made"
	}
	p.line("%s: %s", j.Plan, words)
	t := screen.NewTable("workload", "rig", "setup", "state", "planned", "done", "void", "stale", "caution", "missing", "")
	caution := 0
	for _, x := range j.Cells {
		t.Row(screen.Named(x.Workload, x.Version), x.Rig, setupName(x.Setup), x.State, strconv.Itoa(x.Repeats), strconv.Itoa(len(x.Done)),
			strconv.Itoa(len(x.Void)), strconv.Itoa(len(x.Stale)), strconv.Itoa(len(x.Caution)), strconv.Itoa(x.Missing), strings.Join(x.StaleBecause, "; "))
		caution += min(len(x.Caution), x.Missing)
	}
	p.line("")
	p.table(t)
	if caution > 0 {
		p.line("")
		p.line("%s under caution would count with include = \"caution\" in the plan; see why with: collector flags", screen.Count(caution, "run"))
	}
	p.line("")
	p.line("next: %s", nextWords(c))
}
