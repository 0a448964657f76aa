package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/screen"
)

func comparableCommand(d *desk) *cobra.Command {
	var to string
	var vary, follows, include []string
	var all bool
	cmd := &cobra.Command{
		Use:   "comparable",
		Short: "List the runs that may still stand beside one run, and what spoils the others",
		Long: `List the runs that may still stand beside one run, and what spoils the others.

Runs of the same workload and version, of any rig and time, are held against it as
a comparison would. With --vary that fact may differ, and what follows from it;
without it, a run that one fact alone sets apart is listed with that fact.
Configurations are looked at once each; the last word has: collector compare.`,
		Example: "  collector comparable --to k7q2m9xd\n  collector comparable --to k7q2m9xd --vary memory.speed --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var terms compare.Terms
			for _, w := range vary {
				k, err := factOf("--vary", w)
				if err != nil {
					return err
				}
				terms.Vary = append(terms.Vary, k)
			}
			for _, w := range follows {
				k, err := factOf("--follows", w)
				if err != nil {
					return err
				}
				terms.Follows = append(terms.Follows, k)
			}
			o := answer.LoadOptions{}
			caution, err := (&pick{include: include}).caution()
			if err != nil {
				return err
			}
			if caution {
				o.Include = []drift.Standing{drift.Careful}
			}
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				c, err := answer.StandBeside(cmd.Context(), b, to, terms, o)
				if err != nil {
					return err
				}
				if d.json {
					return screen.JSON(d.stdout, c)
				}
				return printComparable(d.stdout, c, all)
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&to, "to", "", "the `RUN` to stand beside, by its id or the letters that listings show")
	f.StringSliceVar(&vary, "vary", nil, "the `FACT` that is meant to differ; more of them apart by commas")
	f.StringSliceVar(&follows, "follows", nil, "a `FACT` that follows from it, beside those that are known to")
	f.StringSliceVar(&include, "include", nil, "look at runs of a `STANDING` that is not clean: caution")
	f.BoolVar(&all, "all", false, "list every fact that spoils, and not only the first")
	cmd.MarkFlagRequired("to")
	d.jsonFlag(cmd)
	return cmd
}

func printComparable(w io.Writer, c compare.Comparable, all bool) error {
	p := printer{w: w}
	runs := func(ss []compare.Stand) (n int) {
		for _, s := range ss {
			n += len(s.Kin.Runs)
		}
		return n
	}
	p.line("beside run %s of %s on %s: %s may stand, %s not", short(c.To.ID), screen.Named(c.To.Workload, c.To.WorkloadVersion), c.To.Rig,
		screen.Count(runs(c.Stands), "run"), strconv.Itoa(runs(c.Spoilt)))
	if c.JSON().Played {
		p.line("played: runs among them were made up and not measured")
	}
	if len(c.Stands) > 0 {
		t := screen.NewTable("may stand", "setup", "factor", "differs", "runs", "first (UTC)", "last (UTC)", "")
		for _, s := range c.Stands {
			t.Row(s.Run.Rig, setupName(s.Run.Setup), orDash(string(s.For)), factorDiffers(s), strconv.Itoa(len(s.Kin.Runs)), screen.At(s.First), screen.At(s.Last), shorts(s.Kin.Runs))
		}
		p.line("")
		p.table(t)
	}
	p.spoilers(c, all)
	if len(c.Spoilt) > 0 {
		t := screen.NewTable("may not", "setup", "runs", "first (UTC)", "last (UTC)", "because")
		for _, s := range c.Spoilt {
			t.Row(s.Run.Rig, setupName(s.Run.Setup), strconv.Itoa(len(s.Kin.Runs)), screen.At(s.First), screen.At(s.Last), because(s))
		}
		p.line("")
		p.table(t)
	}
	for _, l := range c.LeftOut {
		p.line("left out, %s: %s: %s", l.Why, screen.Count(len(l.Runs), "run"), shorts(l.Runs))
	}
	return p.err
}

// factorDiffers says what the factor is on both sides.
func factorDiffers(s compare.Stand) string {
	list := s.Factor
	if !s.Named {
		list = s.NotControlled
	}
	for _, d := range list {
		if d.Fact == s.For {
			return d.Side(d.Base) + ", there " + d.Side(d.Against)
		}
	}
	return "nothing"
}

// because names what spoils, a few facts of it.
func because(s compare.Stand) string {
	const few = 3
	var out []string
	all := s.Spoiling()
	for _, d := range all[:min(few, len(all))] {
		out = append(out, fmt.Sprintf("%s is %s, there %s", d.Fact, d.Side(d.Base), d.Side(d.Against)))
	}
	if more := len(all) - few; more > 0 {
		out = append(out, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(out, "; ")
}

// spoilers lists the facts that spoil most; unless all are wanted, a few of those
// that nothing else explains.
func (p *printer) spoilers(c compare.Comparable, all bool) {
	if len(c.Spoilers) == 0 {
		return
	}
	const few = 10
	t := screen.NewTable("what spoils most", "runs", "configurations", "")
	for _, s := range c.Spoilers {
		if !all && (s.Follows != "" || t.Len() == few) {
			continue
		}
		remark := ""
		if s.Unknown > 0 {
			remark = fmt.Sprintf("not read in %d", s.Unknown)
		}
		if s.Follows != "" {
			remark = strings.TrimPrefix(remark+"; follows from "+string(s.Follows), "; ")
		}
		t.Row(string(s.Fact), strconv.Itoa(s.Runs), strconv.Itoa(s.Configurations), remark)
	}
	p.line("")
	p.table(t)
	if more := len(c.Spoilers) - t.Len(); more > 0 {
		p.line("and %s, or what follows from these: add --all", screen.Many(more, "other fact", "other facts"))
	}
}
