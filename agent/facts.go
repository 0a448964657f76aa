package main

import (
	"cmp"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
)

func factsCommand(s *session) *cobra.Command {
	var save string
	var plain, why bool
	var window time.Duration
	cmd := &cobra.Command{
		Use:   "facts",
		Short: "Print what the machine says of itself",
		Long: `Print every fact the machine gives, or why it could not be read.

Serial numbers and identities are printed as hashes; --plain shows them.
--why lists only the facts that could not be read, those first that a right would
let the agent read, and names it. Nothing else needs that right: without it the
agent measures all the same, and says what it did not see.
--save DIR captures the files that facts are read from, so that a colleague
can look at the rig's state with --root DIR.`,
		Example: "  agent facts\n  agent facts --why\n  agent facts --save heron-today\n  agent facts --root heron-today --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case window < 0:
				return screen.Misuse("0 does not watch", "--idle-window %v: it takes a time of 0 or more", window)
			case save != "" && why:
				return screen.Misuse("capture first, then ask with --root", "--save captures files and prints nothing, and --why is given")
			case save != "" && s.json:
				return screen.Misuse("capture first, then print with --root", "--save captures files and prints nothing, and --json is given")
			}
			tree, err := s.tree()
			if err != nil {
				return err
			}
			defer tree.Close()
			if save != "" {
				return probe.Save(cmd.Context(), tree, save, plain)
			}
			snap := probe.Snapshot(cmd.Context(), tree, probe.Options{Plain: plain, Window: window})
			if err := cmd.Context().Err(); err != nil {
				return err
			}
			if why {
				snap.Facts = unread(snap.Facts)
			}
			if s.json {
				return screen.JSON(s.stdout, struct {
					Facts []rig.Fact `json:"facts"`
				}{snap.Facts})
			}
			if why {
				return screen.Unread(s.stdout, snap.Facts)
			}
			return screen.Facts(s.stdout, snap.Facts)
		},
	}
	s.rootFlag(cmd)
	s.jsonFlag(cmd)
	cmd.Flags().StringVar(&save, "save", "", "capture the files into the new folder `DIR` instead of printing")
	cmd.Flags().BoolVar(&why, "why", false, "only what could not be read, why, and what would let it be read")
	cmd.Flags().BoolVar(&plain, "plain", false, "do not hash serial numbers and identities")
	cmd.Flags().DurationVar(&window, "idle-window", time.Second, "watch for `TIME` how idle the machine is; 0 does not watch")
	return cmd
}

// unread gives the facts without a value, those first that a right is missing for.
func unread(facts []rig.Fact) []rig.Fact {
	out := slices.DeleteFunc(slices.Clone(facts), rig.Fact.Read)
	slices.SortStableFunc(out, func(a, b rig.Fact) int {
		return cmp.Compare(denied(b), denied(a))
	})
	return append([]rig.Fact{}, out...)
}

func denied(f rig.Fact) int {
	if f.Unread.Reason == rig.Denied {
		return 1
	}
	return 0
}
