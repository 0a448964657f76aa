package main

import (
	"context"
	"io"
	"log/slog"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/probe"
	"witnessmark/internal/screen"
	"witnessmark/internal/spool"
)

// session is what all commands of one call share.
type session struct {
	stdout, stderr io.Writer
	place          screen.Place
	root           string // --root
	json           bool   // --json
}

func rootCommand(s *session) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "agent",
		Short:   "Record timed runs of this machine with its full configuration",
		Version: version,
	}
	s.place.Flags(cmd)
	cmd.AddCommand(factsCommand(s), checkCommand(s), runCommand(s), spoolCommand(s))
	return cmd
}

func (s *session) rootFlag(cmd *cobra.Command) {
	cmd.Flags().StringVar(&s.root, "root", "", "read the captured tree in `DIR` (with proc and sys in it), not this machine")
}

func (s *session) jsonFlag(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&s.json, "json", false, "print JSON")
}

// tree opens what facts are read from.
func (s *session) tree() (*probe.Tree, error) {
	if s.root != "" {
		return probe.CapturedTree(s.root)
	}
	return probe.LiveTree()
}

// destination names where records go, as the spool keeps it.
func (s *session) destination() string {
	if s.place.Collector == "" {
		return spool.Embedded
	}
	return s.place.Collector
}

// connect reaches a destination. The embedded archive stays open, and closed to
// other processes, until the connection is closed.
func (s *session) connect(ctx context.Context, destination string) (*collect.Connection, error) {
	if destination != spool.Embedded {
		return collect.Dial(destination)
	}
	dir, err := s.place.Archive()
	if err != nil {
		return nil, err
	}
	return collect.Embedded(ctx, dir, slog.New(slog.DiscardHandler))
}

func (s *session) openSpool() (*spool.Spool, error) {
	dir, err := s.place.Spool()
	if err != nil {
		return nil, err
	}
	return spool.Open(dir)
}
