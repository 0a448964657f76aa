package main

import (
	"crypto/ed25519"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/screen"
)

func rekeyCommand(s *session) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rekey",
		Short: "Put another key in the place of this rig's",
		Long: `Put another key in the place of this rig's, which signs its records and is known
to its collectors. The present key signs that the other comes after it, and every
collector that the rig is enrolled with admits it; until the last one has, the
present key goes on being used, and the command may be given again. What was signed
before stays good, and is delivered if it still waits.

An agent serve that runs goes over to the new key within seconds, and finishes by
itself what this command has left waiting.`,
		Example: "  agent rekey",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			dir, err := s.path("")
			if err != nil {
				return err
			}
			ids, err := collect.RotateKey(cmd.Context(), dir)
			if err != nil {
				return inState(err)
			}
			return screen.Rekeyed(s.stdout, ids, s.json)
		},
	}
	s.jsonFlag(cmd)
	return cmd
}

func publicOf(key ed25519.PrivateKey) ed25519.PublicKey { return key.Public().(ed25519.PublicKey) }
