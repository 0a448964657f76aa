package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/fault"
	"witnessmark/internal/local"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
)

// Where the agent's socket is when nobody says otherwise: in the state folder, or
// where a service has it.
const (
	socketName    = "agent.sock"
	serviceSocket = "/run/witnessmark/agent.sock"
)

func socketFlag(cmd *cobra.Command, socket *string) {
	cmd.Flags().StringVar(socket, "socket", "", "the agent's socket `PATH` (or set WITNESSMARK_SOCKET; default: agent.sock in the state folder, else "+serviceSocket+")")
}

// ask reaches the agent that is always on.
func (s *session) ask(ctx context.Context, socket string, question func(*local.Client) error) error {
	path, err := s.socket(socket)
	if err != nil {
		return err
	}
	c, err := local.Dial(ctx, path)
	if err != nil {
		return err
	}
	defer c.Close()
	return question(c)
}

func (s *session) socket(named string) (string, error) {
	if named = cmp.Or(named, os.Getenv("WITNESSMARK_SOCKET")); named != "" {
		return named, nil
	}
	path, err := s.path(socketName)
	if err != nil {
		return "", err
	}
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) && s.state == "" {
		if _, err := os.Lstat(serviceSocket); err == nil {
			return serviceSocket, nil
		}
	}
	return path, nil
}

func settleCommand(s *session) *cobra.Command {
	var below, load float64
	var limit time.Duration
	var socket string
	cmd := &cobra.Command{
		Use:   "settle",
		Short: "Wait until the rig is in its starting state",
		Long: `Wait until the rig is cool and idle enough to start a run, as the agent that is
always on sees it.

Exits 0 once it is, 3 when it still was not at the limit, or when what is asked
for cannot be read here, and then says what was not settled.`,
		Example: "  agent settle --below 45 --other-load 2 --limit 10m && ./orrery",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			want := setup.Settle{Limit: limit}
			if cmd.Flags().Changed("below") {
				want.BelowCelsius = &below
			}
			if cmd.Flags().Changed("other-load") {
				want.OtherLoadPercent = &load
			}
			if err := checkSettle(want); err != nil {
				return err
			}
			return s.ask(cmd.Context(), socket, func(c *local.Client) error { return s.await(cmd.Context(), c, want) })
		},
	}
	f := cmd.Flags()
	f.Float64Var(&below, "below", 0, "every temperature is to be below `CELSIUS`")
	f.Float64Var(&load, "other-load", 0, "all processors together are to be less busy than `PERCENT`")
	f.DurationVar(&limit, "limit", setup.DefaultSettleLimit, "wait no longer than `TIME`")
	socketFlag(cmd, &socket)
	return cmd
}

func checkSettle(want setup.Settle) error {
	switch {
	case want.BelowCelsius == nil && want.OtherLoadPercent == nil:
		return screen.Misuse("give --below CELSIUS, --other-load PERCENT or both", "settle: it is not said what to wait for")
	case want.BelowCelsius != nil && (*want.BelowCelsius <= -50 || *want.BelowCelsius >= 150):
		return screen.Misuse("degrees Celsius, such as --below 45", "--below %v: no rig settles to that", *want.BelowCelsius)
	case want.OtherLoadPercent != nil && (*want.OtherLoadPercent <= 0 || *want.OtherLoadPercent > 100):
		return screen.Misuse("percent of all processors, such as --other-load 2", "--other-load %v: it takes a percentage above 0", *want.OtherLoadPercent)
	case want.Limit <= 0 || want.Limit > 24*time.Hour:
		return screen.Misuse("a span of time such as --limit 10m", "--limit %v: it takes a time above 0, a day at most", want.Limit)
	}
	return nil
}

func (s *session) await(ctx context.Context, c *local.Client, want setup.Settle) error {
	progress, start := screen.NewProgress(s.stderr, "settling"), time.Now()
	left, err := c.Settle(ctx, want, func(left []string) { progress.Step(strings.Join(left, ", ")) })
	progress.Done()
	if err != nil || len(left) == 0 {
		return err
	}
	return screen.Exit(screen.Flagged, fault.New("settle", "", fmt.Errorf("not settled after %v: %s", time.Since(start).Round(time.Second), strings.Join(left, ", "))).
		WithHint("wait longer with --limit, or look at what else the rig is doing"))
}

func spanCommand(s *session) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "span",
		Short: "Mark the bounds of a run whose log has none",
		Long: `Mark the bounds of a run whose timing log does not tell when it was: begin one
right before the workload and end it right after, under the workload's name. The
agent that is always on holds the log of that workload against it.`,
		Example: "  agent span begin orrery && ./orrery; agent span end orrery",
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(spanMark(s, "begin", "Say that a run begins now", func(ctx context.Context, c *local.Client, name string) error {
		return c.BeginSpan(ctx, name)
	}), spanMark(s, "end", "Say that it has ended now", func(ctx context.Context, c *local.Client, name string) error {
		length, err := c.EndSpan(ctx, name)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.stdout, "%s: %s\n", screen.Clean(name), screen.Seconds(length))
		return err
	}))
	return cmd
}

func spanMark(s *session, word, short string, mark func(context.Context, *local.Client, string) error) *cobra.Command {
	var socket string
	cmd := &cobra.Command{
		Use:     word + " NAME",
		Short:   short,
		Example: "  agent span " + word + " orrery",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return s.ask(cmd.Context(), socket, func(c *local.Client) error { return mark(cmd.Context(), c, args[0]) })
		},
	}
	socketFlag(cmd, &socket)
	return cmd
}
