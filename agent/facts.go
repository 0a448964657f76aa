package main

import (
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
)

func factsCommand(s *session) *cobra.Command {
	var save string
	var plain bool
	var window time.Duration
	cmd := &cobra.Command{
		Use:   "facts",
		Short: "Print what the machine says of itself",
		Long: `Print every fact the machine gives, or why it could not be read.

Serial numbers and identities are printed as hashes; --plain shows them.
--save DIR captures the files that facts are read from, so that a colleague
can look at the rig's state with --root DIR.`,
		Example: "  agent facts\n  agent facts --save heron-today\n  agent facts --root heron-today --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case window < 0:
				return screen.Misuse("0 does not watch", "--idle-window %v: it takes a time of 0 or more", window)
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
			if s.json {
				return screen.JSON(s.stdout, struct {
					Facts []rig.Fact `json:"facts"`
				}{snap.Facts})
			}
			return screen.Facts(s.stdout, snap.Facts)
		},
	}
	s.rootFlag(cmd)
	s.jsonFlag(cmd)
	cmd.Flags().StringVar(&save, "save", "", "capture the files into the new folder `DIR` instead of printing")
	cmd.Flags().BoolVar(&plain, "plain", false, "do not hash serial numbers and identities")
	cmd.Flags().DurationVar(&window, "idle-window", time.Second, "watch for `TIME` how idle the machine is; 0 does not watch")
	return cmd
}
