package main

import (
	"crypto/ed25519"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/trust"
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

An agent serve that runs connects with the new key by itself. It signs with the
earlier one, which stays good for that, until it is started anew. It also finishes
what this command has left, when it starts.`,
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
			return printRekeyed(s, ids)
		},
	}
	s.jsonFlag(cmd)
	return cmd
}

type rekeyedJSON struct {
	Collector string    `json:"collector"`
	Rig       string    `json:"rig"`
	Key       string    `json:"key"`
	Until     time.Time `json:"until"`
}

func printRekeyed(s *session, ids []trust.Identity) error {
	if s.json {
		list := screen.NewList(s.stdout, "collectors")
		for _, id := range ids {
			list.Add(rekeyedJSON{id.Collector, id.Name, record.Fingerprint(publicOf(id)), id.Leaf.NotAfter})
		}
		return list.End(nil)
	}
	for _, id := range ids {
		if _, err := fmt.Fprintf(s.stdout, "%s at %s has key %s from now on\n", screen.Clean(id.Member.String()), screen.Clean(id.Collector), record.Fingerprint(publicOf(id))); err != nil {
			return err
		}
	}
	return nil
}

func publicOf(id trust.Identity) ed25519.PublicKey { return id.Key.Public().(ed25519.PublicKey) }
